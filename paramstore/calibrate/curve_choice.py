"""A curve of few points from many: which breakpoints, and which points do not belong.

A breakpoint at a wrong reading would make the reading look right. So every point is judged by
curves that are drawn without it (`knot_search`), and breakpoints are chosen without the points
that do not belong. Of the curves drawn, the one nearest to their mean is taken; how far the others
lie from it is the uncertainty that the choice of breakpoints adds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from scipy.special import ndtr, stdtr

from paramstore.calibrate.breakpoints import (
    best_places,
    candidates,
    filled,
    physical_x,
    stored_x,
)
from paramstore.calibrate.knot_search import CurveDraws, Grid, Places, joined, sample_curves
from paramstore.calibrate.leastsq import Array
from paramstore.calibrate.outliers import CHANCE, LARGE
from paramstore.core.scalars import Raw, ScalarForm
from paramstore.schema.model import Field

__all__ = ["CurveChoice", "choose_curve"]

MOST_CANDIDATES, MOST_JUDGED = 60, 32
"""Of a long table: readings tried as breakpoints, and points looked at as outliers, those that
differ most from their neighbours."""
_DRAWS, _CHAINS, _MOST_OUTLIERS = 24, 8, 6
"""Curves drawn by each chain, and chains for all points together; one point in so many, at most, is
an outlier (all ours)."""
_EXACT = 1e-12


@dataclass(frozen=True, slots=True)
class CurveChoice:
    """The breakpoints of a curve: `raws` as stored, `knots` as readings.

    `chances`: how likely so large an error is in any of the points if all belong, None for a point
    that cannot be judged; None altogether if the fit is to tell. `others`: knots and heights
    (draws x points) of curves that the points speak for as well; None if nothing was chosen by
    them.
    """

    raws: list[Raw]
    knots: Array
    chances: list[float | None] | None = None
    others: tuple[Array, Array] | None = None


def choose_curve(field: Field, factor: Fraction, reading: Array, height: Array,
                 sigma: Array | None = None, apart: float = 0.0,
                 largest: bool = False) -> CurveChoice:
    """Return the breakpoints for the points (`reading`, `height`) of x `field`.

    `sigma`: standard uncertainties of the heights; `apart` as for `candidates`. `largest`: choose
    those of the least largest error, not of least squares. Fewer raws than points if there is no
    room; ValueError as of `candidates`.
    """
    raws = candidates(field, factor, reading, apart)
    at = np.array([physical_x(field, raw, factor) for raw in raws])
    if len(raws) <= field.count:
        raws = filled(field, raws)
        return CurveChoice(raws, np.array([physical_x(field, raw, factor) for raw in raws]))
    levels = _levels(at, reading, height)
    best = best_places(at, levels, field.count)
    missed = np.abs(np.interp(at, at[best], levels[best]) - levels).max()
    if missed <= _EXACT * np.abs(levels).max():
        return CurveChoice([raws[i] for i in best], at[best])
    if len(at) > MOST_CANDIDATES:
        thin = np.unique(np.linspace(0, len(at) - 1, max(MOST_CANDIDATES, field.count + 1)).round())
        raws, at = [raws[int(i)] for i in thin], at[thin.astype(int)]
    step = float(abs(Fraction(field.scale) / factor))
    if field.scalar.form is ScalarForm.FLOAT:
        step = 0.0
    grid = Grid(at, step, max(apart, 1.5 * step))
    chances, draws = _judged(grid, reading, height, field.count, sigma)
    if largest:
        kept = np.array([c is None or c >= CHANCE for c in chances])
        best = best_places(at, _levels(at, reading[kept], height[kept]), field.count)
        chosen = [raws[i] for i in best]
    else:
        chosen = _raws(field, factor, grid, raws, draws.places[_middle(at, draws)])
    return CurveChoice(chosen, np.array([physical_x(field, raw, factor) for raw in chosen]),
                       chances, (draws.knots, draws.heights))


def _raws(field: Field, factor: Fraction, grid: Grid, raws: list[Raw], places: Places) -> list[Raw]:
    """Return the x of some places as they are stored; `raws` are those of the candidates."""
    found = []
    for place, at in zip(places.tolist(), grid.reading(places).tolist(), strict=True):
        index = grid.candidate(place)
        raw = stored_x(field, at, factor) if index is None else raws[index]
        assert raw is not None  # it lies between two that can be stored
        found.append(raw)
    return found


def _levels(at: Array, reading: Array, height: Array) -> Array:
    """Return heights on the lines between the means of equal readings, continued beyond."""
    x, where = np.unique(reading, return_inverse=True)
    y = np.bincount(where, height) / np.bincount(where)
    levels: Array = np.interp(at, x, y)
    for near, next_to, beyond in ((0, 1, at < x[0]), (-1, -2, at > x[-1])):
        slope = (y[next_to] - y[near]) / (x[next_to] - x[near])
        levels[beyond] = y[near] + slope * (at[beyond] - x[near])
    return levels


def _judged(grid: Grid, reading: Array, height: Array, points: int, sigma: Array | None
            ) -> tuple[list[float | None], CurveDraws]:
    """Return the chances of all points, and curves drawn without those that do not belong."""
    weights = np.ones_like(reading) if sigma is None else 1 / sigma**2
    known = False
    outliers: dict[int, float] = {}
    while True:
        suspects = [i for i in _suspects(reading, height) if i not in outliers]
        sets = np.repeat(weights[None], _CHAINS + len(suspects), axis=0)
        sets[:, list(outliers)] = 0.0
        sets[np.arange(len(suspects)) + _CHAINS, suspects] = 0.0
        drawn = sample_curves(grid, reading, height, sets, points, _DRAWS, known=known)
        everything, without = joined(drawn[:_CHAINS]), drawn[_CHAINS:]
        free = int(np.count_nonzero(sets[0])) - points
        if sigma is not None and not known and free > 0 and (
                np.median(everything.scatter) < 2 * free):
            known = True
            continue
        chances: list[float | None] = [1.0] * len(reading)
        for i, curves in zip(suspects, without, strict=True):
            others = np.unique(reading[sets[_CHAINS + suspects.index(i)] > 0])
            chances[i] = None if _lonely(curves, reading[i], others) else _chance(
                curves, reading[i], height[i], weights[i],
                None if known else free - 1, len(reading))
        chance, worst = min(((c, i) for i in suspects if (c := chances[i]) is not None),
                            default=(1.0, -1))
        if chance >= CHANCE or len(outliers) >= len(reading) // _MOST_OUTLIERS:
            return [outliers.get(i, c) for i, c in enumerate(chances)], everything
        outliers[worst] = chance


def _suspects(reading: Array, height: Array) -> list[int]:
    """Return the points that may be outliers: all of a short table."""
    if len(reading) <= MOST_JUDGED:
        return list(range(len(reading)))
    order = np.argsort(reading, kind="stable")
    y = height[order]
    off = np.zeros(len(y))
    off[1:-1] = np.abs(y[1:-1] - (y[:-2] + y[2:]) / 2)
    off[[0, -1]] = np.abs(y[[0, -1]] - y[[1, -2]])
    return [int(i) for i in order[np.argsort(-off, kind="stable")[:MOST_JUDGED]]]


def _lonely(drawn: CurveDraws, reading: float, others: Array) -> bool:
    """Return whether, in most curves, the straight piece at a reading has fewer than two of the
    others, rising: where it bends is open then, and nothing tells how it runs."""
    rows = np.arange(len(drawn.knots))
    right = np.clip((drawn.knots <= reading).sum(axis=1), 1, drawn.knots.shape[1] - 1)
    low, high = drawn.knots[rows, right - 1], drawn.knots[rows, right]
    count = np.searchsorted(others, high, side="right") - np.searchsorted(others, low)
    return bool((count < 2).mean() > 0.5)


def _chance(drawn: CurveDraws, reading: float, height: float, weight: float,
            freedom: int | None, points: int) -> float | None:
    """Return the chance of a point that the curves do not know; None if they cannot tell: without
    freedom, or if even an error of `LARGE` times the scatter would not be told."""
    if freedom is not None and freedom < 1:
        return None
    knots = drawn.knots
    draws, count = knots.shape
    rows = np.arange(draws)
    right = np.clip((knots <= reading).sum(axis=1), 1, count - 1)
    low, high = knots[rows, right - 1], knots[rows, right]
    hats = np.zeros((draws, count))
    hats[rows, right] = (reading - low) / (high - low)
    hats[rows, right - 1] = 1 - hats[rows, right]
    known = np.abs((drawn.supported @ hats[:, :, None])[:, :, 0] - hats).max(axis=1) < 1e-6
    size = np.ones(draws) if freedom is None else np.sqrt(drawn.scatter / freedom)
    wide = np.sqrt(1 / weight + np.einsum("di,dij,dj->d", hats, drawn.inverse, hats))
    spread = np.maximum(size * wide, 1e-300)
    there = (hats * drawn.heights).sum(axis=1)

    def chance(at: float) -> float:
        """Return the chance of a height at least as far out among those that the curves expect."""
        t = (at - there) / spread
        sides = [np.where(known, _below(side * t, freedom), 0.5).mean() for side in (1, -1)]
        return float(2 * min(sides)) * points

    large = LARGE * float(np.median(size)) / math.sqrt(weight)
    blind = max(chance(there.mean() + side * large) for side in (1, -1))
    own = chance(height)
    return None if blind >= CHANCE <= own else min(1.0, own)


def _below(t: Array, freedom: int | None) -> Array:
    """Return the chances of values below, normal ones or those of Student's t."""
    below: Array = ndtr(t) if freedom is None else stdtr(freedom, t)
    return below


def _middle(at: Array, draws: CurveDraws) -> int:
    """Return the draw whose curve is nearest to the mean of all."""
    curves = np.array([np.interp(at, k, h)
                       for k, h in zip(draws.knots, draws.heights, strict=True)])
    return int(((curves - curves.mean(axis=0))**2).sum(axis=1).argmin())
