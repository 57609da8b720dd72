"""Shapes that say what a slot is, for whoever cannot tell colours apart.

Each is drawn in a square of 12 units; a page defines them once and uses them everywhere.
"""

from __future__ import annotations

from markupsafe import Markup

__all__ = ["SHAPES", "shape_definitions"]

SHAPES = {
    "current": '<path d="M6 .8 11.2 6 6 11.2.8 6z"/>',
    "older": '<circle cx="6" cy="6" r="2.4"/>',
    "erased": '<circle class="line" cx="6" cy="6" r="3.6"/>',
    "torn": '<path d="M.5 1h5L4.2 4.6 6 7l-1.8 4H.5z"/>'
            '<path class="line" d="M7.8 1.8h3.4v8.4H6.9L8.6 7 6.7 4.6z"/>',
    "flipped": '<path d="M6 .8 11.2 6 6 11.2.8 6zm0 3.4L4.2 6 6 7.8 7.8 6z"/>',
    "worn": '<path class="line" d="M6 1.8a4.2 4.2 0 1 1-3 1.3M6 4.2v2.4"/>',
    "misplaced": '<path class="line" d="M1 6h8M6 2.5 9.8 6 6 9.5"/>',
    "foreign": '<path class="line" d="M2 2h8v8H2zM2 10 10 2"/>',
    "damaged": '<path class="line" d="M2 2l8 8M10 2l-8 8"/>',
    "newest": '<path d="M6 11 1 1h10z"/>',
    "following": '<path class="line" d="M6 9.6 2.2 1.8h7.6z"/>',
    "missing": '<path class="line" d="M1 6h2.4M4.8 6h2.4M8.6 6H11"/>',
}
"""By name: SVG inside the square. Class `line`: drawn with a line, not filled."""


def shape_definitions() -> Markup:
    """Return the definitions, to stand once on a page: `<use href="#shape-NAME">` draws one."""
    return Markup("").join(
        Markup('<symbol id="shape-{}" viewBox="0 0 12 12">{}</symbol>').format(name, Markup(drawn))
        for name, drawn in SHAPES.items())
