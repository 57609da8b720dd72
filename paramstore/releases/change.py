"""One change between two releases, and what it means for units in the field."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

__all__ = ["Change", "Impact"]


class Impact(StrEnum):
    """What a change means for units in the field."""

    SAFE = "safe"  # old bytes are read as they are; what is new has its default
    WEARS = "wears out early"  # no byte moves, but a ring does not last the life wanted (PS426)
    MIGRATES = "needs migration"  # values are converted, or some cannot be kept
    RELAYOUT = "needs relayout"  # rings lie elsewhere: units are converted on the host
    REFUSED = "refused"  # it would move bytes or change what they mean


@dataclass(frozen=True, slots=True)
class Change:
    """One change. `where` is a group, GROUP.PARAMETER, or "" for the whole store; `loses` are the
    GROUP.PARAMETERs of which a rule may reset stored values."""

    code: str
    verdict: Impact
    where: str
    text: str
    loses: tuple[str, ...] = ()
