"""Whatever the numbers of a table are, a calibration is a result or findings, never a traceback."""

from __future__ import annotations

import json
import warnings

import pytest
from hypothesis import given
from hypothesis import strategies as st

from paramstore.core.errors import FindingsError
from paramstore.report.calibration import calibration_text
from paramstore.report.calibration_data import calibration_data
from paramstore.report.residual_plot import residual_svg
from tests.calibrate.bench import LINE, csv, outcome_of

NUMBERS = (st.integers(-3, 3) | st.floats(-1e3, 1e3) | st.floats(-1e30, 1e30)
           | st.sampled_from([1e-30, 1e30, 0.0, 4095, 25]))
ROWS = st.lists(st.tuples(NUMBERS, NUMBERS, st.floats(-273, 1e6), st.floats(1e-9, 1e9)),
                min_size=1, max_size=8)
MODELS = {
    "line": LINE,
    "inverse": LINE.replace("cal.gain", "cal.gain_f32")
    + 'equation = "reading = gain * reference + offset"\ntempco = 2\n',
    "third": LINE.replace("cal.gain", "cal.gain_steps")
    + 'equation = "reference = gain * (reading - offset)"\nfrom = -9\nto = 1e9\n',
    "polynomial": 'model = "polynomial"\nreading_unit = "mV"\nreference_unit = "degC"\n'
                  'coefficients = "cal.poly"\n',
    "curve": 'model = "curve"\nreading_unit = "mV"\nreference_unit = "degC"\ncurve = "cal.curve"\n',
    "percent": 'model = "curve"\nreading_unit = "mV"\nreference_unit = "mV"\ncurve = "cal.bend"\n'
               'gives = "percent"\n',
    "steinhart": 'model = "steinhart-hart"\ncoefficients = "cal.abc_f32"\n',
    "beta": 'model = "beta"\nbeta = "cal.beta"\nr25 = "cal.r25"\n',
    "ph": 'model = "ph"\nslope = "cal.slope"\nzero = "cal.zero"\n',
    "adc": 'model = "adc"\nfull_scale = 4096\nnominal = 2.5\ngain = "cal.gain"\n'
           'offset = "cal.offset_uv"\nreference_unit = "mV"\n',
}
UNITS = {"percent": ("mV", "mV"), "steinhart": ("degC", "ohm"), "beta": ("degC", "ohm"),
         "ph": ("pH", "mV"), "adc": ("mV", "count")}


@pytest.mark.parametrize("name", MODELS)
@given(rows=ROWS, sure=st.booleans())
def test_result_or_findings(name: str, rows: list[tuple[float, ...]], sure: bool) -> None:
    """Every model takes any table, and what comes of it can be shown, drawn and kept as JSON."""
    reference, reading = UNITS.get(name, ("degC", "mV"))
    head = (f"reference [{reference}],reading [{reading}],temperature [degC]"
            + f",uncertainty [{reference}]" * sure)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            outcome = outcome_of(MODELS[name], csv(head, [row[:3 + sure] for row in rows]))
        except FindingsError as error:
            assert all(f.help for f in error.findings)
            return
        assert calibration_text(outcome, details=True)
        json.dumps(calibration_data(outcome), allow_nan=False)
        residual_svg(outcome)
