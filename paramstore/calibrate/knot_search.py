"""Which breakpoints the points of a curve speak for: sampled, because scatter decides among them.

Breakpoints are taken from candidates; heights follow by least squares. One choice is the best, but
with scatter many are about as good, and the best follows the scatter. So choices are drawn with the
probability that the points give them (Gibbs sampling: one breakpoint at a time is drawn anew while
the others stay; flat prior for places and heights). Many chains run at once, each for its own
weights of the points, so that the curve without a point is sampled beside the one with all.
After D. G. T. Denison, B. K. Mallick, A. F. M. Smith, Automatic Bayesian curve fitting, J. R.
Statist. Soc. B 60 (1998), 333 (from memory). The generator has a fixed seed: same points, same
choice.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from paramstore.calibrate.leastsq import Array

__all__ = ["CurveDraws", "Places", "sample_curves"]

Places = NDArray[np.intp]
"""Indexes of candidates, rising along the last axis."""

BURN_IN, SEED = 12, 20260131
_UNSUPPORTED = 1e-9
_EXACT = 1e-13
"""Of the range of heights: scatter below is the rounding of floats."""


@dataclass(frozen=True, slots=True)
class CurveDraws:
    """Curves that were drawn: `places` and `heights` (draws x points), `inverse` (draws x points x
    points), the covariance of the heights for a scatter of 1, and `scatter` (draws), the sum of
    the weighted squares that the curve leaves over. Heights that no point supports are as near 0
    as the others allow; `supported` (draws x points x points) projects on those that are."""

    places: Places
    heights: Array
    inverse: Array
    supported: Array
    scatter: Array


@dataclass(frozen=True, slots=True)
class _Sums:
    """For every set of weights, and every pair of candidates as the ends of a straight piece: what
    its points add to the normal equations, as (sets x candidates x candidates); `total` (sets)."""

    first: Array
    both: Array
    second: Array
    target_first: Array
    target_second: Array
    total: Array


@dataclass(frozen=True, slots=True)
class _Chain:
    """What stays while curves are drawn. Breakpoints are `apart` candidates from each other or
    more. For each set of weights: `free` points are more than the curve needs, and sums of squares
    below `floor` are rounding. `known`: the scatter is."""

    sums: _Sums
    apart: int
    free: NDArray[np.intp]
    floor: Array
    known: bool
    random: np.random.Generator


def sample_curves(at: Array, reading: Array, height: Array, weights: Array, points: int,
                  draws: int, *, known: bool = False) -> list[CurveDraws]:
    """Return curves of `points` breakpoints for each row of `weights` (sets x readings).

    `at`: candidates, rising, of which the first and the last are always taken; more than `points`.
    `draws`: for each set, after those that are thrown away. `known`: weights are 1 over true
    variances, else only their ratios count.
    """
    line = np.polynomial.Polynomial.fit(reading, height, 1)
    bent = height - line(reading)  # small numbers: the sums below lose less
    sums = _sums(at, reading, bent, weights)
    floor = weights.sum(axis=1) * (_EXACT * max(np.ptp(height), np.abs(height).max()))**2
    apart = min(2, (len(at) - 1) // (2 * (points - 1))) or 1
    places = _start(sums, points, apart)
    chain = _Chain(sums, apart, np.maximum((weights > 0).sum(axis=1) - points, 1), floor, known,
                   np.random.default_rng(SEED))
    kept = []
    for sweep in range(BURN_IN + draws):
        heat = min(1.0, (sweep + 1) / BURN_IN)  # from a flat likelihood to the true one
        for moved in range(1, points - 1):
            places = _redraw(chain, places, moved, heat)
        if sweep >= BURN_IN:
            kept.append(places)
    return [_solved(sums, index, np.array([p[index] for p in kept]), line(at))
            for index in range(len(weights))]


def _sums(at: Array, reading: Array, height: Array, weights: Array) -> _Sums:
    piece = np.clip(np.searchsorted(at, reading, side="right") - 1, 0, len(at) - 2)
    middle, half = (at[0] + at[-1]) / 2, (at[-1] - at[0]) / 2
    x, ends = (reading - middle) / half, (at - middle) / half
    inside = np.zeros((len(reading), len(at) - 1))
    inside[np.arange(len(reading)), piece] = 1.0

    def between(values: Array) -> Array:
        """Sum values over the points between each two candidates."""
        up_to = np.zeros((len(weights), len(at)))
        np.cumsum((weights * values) @ inside, axis=1, out=up_to[:, 1:])
        return up_to[:, None, :] - up_to[:, :, None]

    count, first, square = between(np.ones_like(x)), between(x), between(x * x)
    target, product = between(height), between(x * height)
    left, length = ends[:, None], np.triu(ends[None, :] - ends[:, None], 1)
    length[length <= 0] = 1.0
    part = (first - left * count) / length
    part_square = (square - 2 * left * first + left**2 * count) / length**2
    part_target = (product - left * target) / length
    return _Sums(count - 2 * part + part_square, part - part_square, part_square,
                 target - part_target, part_target, (weights * height**2).sum(axis=1))


def _left_over(sums: _Sums, sets: Places, places: Places) -> Array:
    """Return what the best heights leave of the weighted squares, for each choice of places.

    Elimination from the first breakpoint on; `sets` broadcasts against `places` without its last
    axis. A height that no point supports explains nothing.
    """
    pairs = [(sets, places[..., k], places[..., k + 1]) for k in range(places.shape[-1] - 1)]
    pivot, right = sums.first[pairs[0]], sums.target_first[pairs[0]]
    explained = np.zeros(pivot.shape)
    for k, pair in enumerate(pairs):
        sound = pivot > _UNSUPPORTED
        safe = np.where(sound, pivot, 1.0)
        explained += np.where(sound, right**2 / safe, 0.0)
        ratio = np.where(sound, sums.both[pair] / safe, 0.0)
        pivot, right = (sums.second[pair] - ratio * sums.both[pair],
                        sums.target_second[pair] - ratio * right)
        if k + 1 < len(pairs):
            pivot, right = (pivot + sums.first[pairs[k + 1]],
                            right + sums.target_first[pairs[k + 1]])
    sound = pivot > _UNSUPPORTED
    explained += np.where(sound, right**2 / np.where(sound, pivot, 1.0), 0.0)
    return np.maximum(sums.total[sets] - explained, 0.0)


def _start(sums: _Sums, points: int, apart: int) -> Places:
    """Return evenly chosen places, then moved one by one to where they leave least over."""
    sets, count = len(sums.total), sums.first.shape[1]
    even = np.round(np.linspace(0, count - 1, points)).astype(np.intp)
    places = np.repeat(even[None], sets, axis=0)
    for _ in range(3):
        for moved in range(1, points - 1):
            trials = _trials(places, moved, count)
            left = _left_over(sums, np.arange(sets)[:, None], trials)
            left[_too_close(trials, apart)] = np.inf
            places = trials[np.arange(sets), left.argmin(axis=1)]
    return places


def _trials(places: Places, moved: int, count: int) -> Places:
    """Return the places with one of them moved to every candidate, (sets x candidates x points)."""
    rest = np.delete(places, moved, axis=1)
    trials = np.empty((len(places), count, places.shape[1]), np.intp)
    trials[:, :, :-1] = rest[:, None, :]
    trials[:, :, -1] = np.arange(count)
    trials.sort(axis=2)
    return trials


def _too_close(trials: Places, apart: int) -> NDArray[np.bool_]:
    return np.asarray((np.diff(trials, axis=2) < apart).any(axis=2))


def _redraw(chain: _Chain, places: Places, moved: int, heat: float) -> Places:
    """Return the places with one of them drawn anew; `heat` is 0 to 1, see `sample_curves`."""
    sets = np.arange(len(places))
    trials = _trials(places, moved, chain.sums.first.shape[1])
    left = np.maximum(_left_over(chain.sums, sets[:, None], trials), chain.floor[:, None])
    # Student's or normal likelihood, by whether the scatter is one of the unknowns.
    logarithm = (-left / 2 if chain.known else
                 -(chain.free * heat)[:, None] / 2 * np.log(left))
    logarithm[_too_close(trials, chain.apart)] = -np.inf
    chance = np.exp(logarithm - logarithm.max(axis=1, keepdims=True)).cumsum(axis=1)
    drawn = (chance < chain.random.random((len(places), 1)) * chance[:, -1:]).sum(axis=1)
    chosen: Places = trials[sets, drawn]
    return chosen


def _solved(sums: _Sums, index: int, places: Places, line: Array) -> CurveDraws:
    """Return the curves of one set of weights with their heights; `line` is added back."""
    draws, points = places.shape
    normal, right = np.zeros((draws, points, points)), np.zeros((draws, points))
    for k in range(points - 1):
        pair = (index, places[:, k], places[:, k + 1])
        normal[:, k, k] += sums.first[pair]
        normal[:, k + 1, k + 1] += sums.second[pair]
        normal[:, k, k + 1] += sums.both[pair]
        normal[:, k + 1, k] += sums.both[pair]
        right[:, k] += sums.target_first[pair]
        right[:, k + 1] += sums.target_second[pair]
    inverse = np.asarray(np.linalg.pinv(normal, rcond=_UNSUPPORTED, hermitian=True), np.float64)
    bent: Array = (inverse @ right[:, :, None])[:, :, 0]
    left = sums.total[index] - (bent * right).sum(axis=1)
    return CurveDraws(places, bent + line[places], inverse, inverse @ normal, np.maximum(left, 0.0))
