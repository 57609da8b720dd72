"""Small charts: a length on a scale of decades, a course of time, the fall of a supply.

SVG without numbers of its own meaning: each stands beside a table that says the same.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from markupsafe import Markup

__all__ = ["decade_scale", "decades", "supply_fall", "time_course", "time_scale", "used_up"]

_HEIGHTS = {"transfer": (2, 20), "cycle": (20, 2), "readback": (11, 11), "kept": (6, 16)}
"""Top and height of a stretch of a course by its look."""


def decades(value: float, wanted: float, low: float, high: float) -> Markup:
    """Return a bar up to `value` between `low` and `high`, both powers of ten, and a line at
    `wanted`; an arrow where the value is beyond."""
    end = _on_decades(value, low, high)
    good = "" if value >= wanted else " short"
    parts = [Markup('<svg class="decades{}" aria-hidden="true">').format(good)]
    parts += (_upright("grid", _on_decades(mark, low, high), 2, 20) for mark in _marks(low, high))
    parts.append(Markup('<line class="reach" x1="0" y1="11" x2="{:.2f}%" y2="11"/>').format(end))
    if value > high:
        parts.append(Markup('<svg class="tip" x="{:.2f}%"><path d="M-6 5l10 6-10 6z"/></svg>')
                     .format(end))
    else:
        parts.append(Markup('<circle class="tip" cx="{:.2f}%" cy="11" r="5"/>').format(end))
    parts.append(_upright("wanted", _on_decades(wanted, low, high), 1, 21))
    return Markup("").join([*parts, Markup("</svg>")])


def decade_scale(low: float, high: float) -> Markup:
    """Return the scale above bars of `decades`."""
    parts = [Markup('<svg class="scale" aria-hidden="true">')]
    for mark in _marks(low, high):
        parts.append(Markup('<text x="{:.2f}%" y="12" text-anchor="{}">{:g}</text>').format(
            _on_decades(mark, low, high), "start" if mark == low else "middle", mark))
    return Markup("").join([*parts, Markup("</svg>")])


def _on_decades(number: float, low: float, high: float) -> float:
    """Return the place of a number in percent; 5 are left for an arrow."""
    share = math.log10(max(number, low) / low) / math.log10(high / low)
    return 95 * min(1.0, share)


def _marks(low: float, high: float) -> list[float]:
    return [10.0**power for power in range(round(math.log10(low)), round(math.log10(high)) + 1)]


def _upright(look: str, at: float, top: float, bottom: float) -> Markup:
    return Markup('<line class="{0}" x1="{1:.2f}%" y1="{2}" x2="{1:.2f}%" y2="{3}"/>').format(
        look, at, top, bottom)


def time_course(phases: Sequence[tuple[str, float]], longest: float) -> Markup:
    """Return stretches (look, ms) one after another as a trace; `longest` ms are the whole width.

    Work on the bus stands high, reading half as high, waiting lies low.
    """
    parts, at = [Markup('<svg class="course" aria-hidden="true">')], 0.0
    for look, ms in phases:
        width = 100 * ms / longest
        y, height = _HEIGHTS[look]
        parts.append(Markup('<rect class="{}" x="{:.2f}%" y="{}" width="{:.2f}%" height="{}"/>')
                     .format(look, at, y, width, height))
        at += width
    return Markup("").join([*parts, Markup("</svg>")])


def time_scale(longest: float) -> Markup:
    """Return the scale below courses of up to `longest` ms."""
    rough = longest / 5
    step = next(s for s in _steps(rough) if s >= rough)
    parts = [Markup('<svg class="scale" aria-hidden="true">'
                    '<line x1="0" y1="3" x2="100%" y2="3"/>')]
    for i in range(math.floor(longest / step + 1e-9) + 1):
        at = 100 * step * i / longest
        anchor = "start" if i == 0 else "end" if at > 90 else "middle"
        parts.append(Markup('<line x1="{0:.2f}%" y1="0" x2="{0:.2f}%" y2="7"/>'
                            '<text x="{0:.2f}%" y="19" text-anchor="{1}">{2:g}{3}</text>').format(
            at, anchor, step * i, "" if i else " ms"))
    return Markup("").join([*parts, Markup("</svg>")])


def _steps(rough: float) -> Iterator[float]:
    decade = 10.0 ** math.floor(math.log10(rough))
    yield from (decade * s for s in (1, 2, 5, 10))


def used_up(share: float, near: float = 0.8) -> Markup:
    """Return a bar of how much is used, 0 to 1; from `near` on it looks like a warning."""
    return Markup('<svg class="used" viewBox="0 0 204 12" aria-hidden="true">'
                  '<rect class="frame" x="1" y="1" width="202" height="10"/>'
                  '<rect class="{}" x="2" y="2" width="{:.1f}" height="8"/></svg>').format(
        "fill near" if share >= near else "fill", 200 * min(1.0, share))


def supply_fall(from_v: float, to_v: float, transfer_ms: float, total_ms: float) -> Markup:
    """Return the supply over time: down from `from_v` to `to_v` while a page write comes to its
    end, first its transfer, then the write cycle, if the part has one."""
    left, right, top, bottom = 54.0, 400.0, 26.0, 118.0
    split = left + (right - left) * transfer_ms / total_ms
    cycle = total_ms > transfer_ms
    label = (f"From the failing of the supply at {from_v:g} V to the end of a page write: "
             f"{transfer_ms:.2f} ms of transfer{', then the write cycle' * cycle}; after "
             f"{total_ms:.2f} ms {to_v:g} V are left, the least the part works at.")
    return Markup(
        '<svg class="fall" viewBox="0 0 470 158" role="img" aria-label="{label}">'
        '<path class="area1" d="M{left} {top}L{split:.1f} {mid:.1f}V{low}H{left}z"/>'
        '<path class="area2" d="M{split:.1f} {mid:.1f}L{right} {bottom}V{low}H{split:.1f}z"/>'
        '<path class="axis" d="M{left} {low}H{right}"/>'
        '<path class="least" d="M{left} {bottom}H{end}"/>'
        '<path class="volts" d="M24 {top}H{left}L{right} {bottom}l44 12"/>'
        '<text x="0" y="16">{from_v} V, the supply fails</text>'
        '<text x="{end}" y="{above}" text-anchor="end">{to_v} V</text>'
        '<text x="{left}" y="154">0</text>'
        '<text x="{right}" y="154" text-anchor="middle">{total} ms</text>'
        '<text x="{inside:.1f}" y="134">{cycle}</text></svg>'
    ).format(label=label, left=left, right=right, top=top, bottom=bottom, low=bottom + 22,
             split=split, mid=top + (bottom - top) * transfer_ms / total_ms, end=450,
             above=bottom - 5, from_v=f"{from_v:g}", to_v=f"{to_v:g}", total=f"{total_ms:.2f}",
             inside=split + 8, cycle="write cycle" if cycle else "")
