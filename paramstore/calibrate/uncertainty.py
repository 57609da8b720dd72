"""What makes a result uncertain: a budget of standard uncertainties, and what they come to.

After the GUM (JCGM 100:2008; its clauses here from memory): standard uncertainties of type A and B
combine as the root of the sum of their squares (5.1.2), their degrees of freedom by the
Welch-Satterthwaite formula (G.4.1), and the coverage factor is that of Student's t for a coverage
probability of 95.45 % (G.3, 2 for infinite degrees of freedom). scipy is loaded only where a
coverage factor is computed.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

__all__ = ["COVERAGE", "BudgetEntry", "UncertaintyBudget", "budget_of"]

COVERAGE = math.erf(math.sqrt(2))
"""Coverage probability of an expanded uncertainty: 95.45 %, 2 standard deviations of a normal."""


@dataclass(frozen=True, slots=True)
class BudgetEntry:
    """One source of uncertainty and what it adds to the result, in the unit of the result.

    `kind`: "A", from the scatter of the points, or "B", from what is known otherwise. `freedom`:
    degrees of freedom, None if infinite. `common`: one error that all points of the table share,
    so that more points do not make it smaller.
    """

    name: str
    kind: str
    uncertainty: float
    unit: str
    freedom: float | None = None
    common: bool = False


@dataclass(frozen=True, slots=True)
class UncertaintyBudget:
    """The sources of uncertainty of one number, and their combination.

    `combined` is a standard uncertainty, `freedom` its effective degrees of freedom (None if
    infinite), `factor` the coverage factor k.
    """

    entries: tuple[BudgetEntry, ...]
    combined: float
    freedom: float | None
    factor: float

    @property
    def expanded(self) -> float:
        """The expanded uncertainty U = k u."""
        return self.factor * self.combined


def budget_of(entries: Iterable[BudgetEntry]) -> UncertaintyBudget:
    """Return the budget of some sources, independent of each other, all in one unit."""
    entries = tuple(entries)
    largest = max((e.uncertainty for e in entries), default=0.0)
    # In parts of the largest: fourth powers of small numbers leave the range of floats.
    parts = [e.uncertainty / largest if largest else 0.0 for e in entries]
    combined = math.sqrt(sum(p**2 for p in parts))
    slack = sum(p**4 / e.freedom for p, e in zip(parts, entries, strict=True) if e.freedom)
    freedom = combined**4 / slack if slack else None
    return UncertaintyBudget(entries, largest * combined, freedom, coverage_factor(freedom))


def coverage_factor(freedom: float | None) -> float:
    """Return k for effective degrees of freedom, which need not be whole."""
    if freedom is None:
        return 2.0
    from scipy.special import stdtrit

    return float(stdtrit(freedom, (1 + COVERAGE) / 2))
