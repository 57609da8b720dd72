"""A calibration for people: what was fitted, what is stored, and the errors.

Every figure is computed in `calibrate`; this module only words it. `residual_plot` draws it,
`calibration_data` is for programs.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator, Sequence

from paramstore.calibrate.acceptance import Decision
from paramstore.calibrate.result import Outcome, OutlierState, Point, Result, StoredNumber
from paramstore.calibrate.uncertainty import UncertaintyBudget
from paramstore.core.text import printable
from paramstore.core.words import plural
from paramstore.report.tables import Column, table

__all__ = ["calibration_text", "decision_words", "error_text", "uncertainty_words", "unit_of"]

LINE = 96


def calibration_text(outcome: Outcome, *, details: bool | None = None) -> str:
    """Return the whole report, lines ended by \\n.

    `details`: every unit with its points, or a table with one line for each unit; None shows
    details if there is only one unit.
    """
    if details or (details is None and len(outcome.units) == 1):
        blocks = [_details(r) for r in outcome.results]
    else:
        blocks = list(_overview(outcome))
    return "\n\n".join("\n".join(block) for block in blocks) + "\n"


def error_text(error: float, worst: float) -> str:
    """Return an error with as many decimals as give the worst one three digits, with its sign
    unless nothing is left of it."""
    if error == 0:
        return "0"
    magnitude = math.floor(math.log10(abs(worst) or abs(error)))
    if not -7 <= magnitude <= 6:
        return f"{error:+.2e}"
    text = f"{error:+.{max(0, 2 - magnitude)}f}"
    return text if text.strip("+-0.") else text[1:]


# ---- One unit -----------------------------------------------------------------------------------


def _details(result: Result) -> list[str]:
    calibration = result.calibration
    lines = [f"{calibration.name}{_whose(result)}: {plural(len(result.points), 'point')}, "
             f"{printable(result.source.path)}"]
    if calibration.doc:
        lines += textwrap.wrap(printable(calibration.doc), LINE, initial_indent="  ",
                               subsequent_indent="  ")
    return [*lines, f"  {result.equation}", "", *_numbers(result.numbers), "",
            *_summary(result), "", *_points(result)]


def _whose(result: Result) -> str:
    if result.calibration.all_units:
        return " for all units"
    return f" of {result.serial}" if result.serial else ""


def _numbers(numbers: Sequence[StoredNumber]) -> list[str]:
    columns = [Column("parameter", right=False), Column("fitted"), Column("u"),
               Column("stored"), Column("unit", right=False)]
    return table(columns, [
        (n.name, *_with_uncertainty(n), n.shown.removesuffix(f" {n.unit}"), n.unit)
        for n in numbers
    ], indent=2)


def _with_uncertainty(number: StoredNumber) -> tuple[str, str]:
    """Return a number and its standard uncertainty, to two digits of the latter; of points without
    any scatter, the number to the digits that a float has after some arithmetic."""
    uncertainty = number.uncertainty
    if not uncertainty:
        return f"{number.fitted:.9g}", ""
    place = math.floor(math.log10(uncertainty)) - 1
    if place > 0 or place < -9:
        digits = max(1, math.floor(math.log10(abs(number.fitted) or uncertainty)) - place)
        return f"{number.fitted:.{min(digits, 12)}e}", f"{uncertainty:.1e}"
    return f"{number.fitted:.{-place}f}", f"{uncertainty:.{-place}f}"


def _summary(result: Result) -> Iterator[str]:
    for fact in result.facts:
        yield _line(fact.name, f"{fact.value:.4g} {fact.unit} {fact.remark}".rstrip())
    worst, after = result.worst, result.worst_stored
    yield _line("worst error", f"{_error(result, worst.error)} at {_place(result, worst)}")
    yield _line("when stored", f"{_error(result, after.stored_error)} at {_place(result, after)}")
    if result.deviation is not None:
        unit = f" {result.deviation_unit}" if result.deviation_unit not in ("", "1") else ""
        yield _line("scatter", f"{result.deviation:.2g}{unit}, standard deviation with "
                    + plural(result.freedom, "degree") + " of freedom")
    else:
        yield _line("scatter", "unknown: the fit goes through every point, right or wrong")
    low, high = (f"{v:g}" for v in result.reach)
    between = f"between {low} and {high} {result.calibration.reading_unit}".rstrip()
    if result.budget is not None:
        yield _line("uncertainty", f"up to {uncertainty_words(result.budget, unit_of(result))} "
                    f"{between}")
    elif result.freedom:
        yield _line("uncertainty", "not known: the points show no scatter, and nothing else is "
                    "given")
    yield _line("storing adds", f"up to {_amount(result, result.storage_error)} {between}")
    yield _line("outliers", _outliers(result))
    yield from _as_found(result)
    accept = result.calibration.acceptance
    if accept is not None and result.left is not None:
        yield _line("as left", decision_words(result.left))
        yield _line("accepted", accept.rule(unit_of(result)))


def _outliers(result: Result) -> str:
    """Return which points are outliers, and of which that cannot be said."""
    named = {state: ", ".join(str(p.line) for p in result.points if p.state is state)
             for state in OutlierState}
    if not named[OutlierState.UNKNOWN]:
        return f"line {named[OutlierState.OUTLIER]}" if named[OutlierState.OUTLIER] else "none"
    if not named[OutlierState.NONE] and not named[OutlierState.OUTLIER]:
        return "cannot be told from these points"
    told = f"line {named[OutlierState.OUTLIER]}" if named[OutlierState.OUTLIER] else "none told"
    return f"{told}; line {named[OutlierState.UNKNOWN]} cannot be judged"


def uncertainty_words(budget: UncertaintyBudget, unit: str) -> str:
    """Return an expanded uncertainty as it is stated: U, unit, k and degrees of freedom."""
    freedom = "infinite" if budget.freedom is None else f"{budget.freedom:.3g}"
    return (f"U = {budget.expanded:.2g} {unit}".rstrip()
            + f" (k = {budget.factor:.2f}, {freedom} degrees of freedom)")


def decision_words(decision: Decision) -> str:
    """Return a result of acceptance as it is shown."""
    return {Decision.PASS: "pass", Decision.FAIL: "FAIL"}.get(decision, "not decidable")


def _as_found(result: Result) -> Iterator[str]:
    found = result.found
    if found is None:
        return
    pairs = [(e, p) for e, p in zip(found.errors, result.points, strict=True) if e is not None]
    text = "no result at any point"
    if pairs:
        error, point = max(pairs, key=lambda pair: abs(pair[0]))
        text = f"{_error(result, error)} at {_place(result, point)}"
        if len(pairs) < len(found.errors):
            text += f", no result at {len(found.errors) - len(pairs)} of the points"
    if result.as_found is not None:
        text += f": {decision_words(result.as_found)}"
    yield _line("as found", f"{text}; {printable(found.source)}"
                + ("; defaults among it" if found.defaults else ""))
    since = f" since {found.since.isoformat()}" if found.since else ""
    for number in found.numbers:
        yield _line("drift", f"{number.name} {number.change:+.3g} {number.unit}".rstrip()
                    + f" from {number.found:.6g}{since}")


def _line(name: str, text: str) -> str:
    return f"  {name:13} {text}"


def _place(result: Result, point: Point) -> str:
    unit = result.calibration.reading_unit
    return f"{point.reading:g} {'' if unit == '1' else unit}".rstrip() + f" (line {point.line})"


def _error(result: Result, error: float) -> str:
    return _with_unit(error_text(error, error), result)


def _amount(result: Result, amount: float) -> str:
    return _with_unit(f"{amount:.2g}", result)


def _with_unit(text: str, result: Result) -> str:
    return f"{text} {unit_of(result)}".rstrip()


def unit_of(result: Result) -> str:
    """Return the unit of the reference, "" for a plain number."""
    unit = result.calibration.reference_unit
    return "" if unit == "1" else unit


def _points(result: Result) -> list[str]:
    calibration, points = result.calibration, result.points
    reference = calibration.reference_unit
    columns = [Column("line"), Column("reference", reference),
               Column("reading", calibration.reading_unit), Column("uncertainty", reference),
               Column("temperature", "degC"), Column("as found", reference),
               Column("error", reference), Column("when stored", reference),
               Column("U", reference), Column("result", right=False), Column("", right=False)]
    found = result.found.errors if result.found else [None] * len(points)
    decisions = result.left_decisions or [None] * len(points)
    worst = max(abs(result.worst.error), abs(result.worst_stored.stored_error))
    rows = [
        (str(p.line), f"{p.reference:.10g}", f"{p.reading:.10g}", _maybe(p.reference_uncertainty),
         _maybe(p.temperature), "" if f is None else error_text(f, worst),
         error_text(p.error, worst), error_text(p.stored_error, worst),
         "" if p.expanded is None else f"{p.expanded:.2g}", decision_words(d) if d else "",
         "" if p.state is OutlierState.NONE else p.state.value)
        for p, f, d in zip(points, found, decisions, strict=True)
    ]
    used = [i for i, c in enumerate(columns) if any(r[i] for r in rows)]
    return table([columns[i] for i in used], [[r[i] for i in used] for r in rows], indent=2)


def _maybe(number: float | None) -> str:
    return "" if number is None else f"{number:g}"


# ---- Many units ---------------------------------------------------------------------------------


def _outlier_count(result: Result) -> str:
    """Return how many outliers there are; with a `?` if some points cannot be judged."""
    count = str(sum(p.outlier for p in result.points))
    unknown = [p for p in result.points if p.state is OutlierState.UNKNOWN]
    return "?" if len(unknown) == len(result.points) else f"{count}?" if unknown else count


def _overview(outcome: Outcome) -> Iterator[list[str]]:
    for name in dict.fromkeys(r.calibration.name for r in outcome.results):
        results = [r for r in outcome.results if r.calibration.name == name]
        unit = results[0].calibration.reference_unit
        columns = [Column("unit", right=False), Column("points"), Column("worst error", unit),
                   Column("when stored", unit), Column("U", unit),
                   Column("storing adds", unit), Column("outliers"),
                   Column("as found", right=False), Column("as left", right=False)]
        rows = [(
            "all units" if r.calibration.all_units else r.serial, str(len(r.points)),
            error_text(r.worst.error, r.worst.error),
            error_text(r.worst_stored.stored_error, r.worst_stored.stored_error),
            f"{r.budget.expanded:.2g}" if r.budget else "",
            f"{r.storage_error:.2g}", _outlier_count(r),
            decision_words(r.as_found) if r.as_found else "",
            decision_words(r.left) if r.left else "",
        ) for r in results]
        used = [i for i, c in enumerate(columns) if any(row[i] for row in rows)]
        yield [f"{name}: {plural(len(results), 'unit')}, {printable(results[0].source.path)}",
               f"  {results[0].equation}", "", *table(
                   [columns[i] for i in used], [[row[i] for i in used] for row in rows], indent=2),
               *["  ?  points that cannot be judged: --details shows which"] * any(
                   "?" in _outlier_count(r) for r in results)]
