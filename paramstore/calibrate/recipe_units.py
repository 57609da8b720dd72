"""The units of a recipe: what each model computes, against what each parameter holds."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

from paramstore.calibrate.keys import EQUATIONS
from paramstore.calibrate.recipe import Calibration, FedParameter
from paramstore.calibrate.units import factor, parse_unit
from paramstore.located.validator import CheckedTable, Validator
from paramstore.schema.model import Kind

__all__ = ["MIXED", "output_units", "with_units"]

MIXED = "mixed"
"""Stands for the unit of an array whose elements have different ones."""


def output_units(calibration: Calibration) -> dict[str, str]:
    """Return the unit of each output of a model, by its key; `MIXED` for coefficients."""
    info = calibration.info
    reading = calibration.reading_unit if not info.reading_unit else info.reading_unit
    reference = calibration.reference_unit
    match calibration.model:
        case "line":
            equation = calibration.options["equation"]
            gain = _per(reading, reference) if equation == EQUATIONS[1] else _per(reference,
                                                                                  reading)
            return {"gain": gain, "offset": reference if equation == EQUATIONS[0] else reading}
        case "curve":
            return {"curve": "%" if calibration.options["gives"] == "percent" else reference}
        case "ph":
            return {"slope": "mV/pH", "zero": "mV", "temperature": "degC"}
        case "beta":
            return {"beta": "K", "r25": "ohm"}
        case "platinum":
            return {"r0": "ohm", "a": "1/K", "b": "1/K^2", "c": "1/K^4"}
        case "adc":
            return {"reference_voltage": reference, "gain": "1", "offset": reference}
        case "steinhart-hart":
            return {"coefficients": MIXED, "a": "1/K", "b": "1/K", "c": "1/K"}
        case "polynomial" | "polynomial-temperature":
            return {"coefficients": MIXED}
    raise AssertionError(f"the outputs of {calibration.model} have no units")


def with_units(validator: Validator, table: CheckedTable,
               calibration: Calibration) -> Calibration | None:
    """Return the calibration with the factors of its units; None, with findings (PS806), if one
    of them does not fit."""
    reading = _reading_factor(validator, table, calibration)
    units = output_units(calibration)
    targets = {
        key: _fitted(validator, key, target, units[key], calibration)
        for key, target in calibration.targets.items()
    }
    alike = _alike(validator, calibration)
    if reading is None or not alike or None in targets.values():
        return None
    return replace(calibration, reading_factor=reading,
                   targets={k: t for k, t in targets.items() if t is not None})


def _per(top: str, bottom: str) -> str:
    if factor(parse_unit(top), parse_unit(bottom)) == 1:
        return "1"
    return f"{top}/({bottom})" if "/" in bottom else f"{top}/{bottom}"


def _reading_factor(validator: Validator, table: CheckedTable,
                    calibration: Calibration) -> Fraction | None:
    wanted, given = calibration.info.reading_unit, calibration.reading_unit
    if not wanted:
        return Fraction(1)
    known = factor(parse_unit(given), parse_unit(wanted))
    if known is None:
        validator.add("PS806", f"the reading cannot be in `{given}`", table.span("reading_unit"),
                      notes=(f"the model computes with {wanted}",),
                      help=f"give `{wanted}`, with another SI prefix if need be")
    return known


def _fitted(validator: Validator, key: str, target: FedParameter, unit: str,
            calibration: Calibration) -> FedParameter | None:
    """Return the target with its factors; a parameter without a unit takes any."""
    own = target.field.unit
    if unit == MIXED:
        if not own:
            return target
        validator.add("PS806", f"the elements of `{target.name}` cannot all be in `{own}`",
                      target.span, notes=("each coefficient has a unit of its own",),
                 help="leave `unit` out of the schema, and say it in `doc`")
        return None
    into = _factor(validator, key, target, unit, own)
    if target.parameter.kind is not Kind.CURVE:
        return None if into is None else replace(target, factor=into)
    x_into = _factor(validator, "reading", target, calibration.reading_unit,
                     target.parameter.fields[0].unit, "x of ")
    if into is None or x_into is None:
        return None
    return replace(target, factor=into, x_factor=x_into)


def _factor(validator: Validator, key: str, target: FedParameter, unit: str, own: str,
            axis: str = "") -> Fraction | None:
    known = factor(parse_unit(unit), parse_unit(own)) if own else Fraction(1)
    if known is None:
        shown = "a plain number" if unit == "1" else f"in `{unit}`"
        validator.add("PS806", f"`{key}` is {shown}, but {axis}`{target.name}` is in `{own}`",
                 target.span, notes=("units that differ by SI prefixes only are converted",),
                 help="change the unit in the schema or in the recipe, or name another parameter")
    return known


def _alike(validator: Validator, calibration: Calibration) -> bool:
    """Check that readings and references have one unit where one is taken from the other."""
    fixed = calibration.model == "line" and "gain" not in calibration.targets
    added = calibration.options.get("gives") in ("difference", "percent")
    same = factor(parse_unit(calibration.reading_unit), parse_unit(calibration.reference_unit)) == 1
    if not (fixed or added) or same:
        return True
    validator.add("PS806", f"the reading is in `{calibration.reading_unit}`, the reference in "
                  f"`{calibration.reference_unit}`", calibration.span,
                  notes=("the gain is fixed at 1" if fixed else "one is taken from the other",),
                  help="name a parameter for `gain`" if fixed else 'write `gives = "value"`')
    return False
