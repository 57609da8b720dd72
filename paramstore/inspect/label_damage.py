"""Which bytes of a damaged label copy are not as they were written.

A damaged copy is held against the other one if that is whole, else against the label that a part
of this store has. Must not know how a report looks.
"""

from __future__ import annotations

from paramstore.core.format import ERASED
from paramstore.image.contents import gaps_in
from paramstore.inspect.examine import Examination
from paramstore.record import build_label

__all__ = ["damaged_label_bytes"]


def damaged_label_bytes(found: Examination, copy: int) -> tuple[int, ...]:
    """Return the offsets of the bytes of a label copy that were changed; none of a copy that is
    whole, erased or not all in the dump."""
    contents, plan = found.contents, found.plan
    first, size = plan.label_address(copy), plan.label_bytes
    stored = contents.image[first:first + size]
    lacking = len(stored) < size or gaps_in(found.dump.gaps, first, first + size)
    if contents.labels[copy] is not None or lacking or stored.count(ERASED) == size:
        return ()
    other = plan.label_address(1 - copy)
    whole = contents.labels[1 - copy] is not None
    wanted = contents.image[other:other + size] if whole else build_label(plan)
    return tuple(at for at, (a, b) in enumerate(zip(stored, wanted, strict=True)) if a != b)
