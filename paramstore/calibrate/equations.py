"""The equation that the firmware computes with, for each calibration, in words; and that of
platinum resistance thermometers, IEC 60751:2008 (Callendar and Van Dusen), solved for t."""

from __future__ import annotations

from paramstore.calibrate.leastsq import Numbers
from paramstore.calibrate.recipe import Calibration
from paramstore.core.words import show_number

__all__ = ["IEC_60751", "equation", "temperature_of"]

IEC_60751 = (3.9083e-3, -5.775e-7, -4.183e-12)
"""a in 1/K, b in 1/K^2, c in 1/K^4, of R/r0 = 1 + a t + b t^2 + c (t - 100) t^3; the last term
below 0 degC only."""
_STEPS = 8
"""Of Newton's method: from a straight line to the last digit between -200 and 850 degC."""


def equation(calibration: Calibration) -> str:
    """Return the equation on one line, in the names of the recipe."""
    options, targets = calibration.options, calibration.targets
    match calibration.model:
        case "line":
            text: str = options["equation"]
            if options["tempco"] is not None:
                text = text.replace("reading", "reading(25 degC)")
            fixed = [f"{k} = {n}" for k, n in (("gain", 1), ("offset", 0)) if k not in targets]
        case "adc":
            nominal = "" if "reference_voltage" in targets else (
                "gain * " if "gain" in targets else "") + show_number(options["nominal"] or 1)
            text = (f"reference = {nominal or 'reference_voltage'} * reading / "
                    f"{show_number(options['full_scale'])}"
                    + (" + offset" if "offset" in targets else ""))
            fixed = []
        case "polynomial" | "polynomial-temperature":
            plane = calibration.model != "polynomial"
            text = ("reference = c0 + c1 x + c2 y + c3 x^2 + c4 x y + c5 y^2 + ..." if plane else
                    "reference = c0 + c1 x + c2 x^2 + ...")
            centre, span = options["centre"], options["span"]
            x = f"(reading - {show_number(centre)})" if centre else "reading"
            fixed = [f"x = {x}" + (f" / {show_number(span)}" if span != 1 else ""),
                     *(["y = temperature - 25 degC"] if plane else [])]
        case "curve":
            text, fixed = {
                "value": "reference = curve(reading)",
                "difference": "reference = reading + curve(reading)",
            }.get(options["gives"], "reference = reading * (1 + curve(reading) / 100)"), []
        case "steinhart-hart":
            text, fixed = "1/T = A + B ln R + C (ln R)^3", []
        case "beta":
            text, fixed = "R = r25 exp(beta (1/T - 1/298.15 K))", []
        case "platinum":
            text = "R = r0 (1 + a t + b t^2), below 0 degC also + r0 c (t - 100) t^3"
            fixed = [f"{k} = {n:g}" for k, n in zip("abc", IEC_60751, strict=True)
                     if k not in targets]
        case "ph":
            text, fixed = "E = zero + slope (pH - 7) T / 298.15 K", []
        case model:
            raise AssertionError(f"the model {model} has no equation")
    return ", ".join([text, *fixed])


def temperature_of(ratio: Numbers, a: Numbers | float, b: Numbers | float, c: Numbers | float
                   ) -> Numbers:
    """Return the temperature in degC for an array of R/r0, real or complex."""
    t: Numbers = (ratio - 1) / a
    cold = ratio.real < 1
    for _ in range(_STEPS):
        below = c * cold
        r = 1 + a * t + b * t**2 + below * (t - 100) * t**3
        t = t + (ratio - r) / (a + 2 * b * t + below * (4 * t - 300) * t**2)
    return t
