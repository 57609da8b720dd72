"""The picture of a ring: its slots as beads around a circle, in the order of writing.

Up to `MOST_BEADS` slots have a bead each; of more, neighbours that look alike become one arc.
Knows slots by number and look only.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby

from markupsafe import Markup

__all__ = ["MOST_BEADS", "RingSlot", "ring_picture"]

MOST_BEADS = 24
_CENTRE, _RADIUS = 90.0, 62.0
_THICK = 16.0


@dataclass(frozen=True, slots=True)
class RingSlot:
    """One slot: `css` how it looks, `mark` the shape drawn in its bead ("": its number)."""

    css: str
    mark: str = ""


def ring_picture(slots: Sequence[RingSlot], label: str, centre: Sequence[str],
                 newest: int | None = None, following: int | None = None) -> Markup:
    """Return the SVG of a ring, slot 0 on top, then clockwise.

    `label` tells all of it in words, `centre` has up to two lines for the middle. The shapes
    `newest` and `following` point at the newest slot and at the one that is written next.
    """
    parts = [Markup('<svg class="ring" viewBox="0 0 180 180" role="img" aria-label="{}">'
                    '<circle class="thread" cx="90" cy="90" r="62"/>').format(label)]
    draw = _beads if len(slots) <= MOST_BEADS else _arcs
    parts += draw(slots)
    for slot, shape in ((newest, "newest"), (following, "following")):
        if slot is not None:
            parts.append(_pointer(slot, len(slots), shape))
    for line, text in enumerate(centre):
        y = _CENTRE + (6 if len(centre) == 1 else 2 + 18 * line)
        parts.append(Markup('<text class="{}" x="90" y="{:.0f}">{}</text>').format(
            "middle" if line == 0 else "under", y, text))
    return Markup("").join([*parts, Markup("</svg>")])


def _beads(slots: Sequence[RingSlot]) -> Iterator[Markup]:
    size = min(14.0, 0.42 * 2 * math.pi * _RADIUS / len(slots))
    for number, slot in enumerate(slots):
        x, y = _place(number, len(slots), _RADIUS)
        yield Markup('<circle class="bead {}" cx="{:.1f}" cy="{:.1f}" r="{:.1f}"/>').format(
            slot.css, x, y, size)
        if slot.mark:
            side = 1.3 * size
            yield Markup('<use class="{}" href="#{}" x="{:.1f}" y="{:.1f}" width="{:.1f}" '
                         'height="{:.1f}"/>').format(f"mark {slot.css}", f"shape-{slot.mark}",
                                                     x - side / 2, y - side / 2, side, side)
        elif size >= 8:
            yield Markup('<text class="number {}" x="{:.1f}" y="{:.1f}">{}</text>').format(
                slot.css, x, y + 4, number)


def _arcs(slots: Sequence[RingSlot]) -> Iterator[Markup]:
    first = 0
    for css, run in groupby(slots, lambda s: s.css):
        past = first + len(list(run))
        yield Markup('<path class="arc {}" d="{}"/>').format(css, _arc(first, past, len(slots)))
        first = past
    step = max(10, 10 ** math.ceil(math.log10(len(slots) / 12)))
    for number in range(0, len(slots), step):
        x, y = _place(number - 0.5, len(slots), _RADIUS - _THICK)
        yield Markup('<text class="tick" x="{:.1f}" y="{:.1f}">{}</text>').format(x, y + 3, number)


def _arc(first: int, past: int, count: int) -> str:
    """Return the path of slots `first` to before `past`, a hair short of its neighbours."""
    gap = min(0.08, 1.0 / count) if past - first < count else 0.002
    from_, to = first - 0.5 + gap, past - 0.5 - gap
    inner, outer = _RADIUS - _THICK / 2, _RADIUS + _THICK / 2
    wide = int((to - from_) / count > 0.5)
    corners = [_place(at, count, r) for at, r in (
        (from_, outer), (to, outer), (to, inner), (from_, inner))]
    a, b, c, d = (f"{x:.2f} {y:.2f}" for x, y in corners)
    return (f"M{a}A{outer} {outer} 0 {wide} 1 {b}L{c}A{inner} {inner} 0 {wide} 0 {d}Z")


def _pointer(slot: int, count: int, shape: str) -> Markup:
    """Return a shape whose tip is outside a slot and points at it."""
    return Markup('<use class="mark" href="#shape-{}" x="{}" y="{}" width="12" height="12" '
                  'transform="rotate({:.2f} 90 90)"/>').format(
        shape, _CENTRE - 6, _CENTRE - _RADIUS - 27, 360 * slot / count)


def _place(number: float, count: int, radius: float) -> tuple[float, float]:
    angle = 2 * math.pi * number / count
    return _CENTRE + radius * math.sin(angle), _CENTRE - radius * math.cos(angle)
