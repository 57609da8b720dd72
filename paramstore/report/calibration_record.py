"""The record of a calibration of one unit, to hand out: a page that prints, and the same as data.

One page without anything from outside: texts are escaped and made printable, pictures lie in it.
"""

from __future__ import annotations

import base64
from collections.abc import Iterator
from datetime import date
from functools import lru_cache
from typing import TYPE_CHECKING

from paramstore.calibrate.result import Outcome, OutlierState, Result, UnitResult
from paramstore.core.text import JsonObject
from paramstore.report.calibration import (
    decision_words,
    error_text,
    uncertainty_words,
    unit_of,
)
from paramstore.report.calibration_data import DATA_VERSION, result_data
from paramstore.report.pages.frame import finished
from paramstore.report.residual_plot import results_svg
from paramstore.schema.model import Schema

if TYPE_CHECKING:
    from paramstore.core.templates import Template

__all__ = ["NO_CERTIFICATE", "calibration_record_data", "calibration_record_html"]

NO_CERTIFICATE = (
    "This is no accredited calibration certificate. It states no traceability beyond the reference "
    "that is named, and holds for the unit, the points and the conditions given, on the day given.")

_CAUTION = (
    "Caution: a wrong calibration or limit can make a module heat, dose, move or switch what it "
    "should not. Check the unit with its loads disconnected, from a current-limited supply. A "
    "calibration is no safety function; national rules and licensed practice come first.")

_ONE_COLUMN, _NARROW = 12, 8
"""More points than this stand in two columns if the table has no more columns than that."""

_STATES = {OutlierState.OUTLIER: "outlier", OutlierState.UNKNOWN: "not judged as outlier"}

_NOT_STATED = "not stated"


def calibration_record_data(outcome: Outcome, unit: UnitResult, schema: Schema) -> JsonObject:
    """Return the record as data that JSON can hold."""
    decision = outcome.decision(unit)
    return {
        "schema_version": DATA_VERSION, "record": "calibration", "store": schema.name,
        "serial": unit.serial or None, "result": decision.value if decision else None,
        "calibrations": [{**result_data(r), "all_units": r.calibration.all_units}
                         for r in outcome.of(unit)],
        "remark": NO_CERTIFICATE, "caution": _CAUTION,
    }


def calibration_record_html(outcome: Outcome, unit: UnitResult, schema: Schema) -> str:
    """Return the record as a page."""
    results = outcome.of(unit)
    decision = outcome.decision(unit)
    days = [r.calibration.particulars.measured for r in results]
    dues = [d for r in results if (d := r.calibration.particulars.due) is not None]
    return _template().render(
        store=schema.name, doc=" ".join(schema.doc.split()), serial=unit.serial or _NOT_STATED,
        result=("not judged: no limits are stated" if decision is None else decision_words(decision)
                + (", as far as limits are stated" if None in {r.left for r in results} else "")),
        facts=[
            ("Unit", schema.name), ("Serial number", unit.serial or _NOT_STATED),
            ("Date of calibration", _days(days)),
            ("Next calibration by", _day(min(dues, default=None))),
            ("Measured by", _texts(r.calibration.particulars.person for r in results)),
            ("Ambient conditions", _texts(r.calibration.particulars.ambient for r in results)),
        ],
        calibrations=[_calibration(r) for r in results],
        remark=NO_CERTIFICATE, caution=_CAUTION)


@lru_cache
def _template() -> Template:
    from paramstore.core.templates import template_environment

    return template_environment("paramstore.report", html=finished).get_template(
        "calibration_record.html.in")


# ---- One calibration ----------------------------------------------------------------------------


def _calibration(result: Result) -> JsonObject:
    calibration, of, unit = result.calibration, result.calibration.particulars, unit_of(result)
    low, high = result.reach
    reading_unit = "" if calibration.reading_unit == "1" else f" {calibration.reading_unit}"
    accept, drift = calibration.acceptance, calibration.number("reference_drift")
    svg = results_svg([result], themes=False).encode("utf-8")
    return {
        "name": calibration.name, "doc": " ".join(calibration.doc.split()),
        "all_units": calibration.all_units, "result": decision_words(result.left)
        if result.left else "", "failed": result.left is not None and result.left.value != "pass",
        "facts": [
            ("Date", _day(of.measured)),
            ("Reference", of.instrument or _NOT_STATED),
            ("Its certificate", (of.certificate or _NOT_STATED)
             + (f", {of.certificate_date.isoformat()}" if of.certificate_date else "")),
            *([("Its drift", f"up to {drift:g} {unit} since then")] if drift else []),
            *([("Buffers", ", ".join(of.buffers))] if of.buffers else []),
            ("Equation", result.equation),
            ("Range", f"{low:g} to {high:g}{reading_unit}"),
            ("Uncertainty", f"up to {uncertainty_words(result.budget, unit)}" if result.budget
             else "not known: the points show no scatter, and nothing else is given"
             if result.freedom else "not known: too few points"),
            ("Accepted", accept.rule(unit) if accept else "no limits stated"),
            *((f.name[:1].upper() + f.name[1:], f"{f.value:.4g} {f.unit} {f.remark}".strip())
              for f in result.facts),
            *_found_facts(result),
        ],
        **_points(result), "numbers": list(_numbers(result)),
        "compared": bool(result.found and result.found.numbers),
        "budget": _budget(result), "picture": base64.b64encode(svg).decode("ascii"),
        "drawn": f"Errors of {calibration.name} over the reading, as in the table",
    }


