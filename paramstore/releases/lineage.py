"""Where the releases of a label and those of a plan part: two branches of one store.

Two people froze a release of the same number apart from each other. From there on the bytes of one
branch mean nothing to the other.
"""

from __future__ import annotations

from typing import NamedTuple

from paramstore.core.format import LINEAGE_BYTES
from paramstore.layout.plan import Plan
from paramstore.record import Label

__all__ = ["Parting", "parting"]


class Parting(NamedTuple):
    """`shared` is the last release before it that both have, 0 if the label tells of none; `apart`
    the first one that is another in each."""

    shared: int
    apart: int


def parting(label: Label, plan: Plan) -> Parting | None:
    """Return where the releases that led to a label and those of a plan part; None if, as far as
    the label tells, they do not. Both are of the same store and series."""
    line = (*plan.lineage, *[(plan.release, plan.layout_id)] * (plan.release > 0))
    shared = 0
    for release, layout_id in line:
        gap = label.release - release
        if not 0 <= gap <= LINEAGE_BYTES:
            continue  # the label does not say
        if label.follows(release, layout_id) if gap else label.layout_id == layout_id:
            shared = release
        else:
            return Parting(shared, release)
    return None
