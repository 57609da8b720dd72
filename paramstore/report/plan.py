"""A plan for people: the page map, tables of groups and fields, and what the store costs.

Every figure is computed in `layout.figures`; this module only words it. `report.plan_data` has
the same for programs.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator

from paramstore.core.format import HEADER_BYTES
from paramstore.core.text import one_line
from paramstore.core.words import plural
from paramstore.layout.demand import growth_of
from paramstore.layout.figures import PlanFigures, RingFigures, figures
from paramstore.layout.layout_id import plain_decimal
from paramstore.layout.physics import CONTROLLER_MA, DERATING, bits_ms
from paramstore.layout.plan import PlacedField, Plan, Reserved
from paramstore.report.page_map import RingStyle, letter, map_lines, no_ring_style
from paramstore.report.tables import Column, display_width, table
from paramstore.report.wording import LONG_LIFE_YEARS
from paramstore.schema.model import Field, Kind
from paramstore.schema.part import WriteProtect

__all__ = ["address_text", "field_lines", "fitting_text", "number_text", "plan_text", "scale_text",
           "summary_facts", "type_text"]

LINE = 96
"""Columns of running text."""


def plan_text(plan: Plan, *, page_map: bool = True, fields: bool = False,
              style: RingStyle = no_ring_style) -> str:
    """Return the whole report, lines ended by \\n. `fields` adds the table of all fields."""
    numbers = figures(plan)
    blocks = [list(_title(plan))]
    if page_map:
        blocks.append(["Page map: one character is a page, `-` goes on with the slot before it",
                       *map_lines(plan, style), *_legend(plan, style)])
    blocks.append(["Groups: where they lie", *_places(plan)])
    blocks.append([f"Groups: wear at {plan.schema.temperature_c:g} degC, "
                   f"time at {plan.schema.bus_khz} kHz", *_costs(numbers, plan.schema.bus_khz)])
    blocks.append(_growth(plan))
    if fields:
        blocks.append(["Fields: addresses are those of slot 0", *field_lines(plan)])
    blocks.append(list(_summary(plan, numbers)))
    return "\n\n".join("\n".join(block) for block in blocks) + "\n"


def field_lines(plan: Plan) -> list[str]:
    """Return a table of every field with its place in the record and its address in slot 0."""
    columns = [Column("address"), Column("field", right=False), Column("type", right=False),
               Column("size", "bytes"), Column("in body", "byte"), Column("scale", right=False),
               Column("unit", right=False)]
    rows = []
    for ring in plan.rings:
        for s in ring.stretches:
            address = address_text(plan, ring.address(0) + HEADER_BYTES + s.offset)
            if isinstance(s, Reserved):
                rows.append((address, f"{ring.group.name}: kept for `{s.name}`", "retired",
                             str(s.size), str(s.offset), "", ""))
            else:
                rows.append((address, f"{ring.group.name}.{s.field.name}", type_text(s),
                             str(s.field.size), str(s.offset), scale_text(s.field), s.field.unit))
    return table(columns, rows, indent=2)


def type_text(placed: PlacedField) -> str:
    """Return how a field is stored: `u16`, `f32[4]`, `u8 enum`, `text`."""
    field = placed.field
    if field.kind in (Kind.TEXT, Kind.BYTES):
        return field.kind.value
    name = field.scalar.name
    if field.kind not in (Kind.INTEGER, Kind.FLOAT, Kind.CURVE):
        name += f" {field.kind.value}"
    return name + (f"[{field.count}]" if field.array or field.count > 1 else "")


def scale_text(field: Field) -> str:
    """Return what a raw value is times and plus, such as `0.01` or `0.01 -40`; "" if neither."""
    if not field.scaled:
        return ""
    zero = f" {'+' * (field.offset > 0)}{plain_decimal(field.offset)}" if field.offset else ""
    return plain_decimal(field.scale) + zero


def address_text(plan: Plan, address: int) -> str:
    """Return an address in as many digits as the last one of the part has, at least four."""
    return f"0x{address:0{max(4, len(f'{plan.part.capacity - 1:X}'))}X}"


def _title(plan: Plan) -> Iterator[str]:
    schema, part = plan.schema, plan.part
    yield (f"{schema.name} on the {part.name}: {part.capacity} bytes in {part.pages} pages of "
           f"{part.page}, {schema.bus_khz} kHz, {schema.supply_v:g} V, "
           f"{schema.temperature_c:g} degC, {schema.life_years:g} years")
    if schema.doc:
        yield one_line(schema.doc)


def _legend(plan: Plan, style: RingStyle) -> Iterator[str]:
    line = "  = label  . free" + "  ~ retired" * bool(plan.retired)
    width = len(line)
    for index, ring in enumerate(plan.rings):
        size = 4 + display_width(ring.group.name)
        if width + size > LINE:
            yield line
            line, width = "", 0
        line += f"  {style(letter(index), index)} {ring.group.name}"
        width += size
    yield line


def _places(plan: Plan) -> list[str]:
    columns = [Column("map"), Column("group", right=False), Column("role", right=False),
               Column("payload", "bytes"), Column("room", "bytes"), Column("record", "bytes"),
               Column("slot", "pages"), Column("slots"), Column("ring", "pages"),
               Column("from"), Column("to")]
    rows = [
        (letter(index), ring.group.name, ring.group.role.value, str(ring.payload_bytes),
         str(ring.body_bytes - ring.payload_bytes), str(ring.record_bytes), str(ring.slot_pages),
         str(ring.slots), str(ring.pages), address_text(plan, ring.address(0)),
         address_text(plan, ring.address(ring.slots) - 1))
        for index, ring in enumerate(plan.rings)
    ]
    return table(columns, rows, indent=2)


def _growth(plan: Plan) -> list[str]:
    """Return the heading and the table of what groups can take in; of a store that was released
    without what more would cost, for that is settled."""
    settled = bool(plan.release or plan.lineage)
    columns = [Column("group", right=False), Column("room", "bytes"),
               Column("takes in", right=False), Column("for more", "room ="),
               Column("costs", "pages"), Column("commit", "page writes")]
    if settled:
        del columns[3:]
    rows = []
    for ring in plan.rings:
        growth = growth_of(ring)
        rows.append((ring.group.name, str(growth.room), fitting_text(growth.room),
                     str(growth.next_room), f"+{growth.pages}", f"+{growth.page_writes}",
                     )[:len(columns)])
    what = "was fixed" if settled else "is fixed for good"
    return [f"Groups: room for later parameters, which {what} by the first release of a group",
            *table(columns, rows, indent=2)]


def fitting_text(room: int) -> str:
    """Return how many values of usual types go into so many bytes."""
    if not room:
        return "nothing"
    return " or ".join(f"{room // size} {name}" for name, size in _USUAL if room >= size)


_USUAL = (("f32", 4), ("u16", 2), ("u8", 1))


def _costs(numbers: PlanFigures, khz: int) -> list[str]:
    columns = [Column("group", right=False), Column("written", "per day"), Column("copies"),
               Column("life", "years"), Column("margin", "times"),
               Column("commit", "page writes"), Column("commit", "ms"), Column("mount", "ms"),
               Column("HD", "bits")]
    return table(columns, [_cost(r, khz) for r in numbers.rings], indent=2)


def _cost(figure: RingFigures, khz: int) -> tuple[str, ...]:
    group = figure.ring.group
    return (group.name, number_text(group.writes_per_day), str(group.copies),
            _life(figure.life_years), _life(figure.spare), str(figure.page_writes),
            f"{figure.commit_ms:.1f}", f"{bits_ms(figure.mount_bits, khz):.2f}",
            str(figure.strength.distance))


def number_text(value: float) -> str:
    """Return three significant digits of a positive number, never an exponent."""
    if value == 0 or value >= 100:
        return f"{value:,.0f}"
    text = f"{value:.{max(0, 2 - math.floor(math.log10(value)))}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _life(value: float) -> str:
    return f">{LONG_LIFE_YEARS}" if value > LONG_LIFE_YEARS else number_text(value)


def _summary(plan: Plan, numbers: PlanFigures) -> Iterator[str]:
    yield "Store"
    for name, text in summary_facts(plan, numbers):
        yield from textwrap.wrap(text, LINE, initial_indent=f"  {name:8} ",
                                 subsequent_indent=" " * 11)


def summary_facts(plan: Plan, numbers: PlanFigures) -> tuple[tuple[str, str], ...]:
    """Return what the whole store needs and is, as (name, sentence)."""
    return (
        ("space", _space(plan)),
        ("protect", _protection(plan)),
        ("mount", f"{numbers.mount_ms:.1f} ms of bus time; at most {numbers.worst_mount_ms:.1f} ms "
                  "whatever the part holds"),
        ("longest", _longest(numbers)),
        ("hold-up", _hold_up(numbers)),
        ("CRC-32C", _detection(numbers)),
        ("memory", f"{numbers.values_bytes + numbers.working_bytes} bytes of RAM on a 32-bit "
                   f"controller: {numbers.values_bytes} for the values, "
                   f"{numbers.working_bytes} beside them"),
        ("ids", f"store 0x{plan.store_id:08X}, layout 0x{plan.layout_id:08X}, "
                + (f"release {plan.release}" if plan.release else "not released")),
    )


def _longest(numbers: PlanFigures) -> str:
    """Return what a watchdog must allow for."""
    commit = max(numbers.rings, key=lambda r: r.longest_ms)
    calls = {"mount": numbers.longest_ms["mount"], f"commit ({commit.ring.group.name})":
             commit.longest_ms, **{c: numbers.longest_ms[c] for c in ("format", "wipe")}}
    times = ", ".join(f"{call} {ms / 1000:.2g} s" for call, ms in calls.items())
    return f"{times}, if the part answers at the last try each time: for a watchdog"


def _space(plan: Plan) -> str:
    label, rings = 2 * plan.label_pages, plan.ring_pages
    free = plan.part.pages - label - rings
    return (f"{label + rings} of {plural(plan.part.pages, 'page')} used "
            f"(label {label}, groups {rings}), {free} free")


def _protection(plan: Plan) -> str:
    part = plan.part
    if part.protected_from is not None:
        inside = [r for r in plan.rings if r.address(0) >= part.protected_from]
        names = ", ".join(r.group.name for r in inside) or "nothing"
        return (f"the pin covers {address_text(plan, part.protected_from)} to the end: {names}")
    if part.write_protect is WriteProtect.WHOLE:
        return "the pin covers the whole part, counters too: raise it only while nothing is written"
    return "the part has no write-protect pin"


def _hold_up(numbers: PlanFigures) -> str:
    need = numbers.hold_up
    if need.capacitance_uf is None:
        return (f"no capacitor can end a page write: the supply of {need.from_v:g} V has no room "
                f"above the part's {need.to_v:g} V")
    return (
        f"{number_text(need.capacitance_uf)} uF end a started page write: {need.time_ms:.2f} ms at "
        f"{need.current_ma:g} mA (part, and {CONTROLLER_MA:g} mA for the controller), from "
        f"{need.from_v:g} V down to {need.to_v:g} V, with {DERATING:.0%} of the capacitance left"
    )


def _detection(numbers: PlanFigures) -> str:
    weakest = min((r.strength for r in numbers.rings), key=lambda s: s.distance)
    return (f"every error of up to {weakest.distance - 1} bits in a record is found; of torn pages "
            f"one in {1 / weakest.pass_odds:,.0f} passes (a 16-bit CRC: up to "
            f"{weakest.distance_16 - 1} bits, one in {1 / weakest.pass_odds_16:,.0f})")
