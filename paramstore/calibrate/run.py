"""The whole work: every calibration of a recipe that there is a table for, for every unit."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from importlib.util import find_spec

from paramstore.calibrate.recipe import Recipe
from paramstore.calibrate.result import Outcome, Result, UnitResult
from paramstore.calibrate.table import Table
from paramstore.core.errors import Finding, FindingsError, ToolError, errors_in
from paramstore.core.scalars import Raw
from paramstore.core.words import code_list
from paramstore.schema.quantity import ValueProblem, parameter_to_raw

__all__ = ["calibrate"]


def calibrate(recipe: Recipe, tables: Mapping[str, Table], serial: str = "") -> Outcome:
    """Return what the tables, by name of their calibration, come to for each unit.

    A table without serial numbers is of the unit `serial`, or for all units if the recipe says so.
    FindingsError with every mistake (PS824, PS825, PS831 to PS836) and all warnings, if there is a
    mistake; ToolError without numpy or scipy.
    """
    missing = [name for name in ("numpy", "scipy") if find_spec(name) is None]
    if missing:
        raise ToolError(f"calibrate needs {' and '.join(missing)}, not installed here",
                        'install it: pip install "paramstore[calibrate]"')
    findings = [w for table in tables.values() for w in table.warnings]
    common = {name: table for name, table in tables.items() if _for_all(recipe, name)}
    own = {name: replace(table, units={serial: table.units[""]}) if "" in table.units else table
           for name, table in tables.items() if name not in common}
    _check_whose(common, own, findings)
    if errors_in(findings):
        raise FindingsError(findings)
    shared = _fitted(recipe, common, "", findings)
    units = []
    for unit in _serials(own, findings):
        results = _fitted(recipe, own, unit, findings)
        values = _values(recipe, unit, (*shared, *results), findings)
        units.append(UnitResult(unit, results, values))
    if errors_in(findings):
        raise FindingsError(findings)
    return Outcome(tuple(units), tuple(sorted(findings, key=lambda f: f.sort_key)), shared)


def _for_all(recipe: Recipe, name: str) -> bool:
    calibration = recipe.calibration(name)
    return calibration is not None and calibration.all_units


def _fitted(recipe: Recipe, tables: Mapping[str, Table], serial: str,
            findings: list[Finding]) -> tuple[Result, ...]:
    from paramstore.calibrate.fitting import Job, fit_unit

    results = []
    for name, table in tables.items():
        calibration, rows = recipe.calibration(name), table.units.get(serial)
        if calibration is None or rows is None:
            continue
        result = fit_unit(Job(calibration, serial, rows, recipe.source, table.source, findings))
        if result is not None:
            results.append(result)
    return tuple(results)


def _check_whose(common: Mapping[str, Table], own: Mapping[str, Table],
                 findings: list[Finding]) -> None:
    """Add a finding for each table of which nothing, or too much, tells the unit (PS825)."""
    named = {s: table.source.path for table in own.values() for s in table.units if s}
    for table in own.values():
        if "" in table.units and named:
            findings.append(Finding(
                "PS825", f"`{table.source.path}` does not say which unit it is of", table.source,
                notes=tuple(f"`{path}` is of {code_list([s for s in named if named[s] == path])}"
                            for path in dict.fromkeys(named.values())),
                help="add a column `serial`, name the unit with --serial, or write `all_units = "
                "true` in the recipe if one measurement holds for every unit"))
    for name, table in common.items():
        if "" not in table.units:
            findings.append(Finding(
                "PS825", f"`{table.source.path}` names units, but calibration `{name}` is for all "
                "of them", table.source,
                help="take out the column `serial`, or `all_units` in the recipe"))


def _serials(tables: Mapping[str, Table], findings: list[Finding]) -> list[str]:
    """Return the units; a finding for each that is not in all tables."""
    serials = list(dict.fromkeys(s for t in tables.values() for s in t.units))
    for table in tables.values():
        missing = [s for s in serials if s not in table.units]
        if missing:
            findings.append(Finding(
                "PS824", f"`{table.source.path}` has no measurements of {code_list(missing)}",
                table.source, notes=("another table has",),
                help="measure them, take them out of the other table, or calibrate in two runs"))
    return serials or [""]


def _values(recipe: Recipe, serial: str, results: Iterable[Result],
            findings: list[Finding]) -> dict[str, dict[str, tuple[Raw, ...]]]:
    values: dict[str, dict[str, tuple[Raw, ...]]] = {}
    if recipe.serial is not None and serial:
        try:
            conversion = parameter_to_raw(recipe.serial.parameter, serial)
        except ValueProblem as problem:
            findings.append(Finding("PS836", problem.message, recipe.source, recipe.serial.span,
                                    notes=(f"unit {serial}", *problem.notes), help=problem.help))
        else:
            values[recipe.serial.group.name] = {n: c.raws for n, c in conversion.items()}
    for result in results:
        for group, fields in result.raws.items():
            values.setdefault(group, {}).update(fields)
    return values
