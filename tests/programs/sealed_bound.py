"""An upper bound of how often a sealed commit fails: for one cut, and for the life of a unit.

    python -m tests.programs.sealed_bound
    python -m tests.programs.sealed_bound --to FILE

`sealed_rule` tells the rule and runs random histories of it. None of them fails with the settings
chosen here, and no count of zeros says how rare a failure is. So it is computed.

Fault model. A page write that was cut leaves each cell of that page with a chance of its own to
read as its new bit. Readings are independent of each other, cell by cell and time by time. The
chances stay as they are until the page is written again. An adversary who knows the rule chooses
all of them, for each cut anew; also how many cells change, up to all. A unit boots at most *boots*
times between two writes.

How it fails. A value that a boot used, or that was acknowledged, is lost when no record with it, or
with a newer one, still reads as taken. The record that was used read as *used* or more. A record is
written over only when a newer one read at least as well at that boot. So there is a chain of k
records whose seals were cut, one after another with no write in between that ended: each read high
at one boot and low at a later one, the first one high at *used*, each low no higher than the next
one's high, the last one low below *taken*. Their drops add up to *used* - *taken* or more.

The bound. G(d) is the greatest chance that one seal drops by d between two readings, over all
choices of the adversary. For the sum of independent cells with a given mean, either tail that lies
beyond the mean by one or more is greatest when all chances are equal (Hoeffding, Annals of
Mathematical Statistics 27 (1956) 713, theorem 4): so the binomial is the worst case. Between the
means of the grid the bound stays one: the high reading is judged at the upper end of each step, the
low one at its lower end. A chain of k fails with at most the sum, over all whole d1 + ... + dk that
make up the drop, of the products of min(1, pairs x G(di)); pairs of boots: boots x (boots - 1) / 2.

A life: *cuts* of seals a year, each may begin a chain; the write that settles is cut in its seal,
too, with the chance *again*, and so on.

Checks. Exact chances of unequal cells (their distributions convolved) lie below the equal ones. The
chances of chains of one and two are estimated by importance sampling: each reading is drawn from
cells tilted exponentially so that the rare event is the usual one, and weighted by the likelihood
ratio (Siegmund, Annals of Statistics 4 (1976) 673). They must lie below the bound. Readings that
agree in full are left out there: their chance is a power.

Why not used from 0.98 on, which is safer still: with 0.96 one bad reading of the 18, such as all
FF, does not make a boot write.

Not covered: cells that turn together in one reading (`sealed_rule` shows what `shift` costs), a
page that was not being written, cells that change between readings on their own.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from itertools import pairwise
from math import comb
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.stats import binom

from paramstore.core.disk import write_text
from paramstore.report.tables import Column, table

Floats = NDArray[np.float64]

STEPS = 240
"""Steps of the grid of means."""
LONGEST = 6
"""Chains longer than this count as failed."""
YEARS, CUTS_A_YEAR, AGAIN = 20, 52, 0.01
"""A life, stated: a seal cut each week is far more than a unit should see. One settling write in a
hundred is cut in its seal: a write of 5 ms, right after a boot."""


class Rule(NamedTuple):
    """A seal and how it is read. `complete`: if the first readings, so many, agree in full, no more
    are taken; 0: there are always all of them."""

    cells: int = 128
    readings: int = 18
    complete: int = 2
    taken: float = 0.75
    used: float = 0.96

    @property
    def total(self) -> int:
        """Cells of all readings of a seal."""
        return self.cells * self.readings

    @property
    def low(self) -> int:
        """The greatest sum that is not taken."""
        return int(np.ceil(self.taken * self.total)) - 1

    @property
    def high(self) -> int:
        """The least sum that is used at once."""
        return int(np.ceil(self.used * self.total))

    @property
    def drop(self) -> int:
        """What a chain must lose in all to fail."""
        return self.high - self.low


CHOSEN = Rule()
RULES = (Rule(readings=4, complete=1), Rule(64), Rule(readings=4), Rule(complete=1), CHOSEN,
         Rule(used=0.98), Rule(256))


def drops(rule: Rule) -> Floats:
    """Return G(d) for d = 0 ... `rule.drop`."""
    n, sums = rule.total, np.arange(rule.total + 1)
    worst = np.zeros(rule.drop + 1)
    means = np.linspace(0.4, 1, STEPS + 1)  # below 0.4 no reading is high
    for lower, upper in pairwise(means):
        high = np.where(sums >= upper * n + 1, binom.sf(sums - 1, n, upper), 1)
        high = np.minimum(1, high + (upper ** (rule.cells * rule.complete) if rule.complete else 0))
        low = np.where(sums <= lower * n - 1, binom.cdf(sums, n, lower), 1)
        for d in range(rule.drop + 1):
            worst[d] = max(worst[d], (high[rule.low + d:] * low[rule.low:n + 1 - d]).max())
    return worst


def chains(rule: Rule, boots: int) -> list[float]:
    """Return the bound for chains of 1 ... LONGEST cuts, with so many boots between two writes."""
    one = np.minimum(1, drops(rule) * comb(boots, 2))
    sums, bounds = one, []
    for _ in range(LONGEST):
        bounds.append(min(1.0, float(sums[rule.drop])))
        sums = np.convolve(sums, one)[:rule.drop + 1]
    return bounds


def each_cut(bounds: Sequence[float], again: float) -> float:
    """Return the chance that a chain which begins with a given cut fails."""
    return sum(bound * again ** k for k, bound in enumerate(bounds)) + again ** len(bounds)


# ---- Checks -------------------------------------------------------------------------------------


def exact(chances: Floats, readings: int) -> Floats:
    """Return the chances of each sum of `readings` readings of cells with these chances."""
    sums = np.ones(1)
    for p in chances:
        sums = np.convolve(sums, binom.pmf(np.arange(readings + 1), readings, p))
    return sums


def _tilt(chances: Floats, readings: int, mean: float) -> float:
    """Return the exponent that gives the sum this mean."""
    def off(x: float) -> float:
        e = chances * np.exp(x)
        return float(readings * (e / (1 - chances + e)).sum() - mean)

    return float(brentq(off, -60, 60))


def sampled(rule: Rule, seals: Sequence[Floats], draws: int, seed: int) -> tuple[float, float]:
    """Estimate the chance that seals with these chances, one after another, drop from `used` to
    below `taken`: each read once high and once low. Returns the estimate and its standard error.

    What counts is the sum of all readings; `complete` readings are left out.
    """
    rng = np.random.default_rng(seed)
    ends = np.linspace(rule.high, rule.low, len(seals) + 1)
    weight, before = np.zeros(draws), np.full(draws, rule.high)
    holds = np.ones(draws, dtype=bool)
    for chances, (first, last) in zip(seals, pairwise(ends), strict=True):
        high, ratio = _draw(rng, chances, rule.readings, first, draws)
        low, other = _draw(rng, chances, rule.readings, last, draws)
        holds &= high >= before
        before = low
        weight += ratio + other
    found = np.where(holds & (before <= rule.low), np.exp(weight), 0)
    return float(found.mean()), float(found.std(ddof=1) / np.sqrt(draws))


def _draw(rng: np.random.Generator, chances: Floats, readings: int, mean: float,
          draws: int) -> tuple[NDArray[np.int64], Floats]:
    """Draw sums of tilted cells; return them and the logarithms of their likelihood ratios."""
    x = _tilt(chances, readings, mean)
    e = chances * np.exp(x)
    sums = np.zeros(draws, dtype=np.int64)
    for p in e / (1 - chances + e):
        sums += rng.binomial(readings, p, draws)
    return sums, readings * np.log(1 - chances + e).sum() - x * sums


def spread(mean: float, width: float, cells: int) -> Floats:
    """Return chances of cells around a mean, evenly from `mean - width` to `mean + width`."""
    return np.linspace(mean - width, mean + width, cells)


# ---- Figures ------------------------------------------------------------------------------------


def _bounds(boots: int) -> list[str]:
    """Return the table of the rules."""
    rows = []
    for rule in RULES:
        bounds = chains(rule, boots)
        one = each_cut(bounds, AGAIN)
        rows.append([str(rule.cells), str(rule.readings), str(rule.complete), f"{rule.used:g}",
                     *(f"{b:.0e}" for b in bounds), f"{1e6 * one:.0e}",
                     f"{min(1.0, one * YEARS * CUTS_A_YEAR):.0e}"])
    return table([*(Column(name) for name in ("cells", "readings", "complete", "used")),
                  *(Column(f"{k + 1} cut{'s' * (k > 0)}") for k in range(LONGEST)),
                  Column("10^6 cuts"), Column("a life")], rows)


def _checks(draws: int) -> list[str]:
    """Return the table of the estimates beside the bound."""
    limit, rows = chains(CHOSEN._replace(complete=0), 2), []
    steps = np.linspace(CHOSEN.high, CHOSEN.low, 5) / CHOSEN.total
    for title, width in (("equal", 0.0), ("unequal", 0.03), ("widely unequal", 0.07)):
        for seals in ([steps[2]], [steps[1], steps[3]]):
            found, error = sampled(CHOSEN, [spread(mean, width, CHOSEN.cells) for mean in seals],
                                   draws, 1)
            rows.append([title, str(len(seals)), f"{found:.2e}", f"{error:.0e}",
                         f"{limit[len(seals) - 1]:.2e}"])
    return table([Column("cells", right=False), Column("cuts"), Column("estimate"),
                  Column("+-"), Column("bound")], rows)


def main(arguments: Sequence[str] | None = None) -> None:
    """Compute the bounds, check them, print all."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--boots", type=int, default=10, help="between two writes")
    parser.add_argument("--draws", type=int, default=100_000)
    parser.add_argument("--to", type=Path, metavar="FILE", help="write the tables there, too")
    options = parser.parse_args(arguments)
    text = "\n".join([
        f"python -m tests.programs.sealed_bound --boots {options.boots} --draws {options.draws}",
        "",
        f"Taken from {CHOSEN.taken:g} on. Failures at most: chains of so many cuts in a row; of "
        f"10^6 cuts, each settling",
        f"write cut with the chance {AGAIN:g}; of a life of {YEARS} years with {CUTS_A_YEAR} cuts "
        f"of seals a year",
        *_bounds(options.boots), "",
        "Importance sampling of the rule chosen (128 cells, 18 readings, used from 0.96 on), one "
        "pair of boots",
        *_checks(options.draws),
    ]) + "\n"
    print(text, end="")
    if options.to:
        write_text(options.to, text)


if __name__ == "__main__":
    main()
