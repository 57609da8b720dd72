"""Buffers over temperature. Values from memory: what can be checked is that they run smoothly."""

from __future__ import annotations

import numpy as np
import pytest

from paramstore.calibrate.buffers import BUFFERS, buffer_ph
from tests.calibrate.bench import csv, messages, result_of

PH = 'model = "ph"\nslope = "cal.slope"\nzero = "cal.wide_zero"\n'
HEAD = "buffer,reading [mV],temperature [degC]"


@pytest.mark.parametrize("name", BUFFERS)
def test_the_values_run_as_a_solution_does(name: str) -> None:
    """a + b/T + c ln T + d T, the form of an equilibrium constant, goes through them to 0.0006:
    a wrong digit would stand out."""
    t = np.array(list(BUFFERS[name])) + 273.15
    ph = np.array(list(BUFFERS[name].values()))
    columns = np.column_stack([np.ones_like(t), 298.15 / t - 1, np.log(t / 298.15),
                               t / 298.15 - 1])[:, :3 if len(t) < 6 else 4]
    off = ph - columns @ np.linalg.lstsq(columns, ph, rcond=None)[0]
    assert np.abs(off).max() <= 0.0006


@pytest.mark.parametrize(("name", "at", "ph"), [
    ("phthalate", 25, 4.005), ("phosphate 1:1", 25, 6.865), ("borax", 25, 9.180),
    ("phosphate 1:1", 37, 6.841), ("borax", 37, 9.088), ("carbonate", 37, 9.910)])
def test_values_between(name: str, at: float, ph: float) -> None:
    """At 25 degC, and at 37 degC, which is published too and stands in no table here (from
    memory)."""
    assert buffer_ph(name, at) == pytest.approx(ph, abs=0.0015)
    assert buffer_ph(name, 51) is None


def test_an_electrode_in_buffers_by_name() -> None:
    """The references are those of the temperatures; the fit is that of a table with the numbers."""
    rows = [("phthalate", 170.0, 25), ("phosphate 1:1", 10.0, 25), ("borax", -130.0, 30)]
    named = result_of(PH, HEAD, rows)
    assert [4.005, 6.865, 9.139] == [p.reference for p in named.points]
    plain = result_of(PH, "reference [pH],reading [mV],temperature [degC]",
                      [(p, *r[1:]) for p, r in zip((4.005, 6.865, 9.139), rows, strict=True)])
    assert [n.fitted for n in plain.numbers] == [n.fitted for n in named.numbers]


@pytest.mark.parametrize(("head", "row", "message"), [
    (HEAD, ("borat", 1, 25), "there is no buffer `borat`"),
    (HEAD, ("", 1, 25), "the buffer is missing"),
    (HEAD, ("tartrate", 1, 20), "nothing is published of `tartrate` at 20 degC"),
    (f"reference [pH],{HEAD}", (7, "borax", 1, 25), "say the same in two ways"),
    ("reading [mV],temperature [degC]", (1, 25), "the table has no column `reference`")])
def test_mistakes(head: str, row: tuple[object, ...], message: str) -> None:
    """Each is told at its place."""
    assert message in messages(PH, csv(head, [row]))
