"""Where a curve may bend, as its x is stored: candidates, and points to spare.

Candidates are readings as they are stored, so that storing x adds no error, more than one step of x
and more than the repeatability of a reading apart. The first and the last enclose all readings.
"""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise

import numpy as np

from paramstore.calibrate.leastsq import Array
from paramstore.core.scalars import Raw, ScalarForm
from paramstore.schema.from_raw import physical_number
from paramstore.schema.model import Field
from paramstore.schema.numbers import exact_steps, nearest_raw

__all__ = ["MOST_READINGS", "best_places", "candidates", "filled", "physical_x", "stored_x"]

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


def candidates(field: Field, factor: Fraction, reading: Array, apart: float = 0.0) -> list[Raw]:
    """Return the raw x at which a curve may bend, strictly rising as readings.

    `apart`: the least distance in readings, besides that of two steps of x. ValueError if a reading
    cannot be stored, or if all are one.
    """
    low = stored_x(field, float(reading.min()), factor, -1)
    high = stored_x(field, float(reading.max()), factor, 1)
    if low is None or high is None:
        raise ValueError
    inner = {raw for r in reading if (raw := stored_x(field, float(r), factor)) is not None}
    end = physical_x(field, high, factor)
    taken, last = [low], physical_x(field, low, factor)
    for x, raw in sorted((physical_x(field, raw, factor), raw) for raw in inner):
        if (_room(field, taken[-1], raw) and _room(field, raw, high)
                and last + apart <= x <= end - apart):
            taken.append(raw)
            last = x
    if not _room(field, low, high):
        raise ValueError
    return [*taken, high]


def filled(field: Field, raws: Sequence[Raw]) -> list[Raw]:
    """Return `raws` with points halfway in the widest gaps until there are as many as the curve
    has; fewer if there is no room."""
    filled = list(raws)
    while len(filled) < field.count:
        gaps = [abs(b - a) for a, b in pairwise(filled)]
        at = gaps.index(max(gaps))
        a, b = filled[at], filled[at + 1]
        middle: Raw = (a + b) / 2 if isinstance(a, float) else (int(a) + int(b)) // 2
        if field.scalar.form is ScalarForm.FLOAT:
            middle = nearest_raw(field.scalar, Decimal(repr(middle))) or 0.0
        if not (_room(field, a, middle) and _room(field, middle, b)):
            break
        filled.insert(at + 1, middle)
    return filled


def _room(field: Field, one: Raw, other: Raw) -> bool:
    """Return whether two raw x differ by more than one step."""
    return one != other if field.scalar.form is ScalarForm.FLOAT else abs(one - other) > 1


def best_places(x: Array, y: Array, points: int) -> list[int]:
    """Return the indexes of the breakpoints that straight lines through them miss least, by the
    largest distance from any point; the first and the last are among them.

    Dynamic programming over all choices: exact.
    """
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
