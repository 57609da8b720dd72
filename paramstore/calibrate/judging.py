"""What a practitioner looks at besides residuals: figures of the sensor, and warnings."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from paramstore.calibrate.leastsq import Array
from paramstore.calibrate.models import NERNST_MV_25
from paramstore.calibrate.recipe import Calibration
from paramstore.calibrate.result import Fact

__all__ = ["Doubt", "doubts", "facts"]

SLOPE_PERCENT = (90.0, 105.0)
ZERO_MV = 30.0
"""A pH electrode in order: slope within, zero no farther from 0 (common practice)."""
THERMISTORS = ("steinhart-hart", "beta")
FEWEST_OHM = 100.0
BEYOND = 0.1
"""How much of the measured span the range may go beyond it before that is told (ours)."""


@dataclass(frozen=True, slots=True)
class Doubt:
    """A warning to be: its code, what and how to mend it, and the point it is about, if any."""

    code: str
    message: str
    help: str
    notes: tuple[str, ...] = ()
    point: int | None = None


def facts(calibration: Calibration, outputs: dict[str, float], worst: float) -> tuple[Fact, ...]:
    """Return the figures of a unit; `outputs` has single numbers, `worst` the largest error."""
    if calibration.model == "ph":
        return (
            Fact("slope", -100 * outputs["slope"] / NERNST_MV_25, "%",
                 f"of the ideal -{NERNST_MV_25:.2f} mV/pH at 25 degC"),
        )
    if calibration.model == "adc":
        full_scale, nominal = calibration.number("full_scale"), calibration.number("nominal")
        assert full_scale is not None
        volts = outputs.get("reference_voltage", (nominal or 1.0) * outputs.get("gain", 1.0))
        step = volts / full_scale
        if not step:
            return ()
        unit = calibration.reference_unit
        # As in data sheets: what the converter shows, uncorrected, minus what is true.
        errors = (Fact("gain error", 100 * (nominal / volts - 1), "%",
                       f"shown minus true, against {nominal:g} {unit}"),) if nominal else ()
        return (
            Fact("one step", step, unit), *errors,
            Fact("offset error", -outputs.get("offset", 0.0) / step, "steps",
                 "shown minus true, at 0"),
            Fact("non-linearity", abs(worst / step), "steps", "the largest error, in steps"),
        )
    return ()


def doubts(calibration: Calibration, outputs: dict[str, float], reading: Array, reference: Array,
           reach: tuple[float, float], shape: Array) -> Iterator[Doubt]:
    """Yield what is unusual; `shape` is the measured quantity over rising readings.

    `reading`, `reference` and `reach` are in the unit of the recipe.
    """
    yield from _extrapolated(calibration, reading, reach)
    if calibration.model == "ph":
        yield from _electrode(outputs)
    if calibration.model == "adc":
        yield from _clipped(calibration, reading, reference)
    if calibration.model in THERMISTORS:
        yield from _thousandth(calibration, reading)
    if calibration.model in THERMISTORS and not _falls(shape):
        yield Doubt("PS840", "the fitted thermistor does not fall steadily",
                    "look at the largest errors: a reading may be wrong, or points too close",
                    ("over the range, one resistance would stand for two temperatures",))


def _extrapolated(calibration: Calibration, reading: Array,
                  reach: tuple[float, float]) -> Iterator[Doubt]:
    low, high = float(reading.min()), float(reading.max())
    beyond = max(low - reach[0], reach[1] - high)
    if beyond > BEYOND * (high - low):
        unit = calibration.reading_unit
        yield Doubt("PS835", f"readings from {reach[0]:g} to {reach[1]:g} {unit} are expected, "
                    f"but {low:g} to {high:g} {unit} were measured", "measure nearer to the ends",
                    ("beyond the points nothing shows whether the model holds",))


def _electrode(outputs: dict[str, float]) -> Iterator[Doubt]:
    slope = -100 * outputs["slope"] / NERNST_MV_25
    low, high = SLOPE_PERCENT
    if not low <= slope <= high:
        yield Doubt("PS837", f"the slope is {slope:.1f} % of that of an ideal electrode",
                    "check buffers and temperatures; clean or replace the electrode",
                    (f"an electrode in order has {low:g} to {high:g} % (common practice)",))
    if abs(outputs["zero"]) > ZERO_MV:
        yield Doubt("PS837", f"the electrode gives {outputs['zero']:.1f} mV at pH 7",
                    "check the buffers; clean or replace the electrode",
                    (f"an electrode in order stays within {ZERO_MV:g} mV (common practice)",))


def _thousandth(calibration: Calibration, reading: Array) -> Iterator[Doubt]:
    ohm = np.median(reading) * float(calibration.reading_factor)
    if ohm < FEWEST_OHM:
        yield Doubt("PS844", f"a thermistor of about {ohm:.3g} ohm",
                    "if the numbers are in kohm, write `[kohm]` at the column and `reading_unit = "
                    '"kohm"` in the recipe',
                    ("thermistors that measure have 1 kohm to 1 Mohm at 25 degC (common "
                     "practice)",))


def _clipped(calibration: Calibration, reading: Array, reference: Array) -> Iterator[Doubt]:
    full_scale = calibration.number("full_scale")
    assert full_scale is not None
    lowest = -full_scale if reading.min() < 0 else 0.0
    # A shorted input gives 0 because 0 is what it has.
    low = (reading <= lowest) & (reference != 0)
    for index in np.flatnonzero(low | (reading >= full_scale - 1)):
        yield Doubt("PS839", f"a reading of {reading[index]:g} is at the end of the range",
                    "take the row out", ("there the converter gives one reading for many voltages",
                                         ), int(index))


def _falls(shape: Array) -> bool:
    return bool(np.isfinite(shape).all() and (np.diff(shape) < 0).all())
