"""The errors of a calibration as a picture: one SVG file, with nothing to load beside it.

A panel for each calibration, its units together, each with a shape of its own. An open mark is the
error with the fitted values, a filled one with the stored ones, a plus the error as found; a cross
marks an outlier, a bar is the expanded uncertainty of the fitted value. Same outcome, same bytes.
Colours follow the light or dark theme of whoever looks.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from xml.etree import ElementTree

from paramstore.calibrate.result import Outcome, Point, Result
from paramstore.core.words import plural
from paramstore.report.calibration import error_text
from paramstore.report.svg import label, number, picture, rule, svg_text, text_element

__all__ = ["residual_svg", "results_svg"]

WIDTH, PANEL = 760, 350
LEFT, RIGHT, TOP, BOTTOM = 92, 24, 102, 56
"""Pixels: the picture, the height of a panel, and the room around its axes."""
LOGARITHMIC = 50
"""Readings that differ by more than this factor have a logarithmic axis."""
SHAPES = (
    "M-5 0A5 5 0 1 1 5 0A5 5 0 1 1-5 0Z", "M-4.5-4.5H4.5V4.5H-4.5Z", "M0-5.5L5.2 4H-5.2Z",
    "M0-6L6 0L0 6L-6 0Z", "M0 5.5L5.2-4H-5.2Z",
)
"""Circle, square, triangle, diamond, triangle on its tip: a unit is known without its shade."""
SHADES = 3
NAMED = 6
"""Units that are named above a panel; the rest is counted."""
_LOOK = """
.grid {{ stroke: {line}; }} .zero {{ stroke: {soft}; }} .bar {{ stroke: {mark}; }}
.fit {{ fill: none; stroke: {mark}; stroke-width: 1.5; }} .stored {{ fill: {mark}; }}
.found {{ stroke: {ink}; stroke-width: 1.5; }} .cross {{ stroke: {bad}; stroke-width: 2; }}
.limit {{ stroke: {bad}; stroke-dasharray: 6 4; fill: none; }}
.shade1 {{ opacity: .72; }} .shade2 {{ opacity: .5; }}
"""


def residual_svg(outcome: Outcome) -> str:
    """Return the picture of all calibrations as the text of an SVG file."""
    return results_svg(outcome.results)


def results_svg(results: Sequence[Result], *, themes: bool = True) -> str:
    """Return the picture of some results: a panel for each calibration, its units together."""
    panels: dict[str, list[Result]] = {}
    for result in results:
        panels.setdefault(result.calibration.name, []).append(result)
    height = PANEL * len(panels)
    root = picture(WIDTH, height, "Errors of calibration: " + ", ".join(panels),
                   " ".join(_spoken(n, r) for n, r in panels.items()), _LOOK, themes)
    for index, (name, of) in enumerate(panels.items()):
        group = ElementTree.SubElement(root, "g", {"transform": f"translate(0 {PANEL * index})"})
        _panel(group, name, of)
    return svg_text(root)


@dataclass(frozen=True, slots=True)
class _Axis:
    """From numbers `low`..`high` to pixels `start`..`end`."""

    low: float
    high: float
    start: float
    end: float
    logarithmic: bool = False

    def at(self, value: float) -> float:
        low, high, here = self.low, self.high, value
        if self.logarithmic:
            low, high, here = math.log(low), math.log(high), math.log(here)
        return self.start + (here - low) / (high - low) * (self.end - self.start)

    def ticks(self) -> list[float]:
        if self.logarithmic:
            decades = range(math.floor(math.log10(self.low)), math.ceil(math.log10(self.high)) + 1)
            steps = (1, 2, 5) if len(decades) < 4 else (1, )
            every = [s * 10.0**d for d in decades for s in steps]
            return [t for t in every if self.low <= t <= self.high]
        step = _round_step((self.high - self.low) / 6)
        first = math.ceil(self.low / step - 1e-9)
        return [n * step for n in range(first, math.floor(self.high / step + 1e-9) + 1)]


def _round_step(rough: float) -> float:
    """Return 1, 2 or 5 times a power of ten, at least `rough`."""
    power: float = 10.0**math.floor(math.log10(rough))
    return next(s * power for s in (1, 2, 5, 10) if s * power >= rough * (1 - 1e-9))


def _axes(results: Sequence[Result]) -> tuple[_Axis, _Axis]:
    points = [p for r in results for p in r.points]
    low, high = min(p.reading for p in points), max(p.reading for p in points)
    logarithmic = low > 0 and high / low > LOGARITHMIC
    if logarithmic:
        low, high = low / 1.2, high * 1.2
    else:
        margin = (high - low) * 0.04 or abs(low) * 0.04 or 1.0
        low, high = low - margin, high + margin
    worst = max(_farthest(r) for r in results) * 1.15 or 1.0
    return (_Axis(low, high, LEFT, WIDTH - RIGHT, logarithmic),
            _Axis(-worst, worst, PANEL - BOTTOM, TOP))


def _farthest(result: Result) -> float:
    """Return how far from 0 the marks, bars and limits of a result lie."""
    found = [abs(e) for e in (result.found.errors if result.found else ()) if e is not None]
    accept = result.calibration.acceptance
    limits = [accept.tolerance(p.reference) for p in result.points] if accept else []
    # A limit far out would press everything else into one line: it is left out then.
    errors = [max(abs(p.error) + (p.expanded or 0.0), abs(p.stored_error)) for p in result.points]
    most = max(*errors, *found, 0.0)
    return max(most, min(max(limits, default=0.0), 3 * most))


def _panel(group: ElementTree.Element, name: str, results: Sequence[Result]) -> None:
    calibration = results[0].calibration
    x, y = _axes(results)
    label(group, LEFT, 20, f"{name}: {_named_units(results)}".removesuffix(": "), "head")
    for line, text in enumerate(_legend(results)):
        label(group, LEFT, 38 + 17 * line, text, "soft")
    if len(results) > 1:
        _unit_names(group, results)
    for value in x.ticks():
        rule(group, x.at(value), y.start, x.at(value), y.end, "grid")
        label(group, x.at(value), y.start + 18, f"{value:.6g}", "soft", "middle")
    for value in y.ticks():
        rule(group, x.start, y.at(value), x.end, y.at(value), "zero" if value == 0 else "grid")
        label(group, x.start - 8, y.at(value) + 4, f"{value:.3g}", "soft", "end")
    label(group, (x.start + x.end) / 2, PANEL - 14, _with_unit("reading", calibration.reading_unit),
           "", "middle")
    middle = (y.start + y.end) / 2
    title = label(group, 20, middle, _with_unit("error", calibration.reference_unit), "", "middle")
    title.set("transform", f"rotate(-90 20 {number(middle)})")
    _limits(group, results[0], x, y)
    for index, result in enumerate(results):
        found = result.found.errors if result.found else [None] * len(result.points)
        for point, old in zip(result.points, found, strict=True):
            _mark(group, index, result, point, old, x, y)


def _named_units(results: Sequence[Result]) -> str:
    if len(results) > 1:
        return plural(len(results), "unit")
    (result,) = results
    day = result.calibration.particulars.measured
    unit = "all units" if result.calibration.all_units else result.serial
    return ", ".join(filter(None, (unit, day.isoformat() if day else "")))


def _legend(results: Sequence[Result]) -> list[str]:
    """Return what the marks mean, as far as there are any, in one line or two."""
    points = [p for r in results for p in r.points]
    marks, lines = ["open mark: error as fitted", "filled: as stored"], []
    if any(r.found for r in results):
        marks.append("plus: as found")
    if any(p.outlier for p in points):
        marks.append("cross: outlier")
    if any(p.expanded for p in points):
        lines.append("bar: expanded uncertainty U of the fitted value, up and down")
    if results[0].calibration.acceptance:
        lines.append("dashes: tolerance")
    return [", ".join(marks), *([", ".join(lines)] if lines else [])]


def _unit_names(group: ElementTree.Element, results: Sequence[Result]) -> None:
    """Draw the mark of each unit beside its serial number and date, three on a line."""
    for index, result in enumerate(results[:NAMED]):
        left, base = LEFT + 222 * (index % 3), 73 + 17 * (index // 3)
        _shape(group, index, left + 5, base - 4, "fit")
        day = result.calibration.particulars.measured
        last = index == NAMED - 1 and len(results) > NAMED
        text = f"and {len(results) - index} more" if last else " ".join(
            filter(None, (result.serial[:16], day.isoformat() if day else "")))
        label(group, left + 16, base, text, "soft")


def _limits(group: ElementTree.Element, result: Result, x: _Axis, y: _Axis) -> None:
    """Draw the tolerance on both sides, from point to point, where it is not far out."""
    accept = result.calibration.acceptance
    if accept is None:
        return
    points = sorted(result.points, key=lambda p: p.reading)
    for sign in (1, -1):
        at = [(x.at(p.reading), y.at(sign * accept.tolerance(p.reference))) for p in points
              if accept.tolerance(p.reference) <= y.high]
        if at:
            ends = [(x.start, at[0][1]), *at, (x.end, at[-1][1])]
            ElementTree.SubElement(group, "polyline", {
                "class": "limit", "points": " ".join(f"{number(a)},{number(b)}" for a, b in ends)})


def _shape(parent: ElementTree.Element, index: int, x: float, y: float, look: str) -> None:
    size = " scale(.55)" if look == "stored" else ""
    ElementTree.SubElement(parent, "path", {
        "class": f"{look} shade{index // len(SHAPES) % SHADES}" if look != "found" else look,
        "transform": f"translate({number(x)} {number(y)}){size}",
        "d": "M-5 0H5M0-5V5" if look == "found" else SHAPES[index % len(SHAPES)]})


def _mark(group: ElementTree.Element, index: int, result: Result, point: Point,
          found: float | None, x: _Axis, y: _Axis) -> None:
    mark = ElementTree.SubElement(group, "g")
    text_element(mark, "title", _point_text(result, point))
    at = x.at(point.reading)
    if point.expanded:
        rule(mark, at, y.at(point.error - point.expanded),
             at, y.at(point.error + point.expanded), "bar")
    _shape(mark, index, at, y.at(point.error), "fit")
    _shape(mark, index, at, y.at(point.stored_error), "stored")
    if found is not None:
        _shape(mark, index, at, y.at(found), "found")
    if point.outlier:
        level = y.at(point.error)
        rule(mark, at - 8, level - 8, at + 8, level + 8, "cross")
        rule(mark, at - 8, level + 8, at + 8, level - 8, "cross")


def _point_text(result: Result, point: Point) -> str:
    unit = result.calibration
    return (f"{result.serial} line {point.line}: reading {point.reading:.10g} {unit.reading_unit}, "
            f"error {error_text(point.error, point.error)} {unit.reference_unit}, stored "
            f"{error_text(point.stored_error, point.stored_error)} {unit.reference_unit}").strip()


def _spoken(name: str, results: Sequence[Result]) -> str:
    points = sum(len(r.points) for r in results)
    outliers = sum(p.outlier for r in results for p in r.points)
    worst = max((r.worst_stored.stored_error for r in results), key=abs)
    unit = results[0].calibration.reference_unit
    return (f"{name}: {plural(points, 'point')} of {plural(len(results), 'unit')}, worst error as "
            f"stored {error_text(worst, worst)} {unit}, {plural(outliers, 'outlier')}.")


def _with_unit(what: str, unit: str) -> str:
    return what if unit in ("", "1") else f"{what} [{unit}]"
