"""The whole work: every calibration of a recipe that there is a table for, for every unit."""

from __future__ import annotations

from collections.abc import Mapping
from importlib.util import find_spec

from paramstore.calibrate.recipe import Recipe
from paramstore.calibrate.result import Outcome, Result, UnitResult
from paramstore.calibrate.table import Table
from paramstore.core.errors import Finding, FindingsError, ToolError, errors_in
from paramstore.core.scalars import Raw
from paramstore.core.words import code_list
from paramstore.schema.quantity import ValueProblem, parameter_to_raw

__all__ = ["calibrate"]


def calibrate(recipe: Recipe, tables: Mapping[str, Table]) -> Outcome:
    """Return what the tables, by name of their calibration, come to for each unit.

    A table without serial numbers holds for every unit. FindingsError with every mistake (PS824,
    PS831 to PS836) and all warnings, if there is a mistake; ToolError without numpy or scipy.
    """
    missing = [name for name in ("numpy", "scipy") if find_spec(name) is None]
    if missing:
        raise ToolError(f"calibrate needs {' and '.join(missing)}, not installed here",
                        'install it: pip install "paramstore[calibrate]"')
    from paramstore.calibrate.fitting import Job, fit_unit

    findings = [w for table in tables.values() for w in table.warnings]
    units = []
    for serial in _serials(recipe, tables, findings):
        results: list[Result] = []
        for name, table in tables.items():
            calibration = recipe.calibration(name)
            rows = table.units.get(serial) or table.units.get("")
            if calibration is None or rows is None:
                continue
            result = fit_unit(Job(calibration, serial, rows, recipe.source, table.source, findings))
            if result is not None:
                results.append(result)
        units.append(UnitResult(serial, tuple(results), _values(recipe, serial, results, findings)))
    if errors_in(findings):
        raise FindingsError(findings)
    return Outcome(tuple(units), tuple(sorted(findings, key=lambda f: f.sort_key)))


def _serials(recipe: Recipe, tables: Mapping[str, Table], findings: list[Finding]) -> list[str]:
    """Return the units; a finding for each that is not in all tables with serial numbers."""
    numbered = [t for t in tables.values() if "" not in t.units]
    serials = list(dict.fromkeys(s for t in numbered for s in t.units))
    for table in numbered:
        missing = [s for s in serials if s not in table.units]
        if missing:
            findings.append(Finding(
                "PS824", f"`{table.source.path}` has no measurements of {code_list(missing)}",
                table.source, notes=("another table has",),
                help="measure them, take them out of the other table, or calibrate in two runs"))
    return serials or [""]


def _values(recipe: Recipe, serial: str, results: list[Result],
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
