"""The whole work: every calibration of a recipe that there is a table for, for every unit."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from importlib.util import find_spec

from paramstore.calibrate.acceptance import Decision
from paramstore.calibrate.as_found import FoundValues, with_found
from paramstore.calibrate.recipe import Calibration, FedParameter, Recipe, put
from paramstore.calibrate.result import Outcome, Result, UnitResult
from paramstore.calibrate.table import Measurement, Table
from paramstore.core.errors import Finding, FindingsError, Severity, ToolError, errors_in
from paramstore.core.scalars import Raw, StoreRaws
from paramstore.core.words import code_list
from paramstore.schema.model import Kind
from paramstore.schema.to_raw import ValueProblem, parameter_to_raw

__all__ = ["calibrate"]


_NOTHING: Mapping[str, FoundValues] = {}
_NO_RAWS: StoreRaws = {}


def calibrate(recipe: Recipe, tables: Mapping[str, Table], serial: str = "",
              found: Mapping[str, FoundValues] = _NOTHING, base: StoreRaws = _NO_RAWS) -> Outcome:
    """Return what the tables, by name of their calibration, come to for each unit.

    A table without serial numbers is of the unit `serial`, or for all units if the recipe says so.
    `found` has what units held before, by serial number; `base` the elements of arrays that no
    calibration feeds, else they have their defaults. FindingsError with every mistake (PS824
    to PS826, PS831 to PS836) and all warnings, if there is a mistake; ToolError without numpy or
    scipy. A unit that is not accepted (PS841, PS842) is no mistake.
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
    for unit in _serials(own, findings) or [serial]:
        results = _fitted(recipe, own, unit, findings)
        if unit in found:
            results = tuple(with_found(r, found[unit]) for r in results)
        values = _values(recipe, unit, (*shared, *results), findings, base)
        units.append(UnitResult(unit, results, values))
    if errors_in(findings):
        raise FindingsError(findings)
    findings += _not_accepted(recipe, (*(r for u in units for r in u.results), *shared))
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
        for each, own in _channels(calibration, rows, table, serial, findings):
            result = fit_unit(Job(each, serial, own, recipe.source, table.source, findings))
            if result is not None:
                raws = _particulars(recipe, calibration, findings)
                results.append(replace(result, raws={
                    g: {**result.raws.get(g, {}), **raws.get(g, {})}
                    for g in {**result.raws, **raws}}))
    return tuple(results)


def _channels(calibration: Calibration, rows: Sequence[Measurement], table: Table, serial: str,
              findings: list[Finding]) -> Iterator[tuple[Calibration, Sequence[Measurement]]]:
    """Yield what is fitted by itself: the calibration as it is, or each of its channels; a finding
    (PS824) for a channel without measurements."""
    if not calibration.channels:
        yield calibration, rows
    for index in range(calibration.channels):
        own = [r for r in rows if r.channel == index]
        if own:
            yield calibration.channel(index), own
        else:
            findings.append(Finding(
                "PS824", f"`{table.source.path}` has no measurements of channel {index}",
                table.source, notes=(f"unit {serial}",) if serial else (),
                help=f"measure all {calibration.channels} channels, or feed single elements"))


