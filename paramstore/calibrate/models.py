"""The models: each as a linear least-squares problem in the measured quantity.

Every fit makes the sum of squares of one thing smallest: the error of what the firmware will show,
in the unit of the reference. So a thermistor is fitted in degC and an electrode in pH, whatever
the equation in the firmware looks like. The coefficients of that problem are turned into the
outputs of the model by a function that also takes complex numbers, through which `errors` takes
its derivatives. Knows numbers in the units of the model; knows no parameters and no storage.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np

from paramstore.calibrate.equations import IEC_60751, temperature_of
from paramstore.calibrate.keys import EQUATIONS, PLANE_COUNTS
from paramstore.calibrate.leastsq import Array, Numbers

__all__ = ["NERNST_MV_25", "ZERO_C", "Design", "Outputs", "Rows", "design", "nernst_mv",
           "power_matrix"]

ZERO_C = 273.15
ROOM_K = 25 + ZERO_C
GAS_CONSTANT = 8.314462618
FARADAY_CONSTANT = 96485.33212
"""J/(mol K) and C/mol, CODATA 2018: exact in the SI but for the digits left out."""

Outputs = Mapping[str, Numbers]
"""What a model computes, by the key of the recipe: arrays, or elements of arrays."""


@dataclass(frozen=True, slots=True)
class Rows:
    """Measurements as arrays of one length: readings in the unit of the model, temperatures in
    degC (25 where none is needed)."""

    reference: Array
    reading: Array
    temperature: Array


@dataclass(frozen=True, slots=True)
class Design:
    """A model set up for some rows.

    `columns @ c` is to meet `target`; `spread` is by how much the target changes for a change of
    1 of the reference. `outputs` makes outputs of coefficients, and `value` the measured quantity
    of outputs, readings and temperatures.
    """

    columns: Array
    target: Array
    spread: Array
    outputs: Callable[[Numbers], Outputs]
    value: Callable[[Outputs, Array, Array], Numbers]

    def errors(self, outputs: Outputs, rows: Rows) -> Array:
        """Return by how much what the firmware shows is above the reference, for each row."""
        shown = self.value(outputs, rows.reading, rows.temperature)
        return np.asarray(shown, np.float64) - rows.reference


def nernst_mv(temperature_c: float) -> float:
    """Return the slope of an ideal pH electrode in mV/pH, positive: ln 10 R T / F."""
    return 1000 * math.log(10) * GAS_CONSTANT * (temperature_c + ZERO_C) / FARADAY_CONSTANT


NERNST_MV_25 = nernst_mv(25)


def design(model: str, rows: Rows, options: Mapping[str, Any], keys: frozenset[str],
           size: int, knots: Array | None = None) -> Design:
    """Return the model called `model` for some rows.

    `options` are those of the recipe, `keys` the outputs wanted, `size` the elements of an array
    of coefficients, `knots` the breakpoints of a curve.
    """
    match model:
        case "line":
            return _line(rows, options, keys)
        case "adc":
            return _adc(rows, options, keys)
        case "polynomial":
            return _polynomial(rows, options, size)
        case "polynomial-temperature":
            return _plane(rows, options, size)
        case "curve":
            assert knots is not None
            return _curve(rows, options["gives"], knots)
        case "steinhart-hart":
            return _steinhart_hart(rows, keys)
        case "beta":
            return _beta(rows)
        case "ph":
            return _ph(rows)
        case "platinum":
            return _platinum(rows, keys)
    raise ValueError(model)


# ---- Straight lines -----------------------------------------------------------------------------


def _straight(reading: Array, reference: Array, gain: float | None, offset: bool
              ) -> tuple[Array, Array, Callable[[Numbers], tuple[Numbers, Numbers]]]:
    """Return columns, target, and what makes (intercept, slope) of the coefficients.

    The slope is `gain`, or free if that is None; the intercept is 0 unless `offset`.
    """
    one = np.ones_like(reading)
    if gain is not None:
        return one[:, None], reference - gain * reading, lambda c: (c[0], gain + 0 * c[0])
    if not offset:
        return reading[:, None], reference, lambda c: (0 * c[0], c[0])
    middle, half = _middle(reading)
    columns = np.column_stack([one, (reading - middle) / half])
    return columns, reference, lambda c: (c[0] - c[1] * middle / half, c[1] / half)


def _line(rows: Rows, options: Mapping[str, Any], keys: frozenset[str]) -> Design:
    equation, tempco = options["equation"], options["tempco"]
    percent = 0.0 if tempco is None else float(tempco)

    def referred(reading: Array, temperature: Array) -> Array:
        return reading / (1 + percent / 100 * (temperature - 25))

    columns, target, straight = _straight(
        referred(rows.reading, rows.temperature), rows.reference,
        None if "gain" in keys else 1.0, "offset" in keys)

    def outputs(c: Numbers) -> Outputs:
        intercept, slope = straight(c)
        gain = 1 / slope if equation == EQUATIONS[1] else slope
        offset = intercept if equation == EQUATIONS[0] else -intercept / slope
        return _chosen(keys, gain=gain, offset=offset)

    def value(out: Outputs, reading: Array, temperature: Array) -> Numbers:
        gain, offset = out.get("gain", 1.0), out.get("offset", 0.0)
        x = referred(reading, temperature)
        if equation == EQUATIONS[0]:
            return gain * x + offset
        return (x - offset) / gain if equation == EQUATIONS[1] else gain * (x - offset)

    return Design(columns, target, np.ones_like(target), outputs, value)


def _adc(rows: Rows, options: Mapping[str, Any], keys: frozenset[str]) -> Design:
    full_scale = float(options["full_scale"])
    nominal = float(options["nominal"] or 1.0)
    free = {"reference_voltage", "gain"} & keys
    columns, target, straight = _straight(
        rows.reading, rows.reference, None if free else nominal / full_scale, "offset" in keys)

    def outputs(c: Numbers) -> Outputs:
        intercept, slope = straight(c)
        return _chosen(keys, reference_voltage=slope * full_scale,
                       gain=slope * full_scale / nominal, offset=intercept)

    def value(out: Outputs, reading: Array, temperature: Array) -> Numbers:
        volts = out.get("reference_voltage", nominal * out.get("gain", 1.0))
        return volts * reading / full_scale + out.get("offset", 0.0)

    return Design(columns, target, np.ones_like(target), outputs, value)


def _chosen(keys: frozenset[str], **outputs: Numbers) -> Outputs:
    return {key: value for key, value in outputs.items() if key in keys}


def _middle(values: Array) -> tuple[float, float]:
    """Return what centres values and scales them to -1..1."""
    low, high = float(values.min()), float(values.max())
    return (low + high) / 2, (high - low) / 2 or 1.0


# ---- Polynomials and curves ---------------------------------------------------------------------


def power_matrix(degree: int, middle: float, half: float) -> Array:
    """Return the matrix from coefficients of powers of (x - middle)/half to those of x.

    In exact fractions: the signs alternate, and rounding would grow with the degree.
    """
    m, h = Fraction(middle), Fraction(half)
    return np.array([
        [float(math.comb(j, k) * (-m)**(j - k) / h**j) if j >= k else 0.0
         for j in range(degree + 1)]
        for k in range(degree + 1)
    ])


def _polynomial(rows: Rows, options: Mapping[str, Any], size: int) -> Design:
    degree = options["degree"] or size - 1
    centre, span = float(options["centre"]), float(options["span"])
    x = (rows.reading - centre) / span
    middle, half = _middle(x)
    columns = np.vander((x - middle) / half, degree + 1, increasing=True)
    # Coefficients beyond the degree are 0.
    back = np.vstack([power_matrix(degree, middle, half), np.zeros((size - degree - 1, degree + 1))
                      ])

    def value(out: Outputs, reading: Array, temperature: Array) -> Numbers:
        total: Numbers = np.zeros_like(reading)
        for coefficient in out["coefficients"][::-1]:
            total = total * ((reading - centre) / span) + coefficient
        return total

    return Design(columns, rows.reference, np.ones_like(x), lambda c: {"coefficients": back @ c},
                  value)


def _plane(rows: Rows, options: Mapping[str, Any], size: int) -> Design:
    """Set up a polynomial in reading and temperature: by rising degree, powers of the reading
    falling."""
    centre, span = float(options["centre"]), float(options["span"])
    powers = [(d - j, j) for d in range(PLANE_COUNTS.index(size) + 2) for j in range(d + 1)]

    def columns(reading: Array, temperature: Array) -> Array:
        x, y = (reading - centre) / span, temperature - 25
        return np.column_stack([x**i * y**j for i, j in powers])

    def value(out: Outputs, reading: Array, temperature: Array) -> Numbers:
        return columns(reading, temperature) @ out["coefficients"]

    return Design(columns(rows.reading, rows.temperature), rows.reference,
                  np.ones_like(rows.reading), lambda c: {"coefficients": c}, value)


def _curve(rows: Rows, gives: str, knots: Array) -> Design:
    """Set up straight lines between `knots`, some of which may have no measurement near them:
    those lie on the line between their neighbours."""
    reading, one = rows.reading, np.ones_like(rows.reading)
    target, spread = {
        "value": (rows.reference, one),
        "difference": (rows.reference - reading, one),
    }.get(gives) or (100 * (rows.reference / reading - 1), 100 / reading)
    hats = np.array([np.interp(reading, knots, row) for row in np.eye(len(knots))]).T
    held = knots[hats.max(axis=0) > 0.5]
    columns = np.array([np.interp(reading, held, row) for row in np.eye(len(held))]).T
    spread_out = np.array([np.interp(knots, held, row) for row in np.eye(len(held))]).T

    def value(out: Outputs, x: Array, temperature: Array) -> Numbers:
        y = np.asarray(np.interp(x, knots, out["curve"]))
        return {"value": y, "difference": x + y}.get(gives, x * (1 + y / 100))

    return Design(columns, target, spread, lambda c: {"curve": spread_out @ c}, value)


# ---- Sensors ------------------------------------------------------------------------------------


def _steinhart_hart(rows: Rows, keys: frozenset[str]) -> Design:
    log, kelvin = np.log(rows.reading), rows.reference + ZERO_C
    # 1/T is linear in A, B, C. Times T^2, an error of 1/T becomes one of T.
    columns = np.column_stack([np.ones_like(log), log, log**3]) * kelvin[:, None]**2

    def outputs(c: Numbers) -> Outputs:
        if "coefficients" in keys:
            return {"coefficients": c}
        return {name: c[i] for i, name in enumerate("abc")}

    def value(out: Outputs, reading: Array, temperature: Array) -> Numbers:
        a, b, c = out["coefficients"] if "coefficients" in keys else (out[n] for n in "abc")
        x = np.log(reading)
        inverse: Numbers = a + b * x + c * x**3
        return 1 / inverse - ZERO_C

    return Design(columns, kelvin, np.ones_like(log), outputs, value)


def _beta(rows: Rows) -> Design:
    log, kelvin = np.log(rows.reading), rows.reference + ZERO_C
    middle = float(log.mean())
    columns = np.column_stack([np.ones_like(log), log - middle]) * kelvin[:, None]**2

    def outputs(c: Numbers) -> Outputs:
        return {"beta": 1 / c[1], "r25": np.exp(middle + (1 / ROOM_K - c[0]) / c[1])}

    def value(out: Outputs, reading: Array, temperature: Array) -> Numbers:
        inverse: Numbers = 1 / ROOM_K + np.log(reading / out["r25"]) / out["beta"]
        return 1 / inverse - ZERO_C

    return Design(columns, kelvin, np.ones_like(log), outputs, value)


def _ph(rows: Rows) -> Design:
    warm = (rows.temperature + ZERO_C) / ROOM_K
    columns = np.column_stack([rows.reading / warm, 1 / warm])
    mean = float(rows.temperature.mean())

    def outputs(c: Numbers) -> Outputs:
        return {"slope": 1 / c[0], "zero": -c[1] / c[0], "temperature": mean + 0 * c[0]}

    def value(out: Outputs, reading: Array, temperature: Array) -> Numbers:
        return 7 + (reading - out["zero"]) / (out["slope"] * (temperature + ZERO_C) / ROOM_K)

    return Design(columns, rows.reference - 7, np.ones_like(warm), outputs, value)


def _platinum(rows: Rows, keys: frozenset[str]) -> Design:
    t, r = rows.reference, rows.reading
    a, b, c = IEC_60751
    cold = np.where(t < 0, (t - 100) * t**3, 0.0)
    # R is linear in r0 and its products with a, b and c. Divided by dR/dt, which the standard gives
    # well enough for weights, an error of R becomes one of t; r0 is first taken from the mean.
    whole = 1 + a * t + b * t**2 + c * cold
    steep = float((r / whole).mean()) * (a + 2 * b * t)
    if "a" not in keys:
        parts = [whole]
    elif "c" not in keys:
        parts = [1 + c * cold, t, t**2]
    else:
        parts = [np.ones_like(t), t, t**2, cold]
    columns = np.column_stack(parts) / steep[:, None]

    def outputs(x: Numbers) -> Outputs:
        return _chosen(keys, r0=x[0], **{name: x[k] / x[0] for k, name in enumerate("abc", 1)
                                         if k < len(parts)})

    def value(out: Outputs, reading: Array, temperature: Array) -> Numbers:
        return temperature_of(reading / out["r0"], *(out.get(n, v) for n, v in zip(
            "abc", IEC_60751, strict=True)))

    # A reference higher by 1 leaves R above the fit by less: the target falls by 1.
    return Design(columns, r / steep, -np.ones_like(t), outputs, value)
