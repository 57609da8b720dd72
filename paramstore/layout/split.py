"""Cutting a group that is written often in two, so that what changes rarely need not be written.

A schema says how often a group is written, not which of its parameters change: so a cut is only
ever proposed, with what it would save.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from paramstore.layout.demand import demand_of
from paramstore.schema.model import Group, Kind, Parameter, Schema
from paramstore.schema.words import code_list

__all__ = ["Split", "best_split"]

RARELY_CHANGED = (Kind.TEXT, Kind.BYTES, Kind.CURVE)
"""Kinds that a split moves out first: they hardly ever count anything (common practice)."""
NAMES_SHOWN = 4


@dataclass(frozen=True, slots=True)
class Split:
    """A group cut in two: what stays, with its write rate, and what moves to a new group."""

    stays: tuple[Parameter, ...]
    moves: tuple[Parameter, ...]
    slot_pages: int  # of what stays
    pages: int  # of both rings

    @property
    def words(self) -> str:
        """The proposal, naming the smaller side."""
        alone = self.stays if len(self.stays) <= len(self.moves) else self.moves
        names = code_list((p.name for p in alone), most=NAMES_SHOWN)
        one = len(alone) == 1
        verb = "changes" if one else "change"
        when = f"{names} {verb} rarely"
        if alone is self.stays:
            when = f"only {names} {verb} that often"
        return f"if {when}, give {'it' if one else 'them'} a group of {'its' if one else 'their'} own"


def best_split(group: Group, schema: Schema) -> Split | None:
    """Return the cut that leaves the fewest pages, or None if none saves any.

    Parameters move out one after another, those of a rarely changing kind first, then the
    largest; a pair bound by `below` stays together, in the group.
    """
    bound = {p.name for p in group.parameters if p.below}
    bound |= {p.below for p in group.parameters if p.below}
    movable = sorted(
        (p for p in group.parameters if p.name not in bound),
        key=lambda p: (p.kind not in RARELY_CHANGED, -p.size, p.name),
    )
    best, fewest = None, demand_of(group, schema).pages
    for count in range(1, min(len(movable) + 1, len(group.parameters))):
        moves = tuple(movable[:count])
        moving = {p.name for p in moves}
        stays = tuple(p for p in group.parameters if p.name not in moving)
        hot = demand_of(replace(group, parameters=stays), schema)
        rest = demand_of(replace(group, parameters=moves, writes_per_day=0.0), schema)
        if hot.pages + rest.pages < fewest:
            fewest = hot.pages + rest.pages
            best = Split(stays, moves, hot.slot_pages, fewest)
    return best