def _particulars(recipe: Recipe, calibration: Calibration,
                 findings: list[Finding]) -> dict[str, dict[str, tuple[Raw, ...]]]:
    """Return the raws of what belongs with a calibration; a finding (PS826, PS836) for what is to
    be stored and is not known, or does not fit."""
    values: dict[str, dict[str, tuple[Raw, ...]]] = {}
    known = calibration.particulars.stored()
    for key, target in calibration.stores.items():
        value = known[key]
        if not value:
            needed = {"due": "`date` and `interval`", "instrument": "`reference`",
                      "certificate": "`certificate` of `reference`"}.get(key, f"`{key}`")
            option = {"date": " or --date", "due": " or --date", "person": " or --person",
                      "ambient": " or --ambient"}.get(key, "")
            _add_once(findings, Finding(
                "PS826", f"`{target.name}` takes the {_WORDS.get(key, key)}, which is not known",
                recipe.source, target.span, help=f"give {needed} in the recipe{option}"))
            continue
        if target.parameter.kind is Kind.TEXT and isinstance(value, list):
            value = ", ".join(value)
        try:
            converted = parameter_to_raw(target.parameter, value)
        except ValueProblem as problem:
            _add_once(findings, Finding("PS836", problem.message, recipe.source, target.span,
                                        notes=problem.notes, help=problem.help))
        else:
            values.setdefault(target.group.name, {}).update(
                {n: c.raws for n, c in converted.items()})
    return values


def _add_once(findings: list[Finding], finding: Finding) -> None:
    """Add a finding that each unit would bring."""
    if finding not in findings:
        findings.append(finding)


_WORDS = {"date": "date of calibration", "due": "due date", "instrument": "reference instrument",
          "certificate": "number of the certificate", "ambient": "ambient conditions"}


def _not_accepted(recipe: Recipe, results: Iterable[Result]) -> Iterator[Finding]:
    """Yield a finding for each result that is not accepted as left (PS841, PS842)."""
    for result in results:
        if result.left in (None, Decision.PASS):
            continue
        failed = result.left is Decision.FAIL
        points = [p for p, d in zip(result.points, result.left_decisions, strict=True)
                  if d is result.left]
        worst = max(points, key=lambda p: abs(p.stored_error))
        accept, unit = result.calibration.acceptance, result.calibration.reference_unit
        assert accept is not None
        known = worst.budget is not None
        yield Finding(
            "PS841" if failed else "PS842",
            f"`{result.calibration.name}` is not within its limits" if failed else
            f"whether `{result.calibration.name}` is within its limits is not decidable",
            recipe.source, result.calibration.span,
            notes=(*((f"unit {result.serial}",) if result.serial else ()),
                   f"line {worst.line} of the table: error {worst.stored_error:+.3g} {unit}, "
                   f"accepted {accept.tolerance(worst.reference):.3g} {unit}, "
                   + (f"U {worst.budget.expanded:.2g} {unit}" if worst.budget else
                      "U is not known")),
            help="look for the cause before the unit goes out" if failed else
            "measure with less uncertainty" if known else
            "measure more points, or give uncertainties: without U a guard band has no width",
            severity=Severity.ERROR if failed else Severity.WARNING)


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
    return serials


def _values(recipe: Recipe, serial: str, results: Iterable[Result],
            findings: list[Finding], base: StoreRaws) -> dict[str, dict[str, tuple[Raw, ...]]]:
    values: dict[str, dict[str, tuple[Raw, ...]]] = {}
    if recipe.serial is not None and serial:
        try:
            conversion = parameter_to_raw(recipe.serial.parameter, serial)
        except ValueProblem as problem:
            findings.append(Finding("PS836", problem.message, recipe.source, recipe.serial.span,
                                    notes=(f"unit {serial}", *problem.notes), help=problem.help))
        else:
            values[recipe.serial.group.name] = {n: c.raws for n, c in conversion.items()}
    results = list(results)
    for result in results:
        put(values, result.calibration.targets.values(), result.raws, base)
    for key, choose in (("date", max), ("due", min)):
        for target in _stored_in(results, key):
            group, name = target.group.name, target.field.name
            values[group][name] = choose(r.raws[group][name] for r in results
                                         if name in r.raws.get(group, {}))
    return values


def _stored_in(results: Iterable[Result], key: str) -> Iterator[FedParameter]:
    """Yield the parameters that take a date of several calibrations: the latest one, or the
    earliest due date."""
    for result in results:
        target = result.calibration.stores.get(key)
        if target is not None and target.field.name in result.raws.get(target.group.name, {}):
            yield target
