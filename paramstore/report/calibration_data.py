"""A calibration for programs: every unit, calibration and point as data that JSON can hold.

Units are named beside the numbers; errors are what the firmware shows minus the reference.
"""

from __future__ import annotations

from datetime import date

from paramstore.calibrate.acceptance import Decision
from paramstore.calibrate.particulars import Particulars
from paramstore.calibrate.recipe import Calibration
from paramstore.calibrate.result import AsFound, Outcome, Point, Result, UnitResult
from paramstore.calibrate.uncertainty import UncertaintyBudget
from paramstore.core.text import Json, JsonObject

__all__ = ["DATA_VERSION", "calibration_data", "result_data"]

DATA_VERSION = 1
"""Grows when a key changes its meaning or goes away."""


def calibration_data(outcome: Outcome) -> JsonObject:
    """Return the whole outcome; what was measured once for all units stands beside them."""
    return {"schema_version": DATA_VERSION,
            "units": [_unit_data(u, outcome.decision(u)) for u in outcome.units],
            "all_units": [result_data(r) for r in outcome.common]}


def _unit_data(unit: UnitResult, decision: Decision | None) -> JsonObject:
    return {"serial": unit.serial or None, "result": decision.value if decision else None,
            "calibrations": [result_data(r) for r in unit.results]}


def result_data(result: Result) -> JsonObject:
    """Return one calibration of one unit."""
    calibration = result.calibration
    return {
        "name": calibration.name,
        "model": calibration.model,
        "equation": result.equation,
        "table": result.source.path,
        "reading_unit": calibration.reading_unit,
        "reference_unit": calibration.reference_unit,
        **_particulars_data(calibration.particulars),
        "parameters": [
            {"name": n.name, "unit": n.unit, "fitted": n.fitted,
             "standard_uncertainty": n.uncertainty, "stored": n.stored}
            for n in result.numbers
        ],
        "facts": [{"name": f.name, "value": f.value, "unit": f.unit} for f in result.facts],
        "degrees_of_freedom": result.freedom,
        "standard_deviation": result.deviation,
        "standard_deviation_unit": result.deviation_unit,
        "range": list(result.reach),
        "worst_error": result.worst.error,
        "worst_error_stored": result.worst_stored.stored_error,
        "uncertainty": _budget_data(result.budget),
        "storage_error": result.storage_error,
        "storage_error_at": result.storage_at,
        "acceptance": _acceptance_data(calibration),
        "as_left": _word(result.left),
        "as_found": _found_data(result.found, result.as_found),
        "points": [
            {**_point_data(p), "error_as_found": f, "as_found": _word(fd), "as_left": _word(d)}
            for p, f, fd, d in zip(
                result.points,
                result.found.errors if result.found else [None] * len(result.points),
                result.found_decisions or [None] * len(result.points),
                result.left_decisions or [None] * len(result.points), strict=True)
        ],
    }


def _point_data(point: Point) -> JsonObject:
    return {"line": point.line, "reference": point.reference, "reading": point.reading,
            "standard_uncertainty": point.reference_uncertainty,
            "temperature_c": point.temperature, "error": point.error,
            "error_stored": point.stored_error,
            "expanded_uncertainty": point.expanded,
            "coverage_factor": None if point.budget is None else point.budget.factor,
            "degrees_of_freedom": None if point.budget is None else point.budget.freedom,
            "outlier_chance": point.chance, "outlier": point.state.value}


def _particulars_data(of: Particulars) -> JsonObject:
    return {
        "date": _day(of.measured), "due": _day(of.due), "person": of.person or None,
        "ambient": of.ambient or None, "buffers": list(of.buffers),
        "reference": {"instrument": of.instrument, "certificate": of.certificate or None,
                      "date": _day(of.certificate_date)}
        if of.instrument else None,
    }


def _budget_data(budget: UncertaintyBudget | None) -> Json:
    if budget is None:
        return None
    return {"standard": budget.combined, "degrees_of_freedom": budget.freedom,
            "coverage_factor": budget.factor, "expanded": budget.expanded,
            "budget": [{"source": e.name, "type": e.kind, "standard_uncertainty": e.uncertainty,
                        "unit": e.unit, "degrees_of_freedom": e.freedom, "common": e.common}
                       for e in budget.entries]}


def _acceptance_data(calibration: Calibration) -> Json:
    accept = calibration.acceptance
    return None if accept is None else {
        "limit": accept.limit, "percent": accept.percent, "guard_band": accept.guard,
        "rule": accept.rule(calibration.reference_unit)}


def _found_data(found: AsFound | None, decision: Decision | None) -> Json:
    return None if found is None else {
        "source": found.source, "since": _day(found.since), "defaults": found.defaults,
        "result": _word(decision),
        "drift": [{"name": n.name, "unit": n.unit, "found": n.found, "left": n.left,
                   "change": n.change} for n in found.numbers]}


def _word(decision: Decision | None) -> Json:
    return decision.value if decision else None


def _day(day: date | None) -> Json:
    return day.isoformat() if day else None
