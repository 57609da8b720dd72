"""Which breakpoints the points of a curve speak for: sampled, because scatter decides among them.

A breakpoint may lie at a reading or between two, at any stored x; heights follow by least squares.
One choice is the best, but with scatter many are about as good, and the best follows the scatter.
So choices are drawn with the probability that the points give them (Gibbs sampling: one breakpoint
at a time is drawn anew while the others stay; flat prior for places and heights), first among the
same places of all gaps, then among places nearby, coarse or fine. Many chains run at once, each for
its own weights of the points, so that the curve without a point is sampled beside the one with all.
After D. G. T. Denison, B. K. Mallick, A. F. M. Smith, Automatic Bayesian curve fitting, J. R.
Statist. Soc. B 60 (1998), 333 (from memory). The generator has a fixed seed: same points, same
choice.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from paramstore.calibrate.leastsq import Array

__all__ = ["CurveDraws", "Grid", "Places", "joined", "sample_curves"]

Places = NDArray[np.int64]
"""Places of a grid, rising along the last axis."""

BURN_IN, ROUNDS, SEED = 12, 8, 20260131
_WAYS, _LEVELS = 16, 4
_PARTS = _WAYS**_LEVELS
"""Places in a gap between two candidates: each level divides those of the one before."""
_UNSUPPORTED = 1e-9
_EXACT = 1e-13
"""Of the range of heights: scatter below is the rounding of floats."""


@dataclass(frozen=True, slots=True)
class Grid:
    """Where breakpoints may lie: at candidates `at`, rising readings of which the first and the
    last are always taken, and at whole steps between them; `step` 0: anywhere.

    `apart`: the least distance of two breakpoints, as a reading.
    """

    at: Array
    step: float = 0.0
    apart: float = 0.0

    def reading(self, places: Places) -> Array:
        """Return the readings at some places."""
        gap = np.minimum(np.maximum(places // _PARTS, 0), len(self.at) - 2)
        start = self.at[gap]
        beyond = (places - gap * _PARTS) * (self.at[gap + 1] - start) / _PARTS
        if self.step:
            beyond = np.round(beyond / self.step) * self.step
        return np.asarray(start + beyond)

    def candidate(self, place: int) -> int | None:
        """Return the index of the candidate at a place; None between two."""
        index, beyond = divmod(place, _PARTS)
        return None if beyond else index


@dataclass(frozen=True, slots=True)
class CurveDraws:
    """Curves that were drawn: `places`, `knots` and `heights` (draws x points), `inverse` (draws x
    points x points), the covariance of the heights for a scatter of 1, and `scatter` (draws), the
    sum of the weighted squares that the curve leaves over. Heights that no point supports are as
    near 0 as the others allow; `supported` (draws x points x points) projects on those that are."""

    places: Places
    knots: Array
    heights: Array
    inverse: Array
    supported: Array
    scatter: Array


def joined(several: Sequence[CurveDraws]) -> CurveDraws:
    """Return the draws of several chains as those of one."""
    return CurveDraws(*(np.concatenate([getattr(d, f.name) for d in several])
                        for f in fields(CurveDraws)))


@dataclass(frozen=True, slots=True)
class _Sums:
    """What the points below each reading add up to, for every set of weights.

    `readings` are sorted; `moments` (5 x sets x points + 1) are sums of w, w x, w x^2, w y and
    w x y, with x from -1 to 1 by `middle` and `half`; `total` (sets) is that of w y^2.
    """

    grid: Grid
    readings: Array
    moments: Array
    total: Array
    middle: float
    half: float


@dataclass(frozen=True, slots=True)
class _Pieces:
    """Normal equations of straight pieces, for heights h at both ends, "first" and "second":
    coefficients of h1^2, h1 h2 and h2^2, and the right sides."""

    first: Array
    both: Array
    second: Array
    target_first: Array
    target_second: Array


def sample_curves(grid: Grid, reading: Array, height: Array, weights: Array, points: int,
                  draws: int, *, known: bool = False) -> list[CurveDraws]:
    """Return curves of `points` breakpoints for each row of `weights` (sets x readings).

    There are more candidates than `points`. `draws`: for each set, after those that are thrown
    away. `known`: weights are 1 over true variances, else only their ratios count.
    """
    line = np.polynomial.Polynomial.fit(reading, height, 1)
    bent = height - line(reading)  # small numbers: the sums below lose less
    size = float(weights.max())
    sums = _sums(grid, reading, bent, weights / size)
    floor = weights.sum(axis=1) / size * (_EXACT * max(np.ptp(height), np.abs(height).max()))**2
    apart = _PARTS * (min(2, (len(grid.at) - 1) // (2 * (points - 1))) or 1)
    places = _start(sums, points, apart)
    free = np.maximum((weights > 0).sum(axis=1) - points, 1)
    random = np.random.default_rng(SEED)
    kept = []
    for sweep in range(BURN_IN + draws):
        heat = min(1.0, (sweep + 1) / BURN_IN)  # from a flat likelihood to the true one
        for moved in range(1, points - 1):
            stride = _WAYS ** random.integers(0, _LEVELS, (len(places), 1))
            shift = random.integers(0, _PARTS, (len(places), 1))
            others, place = _without(sums, places, moved), places[:, moved, None]
            for trials in (_far, _near):
                tried = trials(sums, place, stride, shift)
                left = np.maximum(_left_over(sums, others, tried, apart), floor[:, None])
                # Student's or normal likelihood, by whether the scatter is one of the unknowns.
                likely = -left * size / 2 if known else -free[:, None] * heat / 2 * np.log(left)
                place = np.take_along_axis(tried, _drawn(likely, random), axis=1)
            places = np.sort(np.append(others.places, place, axis=1), axis=1)
        if sweep >= BURN_IN:
            kept.append(places)
    return [_solved(sums, index, np.array([p[index] for p in kept]), line, size)
            for index in range(len(weights))]


def _sums(grid: Grid, reading: Array, height: Array, weights: Array) -> _Sums:
    order = np.argsort(reading, kind="stable")
    middle, half = (grid.at[0] + grid.at[-1]) / 2, (grid.at[-1] - grid.at[0]) / 2
    x, y, w = (reading[order] - middle) / half, height[order], weights[:, order]
    moments = np.zeros((5, len(weights), len(x) + 1))
    for index, values in enumerate((np.ones_like(x), x, x * x, y, x * y)):
        np.cumsum(w * values, axis=1, out=moments[index, :, 1:])
    return _Sums(grid, reading[order], moments, (w * y**2).sum(axis=1), float(middle), float(half))


def _ends(sums: _Sums, places: Places, set_of: int | None = None) -> tuple[Array, Array]:
    """Return x at some places, and the moments of the points below as (5 x places); the first axis
    of the places is that of the sets, unless all are of one."""
    at = sums.grid.reading(places)
    below = sums.readings.searchsorted(at)
    below[places == (len(sums.grid.at) - 1) * _PARTS] = len(sums.readings)
    sets: Any = np.arange(len(places))[:, None] if set_of is None else set_of
    return (at - sums.middle) / sums.half, sums.moments[:, sets, below]


def _pieces(left: tuple[Array, Array], right: tuple[Array, Array]) -> _Pieces:
    """Return the pieces between ends that `_ends` made."""
    count, first, square, target, product = right[1] - left[1]
    length = right[0] - left[0]
    length = np.where(length > 0, length, 1.0)
    lead = left[0]
    part = (first - lead * count) / length
    part_square = (square - lead * (2 * first - lead * count)) / length**2
    part_target = (product - lead * target) / length
    return _Pieces(count - 2 * part + part_square, part - part_square, part_square,
                   target - part_target, part_target)


def _start(sums: _Sums, points: int, apart: int) -> Places:
    """Return evenly chosen places, then moved one by one to where they leave least over."""
    sets, last = len(sums.total), len(sums.grid.at) - 1
    even = np.round(np.linspace(0, last, points)).astype(np.int64) * _PARTS
    places = np.repeat(even[None], sets, axis=0)
    strides = [np.full((sets, 1), _WAYS**level) for level in range(_LEVELS)][::-1]
    for _ in range(ROUNDS):
        before = places
        for moved in range(1, points - 1):
            others, place = _without(sums, places, moved), places[:, moved, None]
            for index, stride in enumerate((strides[0], *strides)):
                kind = _near if index else _far
                tried = kind(sums, place, stride, place + stride * (_WAYS // 2))
                best = _left_over(sums, others, tried, apart).argmin(axis=1)
                place = np.take_along_axis(tried, best[:, None], axis=1)
            places = np.sort(np.append(others.places, place, axis=1), axis=1)
        if (places == before).all():
            break
    return places


def _far(sums: _Sums, place: Places, stride: Places, shift: Places) -> Places:
    """Return the same place in every gap, as (sets x trials)."""
    far: Places = np.arange(len(sums.grid.at) - 1)[None, :] * _PARTS + place % _PARTS
    return far


def _near(sums: _Sums, place: Places, stride: Places, shift: Places) -> Places:
    """Return places around, a `stride` apart, of a block that begins at any `shift`: each of them
    leads to the same block, so that drawing among them leaves the probabilities as they are."""
    block = _WAYS * stride
    start = place - (place - shift) % block + (place - shift) % stride
    near: Places = start + np.arange(_WAYS)[None, :] * stride
    return near


def _drawn(likely: Array, random: np.random.Generator) -> NDArray[np.intp]:
    """Return an index for each row (sets x 1), drawn by logarithms of probabilities."""
    chance = np.exp(likely - likely.max(axis=1, keepdims=True)).cumsum(axis=1)
    drawn: NDArray[np.intp] = (chance < random.random((len(likely), 1)) * chance[:, -1:]
                               ).sum(axis=1, keepdims=True)
    return drawn


@dataclass(frozen=True, slots=True)
class _Others:
    """The breakpoints beside one that moves: their `places` (sets x points - 1), x, the moments of
    the points below; and as (3 x sets x points - 1) pivot, right side and explained squares once
    the heights `before` or `after` each of them are eliminated."""

    places: Places
    at: Array
    below: Array
    before: Array
    after: Array


def _without(sums: _Sums, places: Places, moved: int) -> _Others:
    rest = np.delete(places, moved, axis=1)
    at, below = _ends(sums, rest)
    fixed = _pieces((at[:, :-1], below[..., :-1]), (at[:, 1:], below[..., 1:]))
    count = rest.shape[1]
    before, after = np.zeros((2, 3, *rest.shape))
    for k in range(count - 1):
        _eliminate(before, k, k + 1, fixed.first[:, k], fixed.both[:, k], fixed.second[:, k],
                   fixed.target_first[:, k], fixed.target_second[:, k])
    for k in range(count - 2, -1, -1):
        _eliminate(after, k + 1, k, fixed.second[:, k], fixed.both[:, k], fixed.first[:, k],
                   fixed.target_second[:, k], fixed.target_first[:, k])
    return _Others(rest, at, below, before, after)


def _left_over(sums: _Sums, others: _Others, tried: Places, apart: int) -> Array:
    """Return what the best heights leave of the weighted squares with one more breakpoint, as
    (sets x trials); infinite where it comes too close to another.

    A height that no point supports explains nothing.
    """
    sets = np.arange(len(tried))[:, None]
    gap = (tried[:, :, None] >= others.places[:, None, 1:-1]).sum(axis=2)
    left, right = others.before[:, sets, gap], others.after[:, sets, gap + 1]
    start, end = others.at[sets, gap], others.at[sets, gap + 1]
    middle = _ends(sums, tried)
    low = _pieces((start, others.below[:, sets, gap]), middle)
    high = _pieces(middle, (end, others.below[:, sets, gap + 1]))
    target_low, target_high = left[1] + low.target_first, right[1] + high.target_second
    one, share_low = _explained(left[0] + low.first, target_low)
    two, share_high = _explained(right[0] + high.second, target_high)
    share_low, share_high = share_low * low.both, share_high * high.both
    third, _ = _explained(
        low.second + high.first - low.both * share_low - high.both * share_high,
        low.target_second + high.target_first - share_low * target_low - share_high * target_high)
    over = np.maximum(sums.total[:, None] - left[2] - right[2] - one - two - third, 0.0)
    near = np.minimum(tried - others.places[sets, gap], others.places[sets, gap + 1] - tried)
    close = np.minimum(middle[0] - start, end - middle[0]) * sums.half < sums.grid.apart
    return np.where(close | (near < apart), np.inf, over)


def _explained(pivot: Array, right: Array) -> tuple[Array, Array]:
    """Return the squares that a height explains, and 1 over its pivot; both 0 if no point supports
    it."""
    share = (pivot > _UNSUPPORTED) / np.maximum(pivot, _UNSUPPORTED)
    return right**2 * share, share


def _eliminate(state: Array, k: int, following: int, own: Array, both: Array, other: Array,
               target: Array, target_other: Array) -> None:
    """Take the height of breakpoint `k` out of the equations of the one that follows."""
    right = state[1, :, k] + target
    explained, share = _explained(state[0, :, k] + own, right)
    state[:, :, following] = (other - both**2 * share, target_other - both * share * right,
                              state[2, :, k] + explained)


def _solved(sums: _Sums, index: int, places: Places, line: np.polynomial.Polynomial,
            size: float) -> CurveDraws:
    """Return the curves of one set of weights with their heights; `line` is added back, and the
    weights were divided by `size`."""
    draws, points = places.shape
    at, below = _ends(sums, places, index)
    pieces = _pieces((at[:, :-1], below[..., :-1]), (at[:, 1:], below[..., 1:]))
    normal, right = np.zeros((draws, points, points)), np.zeros((draws, points))
    for k in range(points - 1):
        normal[:, k, k] += pieces.first[:, k]
        normal[:, k + 1, k + 1] += pieces.second[:, k]
        normal[:, k, k + 1] += pieces.both[:, k]
        normal[:, k + 1, k] += pieces.both[:, k]
        right[:, k] += pieces.target_first[:, k]
        right[:, k + 1] += pieces.target_second[:, k]
    inverse = np.asarray(np.linalg.pinv(normal, rcond=_UNSUPPORTED, hermitian=True), np.float64)
    bent: Array = (inverse @ right[:, :, None])[:, :, 0]
    left = sums.total[index] - (bent * right).sum(axis=1)
    knots = sums.grid.reading(places)
    return CurveDraws(places, knots, bent + line(knots), inverse / size, inverse @ normal,
                      np.maximum(left, 0.0) * size)
