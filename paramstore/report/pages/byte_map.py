"""The bytes of a fixed layout as a strip: a bead for each run that belongs to the same things."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import groupby

from paramstore.core.words import plural
from paramstore.inspect.fixed_meaning import owners_by_address
from paramstore.report.pages.page_map import hue
from paramstore.report.pages.strips import Bead, Row, strip
from paramstore.schema.fixed.found import FixedContents
from paramstore.schema.fixed.model import FixedLayout

__all__ = ["byte_map"]


def byte_map(layout: FixedLayout, keys: Mapping[tuple[str, str], str],
             contents: FixedContents | None = None) -> tuple[Row, ...]:
    """Return all bytes of a layout as rows; with contents only groups that may be there.

    `keys` join a parameter or checksum with whatever else shows it. What is too small for a name
    has the number of its group, or a plus sign if several things have bits of it.
    """
    owners = owners_by_address(layout, contents)
    numbers = {g.name: i for i, g in enumerate(layout.groups)}
    beads = []
    for names, run in groupby(range(layout.size), lambda a: tuple(dict.fromkeys(
            (o.group.name, o.thing.name) for o in owners.get(a, ())))):
        if not names:
            continue
        addresses, number = list(run), numbers[names[0][0]]
        beads.append(Bead(
            addresses[0], len(addresses), "+".join(name for _, name in names),
            "+" if len(names) > 1 else str(number + 1),
            f"{'; '.join(map('.'.join, names))}: {plural(len(addresses), 'byte')}",
            f"field {hue(number)}", " ".join(keys[name] for name in names)))
    return strip(beads, layout.size)