def _found_facts(result: Result) -> Iterator[tuple[str, str]]:
    found = result.found
    if found is None:
        return
    words = f": {decision_words(result.as_found)}" if result.as_found else ""
    yield "As found", (found.source + ("; partly defaults, the unit had no record" if found.defaults
                                       else "") + words)
    if found.since:
        yield "Last calibration", found.since.isoformat()


def _points(result: Result) -> JsonObject:
    """Return the table of points in one part or two beside each other, without the columns that
    nothing stands in, and a sentence on what is the same at all of them."""
    unit, points = unit_of(result), result.points
    found = result.found.errors if result.found else (None,) * len(points)
    worst = max(abs(result.worst_stored.stored_error), *(abs(e) for e in found if e is not None),
                0.0)
    decisions = result.left_decisions or (None,) * len(points)
    factors = [("", "") if p.budget is None else (f"{p.budget.factor:.2f}",
                                                  _freedom(p.budget.freedom)) for p in points]
    alike = len(set(factors)) == 1
    head = [("Reference", unit), ("Reading", result.calibration.reading_unit.removeprefix("1")),
            ("Temp.", "degC"), ("As found", unit), ("As left", unit), ("U", unit), ("k", ""),
            ("Freedom", ""), ("Result", "")]
    rows = [(
        f"{p.reference:.10g}", f"{p.reading:.10g}",
        "" if p.temperature is None else f"{p.temperature:g}",
        "" if f is None else error_text(f, worst), error_text(p.stored_error, worst),
        "" if p.expanded is None else f"{p.expanded:.2g}", *(("", "") if alike else factor),
        "; ".join(filter(None, (decision_words(d) if d else "",
                                "" if p.state is OutlierState.NONE else _STATES[p.state]))),
    ) for p, f, d, factor in zip(points, found, decisions, factors, strict=True)]
    used = [i for i in range(len(head)) if any(row[i] for row in rows)]
    kept = [[row[i] for i in used] for row in rows]
    half = -(-len(kept) // 2) if len(kept) > _ONE_COLUMN and len(used) <= _NARROW else len(kept)
    factor, freedom = factors[0]
    return {"head": [head[i] for i in used], "parts": [p for p in (kept[:half], kept[half:]) if p],
            "same": f", k = {factor} with {freedom} degrees of freedom" if alike and factor else ""}


def _numbers(result: Result) -> Iterator[JsonObject]:
    drift = {n.name: n for n in result.found.numbers} if result.found else {}
    for number in result.numbers:
        old = drift.get(number.name)
        yield {"name": number.name, "unit": number.unit,
               "found": "" if old is None else f"{old.found:.7g}",
               "left": number.shown.removesuffix(f" {number.unit}"),
               "change": "" if old is None else f"{old.change:+.3g}",
               "u": "" if not number.uncertainty else f"{number.uncertainty:.2g}"}


def _budget(result: Result) -> JsonObject | None:
    budget = result.budget
    if budget is None:
        return None
    at = f"{result.budget_at:g} {result.calibration.reading_unit.removeprefix('1')}".rstrip()
    return {"unit": unit_of(result), "at": at,
            "entries": [{"name": e.name, "kind": e.kind, "u": f"{e.uncertainty:.2g}",
                         "freedom": _freedom(e.freedom)} for e in budget.entries],
            "combined": f"{budget.combined:.2g}", "freedom": _freedom(budget.freedom),
            "factor": f"{budget.factor:.2f}", "expanded": f"{budget.expanded:.2g}"}


def _freedom(freedom: float | None) -> str:
    return "infinite" if freedom is None else f"{freedom:.3g}"


def _day(day: date | None) -> str:
    return day.isoformat() if day else _NOT_STATED


def _days(days: list[date | None]) -> str:
    return ", ".join(dict.fromkeys(_day(d) for d in days))


def _texts(texts: Iterator[str]) -> str:
    return "; ".join(dict.fromkeys(t for t in texts if t)) or _NOT_STATED
