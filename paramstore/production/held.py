"""What the part of a unit holds, as its records keep it: group by group, with the copies."""

from __future__ import annotations

import json
from typing import Any, NamedTuple

from paramstore.core.scalars import GroupRaws
from paramstore.image.contents import Contents

__all__ = ["HeldGroup", "held_of", "read_held"]


class HeldGroup(NamedTuple):
    """One group: the raws of its newest record by field, how many whole copies of it there are, and
    how many there should be. Without a record there are no raws."""

    raws: GroupRaws
    copies: int
    wanted: int

    @property
    def whole(self) -> bool:
        """Whether there is a record, in as many copies as there should be."""
        return 0 < self.copies >= self.wanted


def held_of(contents: Contents) -> str:
    """Return what a part holds as a text for the records."""
    return json.dumps({
        g.ring.group.name: {
            "raws": {} if g.newest is None else {n: list(r) for n, r in g.stored.items()},
            "copies": g.copies, "wanted": g.ring.group.copies}
        for g in contents.groups}, separators=(",", ":"))


def read_held(text: str) -> dict[str, HeldGroup]:
    """Return the groups of such a text; none for one that is not known or not such a text."""
    try:
        return {name: _group(of) for name, of in json.loads(text).items()}
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
        return {}


def _group(data: Any) -> HeldGroup:
    raws = {str(name): tuple(values) for name, values in data["raws"].items()}
    if not all(isinstance(v, int | float) for values in raws.values() for v in values):
        raise ValueError("a raw is a number")
    return HeldGroup(raws, int(data["copies"]), int(data["wanted"]))
