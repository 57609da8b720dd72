"""A plan and a dump as pictures: every page of the part, what it is, and what became of it.

One SVG file each, with nothing to load beside it. Page maps have a square for each page; a letter
begins a slot, as in the text report. Same input, same bytes.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from textwrap import wrap

from paramstore.core.words import plural
from paramstore.inspect.regions import Region, RegionKind
from paramstore.inspect.slots import SlotKind, SlotVerdict
from paramstore.inspect.store import StoreExamination
from paramstore.inspect.store_places import StorePlaces
from paramstore.layout.figures import PlanFigures, figures
from paramstore.layout.plan import Plan
from paramstore.report.page_map import PageCell, cells, letter
from paramstore.report.pages.states import state_of
from paramstore.report.svg import Element, box, label, picture, rule, svg_text

__all__ = ["dump_svg", "plan_svg"]

WIDTH, LEFT, RIGHT, TOP, LINE = 760, 76, 24, 62, 20
"""Pixels: the picture, the room beside and above what is drawn, a line of text."""
HUES = ("#2f6fae", "#8a6d1d", "#2c7a55", "#8b4a97", "#a3563a", "#54707f")
"""Colours of groups, readable under white letters; neighbours differ."""
_LOOK = """
.free {{ fill: none; stroke: {line}; }} .label {{ fill: {soft}; }}
.retired {{ fill: {line}; stroke: {soft}; stroke-dasharray: 2 2; }}
.bad {{ fill: {paper}; stroke: {bad}; stroke-width: 2.5; }} .wrong {{ fill: {bad}; }}
.bound {{ stroke: {soft}; stroke-dasharray: 4 3; }} .old {{ opacity: .45; }}
.in {{ fill: #ffffff; font-size: 11px; }}
""" + "".join(f".hue{n} {{{{ fill: {colour}; }}}} .edge{n} {{{{ fill: none; stroke: {colour}; }}}}"
              for n, colour in enumerate(HUES))

Look = Callable[[Region], tuple[str, str]]
"""Gives the class of a page of a slot, and that of the letter in it."""


def plan_svg(plan: Plan) -> str:
    """Return the page map of a plan, and beside how long each group lasts."""
    numbers = figures(plan)
    pages, high = _map_height(plan, None)
    key = TOP + high + 18
    bars = key + LINE * (len(plan.rings) // 3 + 2)
    height = math.ceil(bars + LINE * (len(plan.rings) + 3))
    part = plan.part
    root = picture(
        WIDTH, height, f"Page map and life of {plan.schema.name}",
        " ".join(f"{r.group.name}: {plural(r.slots, 'slot')} from 0x{r.first_page * part.page:04X}."
                 for r in plan.rings), _LOOK)
    label(root, LEFT, 26, f"{plan.schema.name} on the {part.name}", "head")
    label(root, LEFT, 46, f"{part.capacity:,} bytes in {part.pages} pages of {part.page}; a square "
                          "is a page, a letter begins a slot", "soft")
    _draw_map(root, plan, pages, lambda region: (f"hue{region.index % len(HUES)}", "in"))
    _key(root, plan, key)
    _life(root, plan, numbers, bars)
    return svg_text(root)


def dump_svg(found: StoreExamination) -> str:
    """Return the page map of a dump: what each slot holds, and the cause of what is wrong."""
    plan = found.plan
    bad = [(ring.group.name, verdict) for ring in plan.rings
           for verdict in found.slots.get(ring.group.name, ()) if not verdict.kind.sound]
    pages, high = _map_height(plan, found)
    key = TOP + high + 18
    told = key + LINE * (len(plan.rings) // 3 + 2)
    texts = [wrap(_slot_text(name, verdict), 92) for name, verdict in bad]
    height = math.ceil(told + LINE * max(1, sum(map(len, texts))))
    root = picture(
        WIDTH, height, f"What a dump of {plan.schema.name} holds",
        " ".join(f"{_slot_text(name, verdict)}." for name, verdict in bad) or "No slot is damaged.",
        _LOOK)
    label(root, LEFT, 26, f"{plan.schema.name} on the {plan.part.name}: a dump", "head")
    label(root, LEFT, 46, "full colour: newest record; pale: an older one; open: erased; "
                          "red frame: damaged", "soft")

    _draw_map(root, plan, pages, lambda region: _slot_look(region, region.verdict))
    _key(root, plan, key)
    if not bad:
        label(root, LEFT, told, "No slot is damaged.", "")
    y = told
    for lines in texts:
        box(root, LEFT, y - 11, 12, 12, "bad")
        for line in lines:
            label(root, LEFT + 22, y, line, "")
            y += LINE
    return svg_text(root)


def _slot_look(slot: Region, verdict: SlotVerdict | None) -> tuple[str, str]:
    hue = slot.index % len(HUES)
    if verdict is None or verdict.kind is SlotKind.ERASED:
        return f"edge{hue}", ""
    if not verdict.kind.sound:
        return "bad", "wrong"
    return (f"hue{hue}" if verdict.kind is SlotKind.CURRENT else f"hue{hue} old"), "in"


def _slot_text(name: str, verdict: SlotVerdict) -> str:
    reason = f": {verdict.reason}" if verdict.reason else ""
    return f"{name}, slot {verdict.slot.number}: {state_of(verdict)}{reason}"


# ---- Pieces of both -----------------------------------------------------------------------------


def _map_height(plan: Plan, found: StoreExamination | None,
                ) -> tuple[list[tuple[int, Sequence[PageCell]]], float]:
    """Return the rows of a page map, each with the number of its first page, and their height.

    Of three or more rows in a run in which no page is used, one is drawn for all: an empty row.
    """
    pages = cells(StorePlaces(plan, found))
    width = _row_width(plan)
    rows: list[tuple[int, Sequence[PageCell]]] = []
    for at in range(0, len(pages), width):
        row = pages[at:at + width]
        if len(rows) > 1 and _is_free(row) and len(row) == width and _is_free(rows[-1][1]):
            rows[-1] = (rows[-1][0], [])
        else:
            rows.append((at, row))
    return rows, len(rows) * _pitch(plan)


def _is_free(row: Sequence[PageCell]) -> bool:
    return all(cell.region.kind is RegionKind.FREE for cell in row)


def _row_width(plan: Plan) -> int:
    return 64 if plan.part.pages > 1024 else 32


def _side(plan: Plan) -> float:
    return (WIDTH - LEFT - RIGHT) / _row_width(plan) - 2


def _pitch(plan: Plan) -> float:
    """From row to row: there is room for an address."""
    return max(_side(plan) + 2, 14.0)


def _draw_map(root: Element, plan: Plan, rows: Iterable[tuple[int, Sequence[PageCell]]],
              look: Look) -> None:
    side = _side(plan)
    for line, (first, row) in enumerate(rows):
        y = TOP + line * _pitch(plan)
        label(root, LEFT - 10, y + side / 2 + 4,
              f"0x{first * plan.part.page:04X}" if row else "...", "soft", "end")
        if not row:
            label(root, LEFT, y + side / 2 + 4, "free, up to the end or the next row", "soft")
        for column, cell in enumerate(row):
            x = LEFT + column * (side + 2)
            css, ink, text, tip = _page(cell, look)
            box(root, x, y, side, side, css,
                f"0x{(first + column) * plan.part.page:04X}: {tip}")
            if text and side > 12:
                label(root, x + side / 2, y + side / 2 + 4, text, ink, "middle")


def _page(cell: PageCell, look: Look) -> tuple[str, str, str, str]:
    """Return class, class of the letter, letter and words of a page."""
    region = cell.region
    match region.kind:
        case RegionKind.LABEL:
            return "label", "in", "=" if cell.begins else "", "label"
        case RegionKind.RETIRED:
            return "retired", "soft", "~", "of a group that was taken out"
        case RegionKind.SLOT:
            css, ink = look(region)
            return css, ink, letter(region.index) if cell.begins and ink else "", region.title
    return "free", "", "", "free"


def _key(root: Element, plan: Plan, top: float) -> None:
    """Draw what the letters and colours mean, three to a line."""
    entries = [("label", "=", "label, two copies"),
               *((f"hue{i % len(HUES)}", letter(i), f"{r.group.name} ({r.group.role.value})")
                 for i, r in enumerate(plan.rings))]
    for index, (css, text, words) in enumerate(entries):
        x, y = LEFT + index % 3 * 220, top + index // 3 * LINE
        box(root, x, y - 13, 16, 16, css)
        label(root, x + 8, y, text, "in", "middle")
        label(root, x + 24, y, words, "")


def _life(root: Element, plan: Plan, numbers: PlanFigures, top: float) -> None:
    """Draw the years that each group lasts, on a scale by decades."""
    wanted = plan.schema.life_years
    last = max(2, *(math.ceil(math.log10(max(1.0, r.life_years)))
                    for r in numbers.rings if math.isfinite(r.life_years)), 0)
    start, end = LEFT + 150, WIDTH - RIGHT - 96

    def at(years: float) -> float:
        return start + (end - start) * min(1.0, math.log10(max(1.0, years)) / last)

    label(root, LEFT, top, "Life until the first page has seen its endurance, in years", "head")
    for decade in range(last + 1):
        rule(root, at(10**decade), top + 12, at(10**decade),
             top + 12 + LINE * len(numbers.rings), "free")
        if (last - decade) % (1 if last < 6 else 2) == 0:
            label(root, at(10**decade), top + 28 + LINE * len(numbers.rings), f"{10**decade:,}",
                  "soft", "middle")
    rule(root, at(wanted), top + 8, at(wanted), top + 16 + LINE * len(numbers.rings), "bound")
    label(root, at(wanted), top + 44 + LINE * len(numbers.rings), f"wanted: {wanted:g}", "",
          "middle")
    for index, ring in enumerate(numbers.rings):
        y = top + 16 + LINE * index
        label(root, start - 10, y + 11, ring.ring.group.name, "", "end")
        box(root, start, y, max(1.0, at(ring.life_years) - start), 13, f"hue{index % len(HUES)}")
        years = "never written" if math.isinf(ring.life_years) else f"{ring.life_years:,.3g}"
        if math.isfinite(ring.life_years) and ring.life_years >= 1000:
            years = f"{round(ring.life_years, 2 - int(math.log10(ring.life_years))):,.0f}"
        label(root, at(ring.life_years) + 6, y + 11, years, "soft")
