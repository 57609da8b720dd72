"""Where a curve of few points bends: breakpoints chosen among the readings.

The breakpoints are those for which the largest distance between the measured points and straight
lines through the measured points at the breakpoints is as small as it can be. Dynamic programming
over all choices finds it: exact, not greedy. How high the curve then lies at the breakpoints is
left to least squares. Candidates are readings as they are stored, so that storing x adds no error.
"""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from itertools import pairwise

import numpy as np

from paramstore.calibrate.leastsq import Array
from paramstore.core.scalars import Raw, ScalarForm
from paramstore.schema.model import Field
from paramstore.schema.numbers import exact_steps, nearest_raw
from paramstore.schema.quantity import physical_number

__all__ = ["MOST_READINGS", "choose_raws", "physical_x", "stored_x"]

MOST_READINGS = 500
"""Different readings among which breakpoints are chosen; time grows with their cube."""


def physical_x(field: Field, raw: Raw, factor: Fraction) -> float:
    """Return the reading that a raw x stands for; `factor` as in `FedParameter.x_factor`."""
    exact = Fraction(raw) if isinstance(raw, float) else Fraction(physical_number(field, raw))
    return float(exact / factor)


def stored_x(field: Field, reading: float, factor: Fraction, side: int = 0) -> Raw | None:
    """Return the raw x nearest to a reading, or on its low (-1) or high (1) side; None beyond
    the stored type."""
    wanted = float(Fraction(reading) * factor)
    decimal = Decimal(repr(wanted))
    raw = nearest_raw(field.scalar, decimal, field.scale, field.offset)
    if raw is None or side == 0 or field.scalar.form is ScalarForm.FLOAT:
        return raw
    steps = exact_steps(decimal, field.scale, field.offset)
    towards = side if field.scale > 0 else -side
    moved = int(raw) + (towards if (steps - int(raw)) * towards > 0 else 0)
    return moved if field.scalar.minimum <= moved <= field.scalar.maximum else None


def choose_raws(field: Field, factor: Fraction, reading: Array, height: Array) -> list[Raw]:
    """Return the raw x of all points of a curve, strictly rising; fewer if there is no room.

    `height` is what the curve is to give at each reading. The first and last point enclose all
    readings. ValueError if a reading cannot be stored, or if all are one.
    """
    inner = {raw for r in reading if (raw := stored_x(field, float(r), factor)) is not None}
    ends = [stored_x(field, float(reading.min()), factor, -1),
            stored_x(field, float(reading.max()), factor, 1)]
    low, high = ends
    if low is None or high is None:
        raise ValueError
    candidates = sorted(inner | {low, high}, key=lambda raw: physical_x(field, raw, factor))
    candidates = candidates[candidates.index(low):candidates.index(high) + 1]
    if len(candidates) < 2:
        raise ValueError
    at = np.array([physical_x(field, raw, factor) for raw in candidates])
    if len(candidates) > field.count:
        order = np.argsort(reading, kind="stable")
        levels = np.interp(at, *_means(reading[order], height[order]))
        chosen = _best(at, levels, field.count)
        return [candidates[i] for i in chosen]
    return _filled(field, candidates)


def _means(x: Array, y: Array) -> tuple[Array, Array]:
    """Return the different x, and the mean of y at each."""
    different, where = np.unique(x, return_inverse=True)
    return different, np.bincount(where, y) / np.bincount(where)


def _best(x: Array, y: Array, points: int) -> list[int]:
    """Return the indexes of `points` breakpoints, first and last among them."""
    count = len(x)
    cost = np.full((count, count), np.inf)
    for i in range(count - 1):
        # Row j: how far the points between i and j are from the line from i to j.
        slopes = (y[i + 1:] - y[i]) / (x[i + 1:] - x[i])
        off = np.abs(y[i] + slopes[:, None] * (x[i + 1:] - x[i]) - y[i + 1:])
        cost[i, i + 1:] = np.tril(off).max(axis=1)
    best = cost[0].copy()
    before = []
    for _ in range(points - 2):
        worst = np.maximum(best[:, None], cost)
        before.append(worst.argmin(axis=0))
        best = worst.min(axis=0)
    chosen = [count - 1]
    for step in reversed(before):
        chosen.append(int(step[chosen[-1]]))
    return [0, *reversed(chosen)]


def _filled(field: Field, raws: list[Raw]) -> list[Raw]:
    """Return `raws` with points halfway in the widest gaps until there are enough."""
    filled = list(raws)
    while len(filled) < field.count:
        gaps = [abs(b - a) for a, b in pairwise(filled)]
        at = gaps.index(max(gaps))
        a, b = filled[at], filled[at + 1]
        middle: Raw = (a + b) / 2 if isinstance(a, float) else (int(a) + int(b)) // 2
        if field.scalar.form is ScalarForm.FLOAT:
            middle = nearest_raw(field.scalar, Decimal(repr(middle))) or 0.0
        if middle in (a, b):
            break
        filled.insert(at + 1, middle)
    return filled
