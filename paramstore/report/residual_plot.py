"""The errors of a calibration as a picture: one SVG file, with nothing to load beside it.

A panel for each calibration, its units together. A ring is the error with the fitted values, a dot
with the stored ones; a cross marks an outlier. Same outcome, same bytes. Colours follow the light
or dark theme of whoever looks.
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

__all__ = ["residual_svg"]

WIDTH, PANEL = 760, 300
LEFT, RIGHT, TOP, BOTTOM = 92, 24, 52, 56
"""Pixels: the picture, the height of a panel, and the room around its axes."""
LOGARITHMIC = 50
"""Readings that differ by more than this factor have a logarithmic axis."""
_LOOK = """
.grid {{ stroke: {line}; }} .zero {{ stroke: {soft}; }} .bar {{ stroke: {mark}; }}
.fit {{ fill: none; stroke: {mark}; stroke-width: 1.5; }} .stored {{ fill: {mark}; }}
.cross {{ stroke: {bad}; stroke-width: 2; }}
"""


def residual_svg(outcome: Outcome) -> str:
    """Return the picture as the text of an SVG file."""
    panels: dict[str, list[Result]] = {}
    for result in outcome.results:
        panels.setdefault(result.calibration.name, []).append(result)
    height = PANEL * len(panels)
    root = picture(WIDTH, height, "Errors of calibration: " + ", ".join(panels),
                   " ".join(_spoken(n, r) for n, r in panels.items()), _LOOK)
    for index, (name, results) in enumerate(panels.items()):
        group = ElementTree.SubElement(root, "g", {"transform": f"translate(0 {PANEL * index})"})
        _panel(group, name, results)
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
    worst = max(max(abs(p.error), abs(p.stored_error)) + (p.reference_uncertainty or 0.0)
                for p in points)
    worst = worst * 1.15 or 1.0
    return (_Axis(low, high, LEFT, WIDTH - RIGHT, logarithmic),
            _Axis(-worst, worst, PANEL - BOTTOM, TOP))


def _panel(group: ElementTree.Element, name: str, results: Sequence[Result]) -> None:
    calibration = results[0].calibration
    x, y = _axes(results)
    units = plural(len(results), "unit") if len(results) > 1 else results[0].serial
    label(group, LEFT, 22, f"{name}: {units}" if units else name, "head")
    label(group, LEFT, 40, "ring: error as fitted, dot: as stored, cross: outlier", "soft")
    for value in x.ticks():
        rule(group, x.at(value), y.start, x.at(value), y.end, "grid")
        label(group, x.at(value), y.start + 18, f"{value:.6g}", "soft", "middle")
    for value in y.ticks():
        rule(group, x.start, y.at(value), x.end, y.at(value), "zero" if value == 0 else "grid")
        label(group, x.start - 8, y.at(value) + 4, f"{value:.3g}", "soft", "end")
    label(group, (x.start + x.end) / 2, PANEL - 14, _named("reading", calibration.reading_unit),
           "", "middle")
    middle = (y.start + y.end) / 2
    title = label(group, 20, middle, _named("error", calibration.reference_unit), "", "middle")
    title.set("transform", f"rotate(-90 20 {number(middle)})")
    for result in results:
        for point in result.points:
            _mark(group, result, point, x, y)


def _mark(group: ElementTree.Element, result: Result, point: Point, x: _Axis, y: _Axis) -> None:
    mark = ElementTree.SubElement(group, "g")
    text_element(mark, "title", _point_text(result, point))
    at = x.at(point.reading)
    if point.reference_uncertainty is not None:
        rule(mark, at, y.at(point.error - point.reference_uncertainty),
              at, y.at(point.error + point.reference_uncertainty), "bar")
    for error, radius, look in ((point.error, "5", "fit"), (point.stored_error, "2.5", "stored")):
        ElementTree.SubElement(mark, "circle", {
            "class": look, "cx": number(at), "cy": number(y.at(error)), "r": radius})
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


def _named(what: str, unit: str) -> str:
    return what if unit in ("", "1") else f"{what} [{unit}]"
