"""What a cut leaves of a page, as a small picture for each kind.

Sixteen bytes of a page: twelve that were being written, and behind them four that were not. How a
byte looks says where it is from: pale for old, full for new, hollow for FF, a dot for 00.
"""

from __future__ import annotations

from collections.abc import Iterator

from markupsafe import Markup

__all__ = ["tear_picture"]

_WRITTEN, _REST = 12, 4
_STEP = 11
_SHAPES = {
    "old": '<rect class="old" x="{x}" y="{y}" width="9" height="{h}"/>',
    "new": '<rect class="new" x="{x}" y="{y}" width="9" height="{h}"/>',
    "FF": '<rect class="line dashed" x="{x}" y="{y}" width="9" height="{h}"/>',
    "00": '<rect class="line" x="{x}" y="{y}" width="9" height="{h}"/>'
          '<circle class="new" cx="{mx}" cy="{my}" r="1.6"/>',
    "and": '<rect class="old" x="{x}" y="{y}" width="9" height="{h}"/>'
           '<path class="new" d="M{x} {by}l4.5 -{h}l4.5 {h}z"/>',
    "or": '<rect class="old" x="{x}" y="{y}" width="9" height="{h}"/>'
          '<path class="new" d="M{x} {y}l4.5 {h}l4.5 -{h}z"/>',
    "mix0": '<rect class="old" x="{x}" y="{y}" width="9" height="{h}"/>'
            '<path class="new" d="M{x} {y}h2v{h}h-2zm4 0h1v{h}h-1zm3 0h1v{h}h-1z"/>',
    "mix1": '<rect class="old" x="{x}" y="{y}" width="9" height="{h}"/>'
            '<path class="new" d="M{x} {y}m1 0h1v{h}h-1zm3 0h2v{h}h-2zm4 0h1v{h}h-1z"/>',
    "noise0": '<rect class="line" x="{x}" y="{y}" width="9" height="{h}"/>'
              '<path class="new" d="M{x} {y}m1 1h3v3h-3zm4 4h3v3h-3z"/>',
    "noise1": '<rect class="line" x="{x}" y="{y}" width="9" height="{h}"/>'
              '<path class="new" d="M{x} {y}m5 1h3v2h-3zm-4 3h2v4h-2zm4 1h3v2h-3z"/>',
}
_FIRST, _LAST = 5, 7

_WRITES: dict[str, list[str]] = {
    "old": ["old"] * _WRITTEN,
    "new": ["new"] * _WRITTEN,
    "prefix": ["new"] * _FIRST + ["old"] * _LAST,
    "suffix": ["old"] * _LAST + ["new"] * _FIRST,
    "erased": ["FF"] * _WRITTEN,
    "zeros": ["00"] * _WRITTEN,
    "erased prefix": ["new"] * _FIRST + ["FF"] * _LAST,
    "and": ["and"] * _WRITTEN,
    "or": ["or"] * _WRITTEN,
    "mix": ["mix0", "mix1"] * (_WRITTEN // 2),
    "noise": ["noise0", "noise1"] * (_WRITTEN // 2),
    "rest of page": ["new"] * _FIRST + ["old"] * _LAST,
}


def tear_picture(kind: str) -> Markup:
    """Return what is left by a tear of that kind; nothing for a history that no cut ends."""
    if kind not in _WRITES:
        return Markup()
    rest = ["noise0", "noise1"] * (_REST // 2) if kind == "rest of page" else ["old"] * _REST
    return Markup('<svg class="tear" viewBox="0 0 184 16" aria-hidden="true">{}</svg>').format(
        Markup("").join(_bytes([*_WRITES[kind], *rest])))


def _bytes(looks: list[str]) -> Iterator[Markup]:
    for at, look in enumerate(looks):
        height, x = (14, at * _STEP + 1) if at < _WRITTEN else (9, at * _STEP + 7)
        y = 15 - height
        yield Markup(_SHAPES[look]).format(x=x, y=y, h=height, mx=x + 4.5, my=y + height / 2,
                                           by=y + height)
