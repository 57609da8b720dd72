"""Cutting a group that is written often in two, so that what changes rarely need not be written.

A schema says how often a group is written, not which of its parameters change: so a cut is only
ever proposed, with what it would save.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from paramstore.core.words import code_list
from paramstore.layout.demand import demand_of
from paramstore.schema.model import Group, Kind, Parameter, Schema

__all__ = ["Split", "best_split"]

FIXED = (Kind.TEXT, Kind.BYTES, Kind.CURVE, Kind.ENUM, Kind.DATE)
"""Kinds that hardly ever count anything (common practice)."""
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
        verb, them, own = ("changes", "it", "its own") if len(alone) == 1 else (
            "change", "them", "their own")
        how = f"{verb} rarely" if alone is self.moves else f"{verb} that often"
        only = "" if alone is self.moves else "only "
        return f"if {only}{names} {how}, give {them} a group of {own}"


def best_split(group: Group, schema: Schema) -> Split | None:
    """Return the cut that leaves the fewest pages, or None if none saves any.

    Parameters move out one after another, those first that look like settings: of a kind that
    does not count, then with limits of their own; larger ones before smaller ones. What looks
    like a counter stays if moving it saves nothing.
    """
    best, fewest = None, demand_of(group, schema).pages
    moving: set[str] = set()
    for unit in sorted(_units(group), key=lambda u: (_settled(u), -_size(u), u[0].name)):
        moving |= {p.name for p in unit}
        moves = tuple(p for p in group.parameters if p.name in moving)
        stays = tuple(p for p in group.parameters if p.name not in moving)
        if not stays:
            break
        hot = demand_of(replace(group, parameters=stays), schema)
        rest = demand_of(replace(group, parameters=moves, writes_per_day=0.0), schema)
        pages = hot.pages + rest.pages
        if pages < fewest or (best and pages == fewest and _settled(unit) < 2):
            fewest = pages
            best = Split(stays, moves, hot.slot_pages, pages)
    return best


def _units(group: Group) -> list[tuple[Parameter, ...]]:
    """Return the parameters, those bound together by `below` as one: the rule needs one group."""
    units = [{p.name} for p in group.parameters]
    for p in group.parameters:
        if p.below:
            bound = [u for u in units if u & {p.name, p.below}]
            units = [u for u in units if u not in bound] + [set().union(*bound)]
    return [tuple(p for p in group.parameters if p.name in u) for u in units]


def _settled(unit: tuple[Parameter, ...]) -> int:
    """Return 0 for what hardly changes by itself, 1 for what has limits, 2 for a counter."""
    if all(p.kind in FIXED for p in unit):
        return 0
    return 1 if all(p.kind is Kind.BOOL or f.limits.ranges for p in unit for f in p.fields) else 2


def _size(unit: tuple[Parameter, ...]) -> int:
    return sum(p.size for p in unit)
