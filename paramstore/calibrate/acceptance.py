"""Whether errors are within their tolerance, as far as the uncertainty lets that be said.

Decision rule after JCGM 106:2012, guarded acceptance and rejection (8.3, from memory): with the
tolerance T and a guard band w = r U, an error passes if it is at most T - w, fails if it is more
than T + w, and between the two it is not decidable. With r = 0, simple acceptance, T alone decides.
T is `limit` plus `percent` of the reference; U is the expanded uncertainty of the fitted value at
the point.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum

__all__ = ["Acceptance", "Decision", "all_of"]


class Decision(Enum):
    """What can be said of an error against its tolerance."""

    PASS = "pass"
    FAIL = "fail"
    UNDECIDABLE = "not decidable"


@dataclass(frozen=True, slots=True)
class Acceptance:
    """Which errors are accepted: `limit` in the unit of the reference, `percent` of the reference
    on top of it; the guard band is `guard` times U."""

    limit: float = 0.0
    percent: float = 0.0
    guard: float = 1.0

    def tolerance(self, reference: float) -> float:
        """Return the largest error that is accepted at a reference."""
        return self.limit + self.percent / 100 * abs(reference)

    def decide(self, error: float, reference: float, expanded: float | None) -> Decision:
        """Return what an error comes to; `expanded` is U, None if it is not known."""
        tolerance = self.tolerance(reference)
        if self.guard and expanded is None:
            return Decision.UNDECIDABLE
        band = self.guard * (expanded or 0.0)
        if abs(error) <= tolerance - band:
            return Decision.PASS
        return Decision.FAIL if abs(error) > tolerance + band else Decision.UNDECIDABLE

    def rule(self, unit: str) -> str:
        """Return the decision rule in words; `unit` is that of the reference."""
        parts = [f"{self.limit:g} {unit}".strip()] if self.limit else []
        parts += [f"{self.percent:g} % of the reference"] if self.percent else []
        band = (f"with a guard band of {self.guard:g} U" if self.guard != 1 else
                "with a guard band of U") if self.guard else "without a guard band"
        kind = "guarded acceptance" if self.guard else "simple acceptance"
        return f"within {' plus '.join(parts)}, {band} ({kind}, JCGM 106:2012, 8)"


def all_of(decisions: Iterable[Decision]) -> Decision:
    """Return what several come to: one that fails fails all, and all must pass to pass."""
    several = set(decisions)
    for decision in (Decision.FAIL, Decision.UNDECIDABLE):
        if decision in several:
            return decision
    return Decision.PASS
