"""The page of a plan: where everything lies, how long it lasts, what it costs, what may be stored.

Every figure is from `layout.figures`; words that the text report has too are taken from there.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from markupsafe import Markup

from paramstore.core.format import HEADER_BYTES
from paramstore.core.words import plural
from paramstore.inspect.regions import Region, RegionKind, ThingKind
from paramstore.inspect.store_places import StorePlaces
from paramstore.layout.figures import PhaseKind, PlanFigures, RingFigures, commit_phases, figures
from paramstore.layout.physics import bits_ms, write_bits
from paramstore.layout.plan import Plan, Ring
from paramstore.report.page_map import letter
from paramstore.report.pages.byte_rows import looks_of
from paramstore.report.pages.charts import (
    decade_scale,
    decades,
    supply_fall,
    time_course,
    time_scale,
)
from paramstore.report.pages.frame import Facts, prose, render
from paramstore.report.pages.ring import RingSlot, ring_picture
from paramstore.report.pages.strips import Bead, hue, map_rows, strip
from paramstore.report.plan import (
    address_text,
    number_text,
    scale_text,
    summary_facts,
    type_text,
)
from paramstore.report.wording import allowed_text
from paramstore.schema.from_raw import format_value

__all__ = ["plan_page", "store_facts"]

_LEAST_YEARS, _MOST_YEARS = 1.0, 1000.0
_LOOKS = {PhaseKind.TRANSFER: "transfer", PhaseKind.CYCLE: "cycle",
          PhaseKind.READ_BACK: "readback", PhaseKind.KEPT: "kept"}


def plan_page(plan: Plan) -> str:
    """Return the plan as a whole HTML page."""
    numbers = figures(plan)
    schema = plan.schema
    longest = max(r.commit_ms for r in numbers.rings)
    return render(
        "plan", f"{schema.name}: plan of the parameter store",
        store=schema.name, doc=prose(schema.doc), facts=store_facts(plan),
        address=partial(address_text, plan), page=plan.part.page, pages=plan.part.pages,
        pages_address=lambda page: address_text(plan, page * plan.part.page),
        offset=lambda at: f"+{at}",
        label_end=2 * plan.label_pages * plan.part.page - 1, label_pages=plan.label_pages,
        label_bytes=plan.label_bytes, any_kept=any(r.reserved for r in plan.rings),
        rows=map_rows(StorePlaces(plan), lambda region: ("", "", _slot_words(plan, region))),
        retired=[r.group.name for r in plan.retired],
        groups=[_group(plan, i, r, longest) for i, r in enumerate(numbers.rings)],
        temperature=schema.temperature_c, khz=schema.bus_khz, wanted=schema.life_years,
        endurance=numbers.endurance, scale=time_scale(longest),
        years=decade_scale(_LEAST_YEARS, _MOST_YEARS),
        hold_up=_hold_up(plan, numbers), summary=list(summary_facts(plan, numbers)),
    )


def store_facts(plan: Plan) -> list[tuple[str, str]]:
    """Return what a page says of the part and its use, as (name, text)."""
    schema, part = plan.schema, plan.part
    return [
        ("Part", part.name),
        ("Memory", f"{part.capacity:,} bytes in {part.pages:,} pages of {part.page}"),
        ("On the bus", f"0x{schema.address:02X}, {schema.bus_khz} kHz"),
        ("Supply", f"{schema.supply_v:g} V"),
        ("Hottest", f"{schema.temperature_c:g} degC"),
        ("Life wanted", f"{schema.life_years:g} years"),
        ("Release", str(plan.release) if plan.release else "not released"),
        ("Layout", f"0x{plan.layout_id:08X}"),
    ]


def _slot_words(plan: Plan, region: Region) -> str:
    if region.kind is not RegionKind.SLOT:
        return ""
    ring = plan.rings[region.index]
    return (f": {plural(ring.slot_pages, 'page')} from {address_text(plan, region.first)}, "
            f"slot {region.number + 1} of {ring.slots}")


def _group(plan: Plan, index: int, figure: RingFigures, longest: float) -> Facts:
    ring, group = figure.ring, figure.ring.group
    phases = commit_phases(plan, ring)
    slot = StorePlaces(plan).region_at(ring.address(0))
    spent = {look: sum(p.ms for p in phases if _LOOKS[p.kind] == look) for look in _LOOKS.values()}
    return {
        "index": index, "letter": letter(index), "hue": hue(index), "name": group.name,
        "role": group.role.value, "doc": prose(group.doc), "id": group.id,
        "revision": ring.revision, "copies": group.copies, "slots": ring.slots,
        "slot_pages": ring.slot_pages, "pages": ring.pages, "payload": ring.payload_bytes,
        "room": ring.body_bytes - ring.payload_bytes, "record": ring.record_bytes,
        "first": address_text(plan, ring.address(0)),
        "last": address_text(plan, ring.address(ring.slots) - 1),
        "per_day": number_text(group.writes_per_day), "distance": figure.strength.distance,
        "life": _years(figure.life_years), "spare": _years(figure.spare),
        "life_bar": decades(figure.life_years, plan.schema.life_years, _LEAST_YEARS, _MOST_YEARS),
        "commits": figure.commits, "page_writes": figure.page_writes,
        "commit_ms": f"{figure.commit_ms:.1f}",
        "spent": {look: f"{ms:.1f}" for look, ms in spent.items()},
        "reading": f"{spent['readback'] + spent['kept']:.1f}",
        "course": time_course([(_LOOKS[p.kind], p.ms) for p in phases], longest),
        "mount_ms": f"{bits_ms(figure.mount_bits, plan.schema.bus_khz):.2f}",
        "ring": ring_picture(
            [RingSlot(hue(index))] * ring.slots,
            f"Ring of {group.name}: {plural(ring.slots, 'slot')} of "
            f"{plural(ring.slot_pages, 'page')}, written in turn", (letter(index),)),
        "strip": strip(list(_beads(slot)), ring.slot_pages * ring.page_bytes,
                       ring.page_bytes),
        "fields": list(_rows(plan, ring, slot)),
        "docs": any(p.doc for p in group.parameters),
        "below": [(p.name, p.below) for p in group.parameters if p.below],
    }


_SHORT = {"sequence number": "seq", "revision": "r", "CRC of the record": "CRC"}


def _beads(slot: Region) -> Iterator[Bead]:
    """Yield what is in a slot as beads of bytes; fields have numbers."""
    number = 0
    for run, look in zip(slot.runs, looks_of(slot.runs), strict=True):
        (thing,), offset, size = run.things, run.first - slot.first, run.end - run.first
        number += thing.field is not None
        short = str(number) if thing.field else _SHORT.get(thing.title, "")
        text = "reserved" if thing.kind is ThingKind.RESERVED else (
            _SHORT.get(thing.title, thing.title))
        yield Bead(offset, size, text, short,
                   f"{thing.title}: {plural(size, 'byte')} from offset {offset}", look, thing.key)


def _rows(plan: Plan, ring: Ring, slot: Region) -> Iterator[Facts]:
    """Yield the fields and reserved bytes of a record as rows of a table."""
    docs = {f.name: p.doc for p in ring.group.parameters for f in p.fields}
    number = 0
    for run in slot.runs:
        (thing,) = run.things
        field = thing.field
        if field is None and thing.kind is not ThingKind.RESERVED:
            continue
        number += field is not None
        yield {
            "key": thing.key, "number": number if field else "", "name": thing.title,
            "offset": run.first - slot.first - HEADER_BYTES, "size": run.end - run.first,
            "address": address_text(plan, run.first),
            "type": type_text(ring.placed(field)) if field else "",
            "scale": scale_text(field) if field else "", "unit": field.unit if field else "",
            "allowed": allowed_text(field) if field else "kept as they are",
            "default": format_value(field, field.default) if field else "",
            "doc": prose(docs[field.name]) if field else "", "reserved": field is None,
        }


def _hold_up(plan: Plan, numbers: PlanFigures) -> Markup | None:
    need = numbers.hold_up
    if need.capacitance_uf is None:
        return None
    transfer = bits_ms(write_bits(plan.part.address_bytes, plan.part.page), plan.schema.bus_khz)
    return supply_fall(need.from_v, need.to_v, transfer, need.time_ms)


def _years(value: float) -> str:
    return f"over {_MOST_YEARS:,.0f}" if value > _MOST_YEARS else number_text(value)
