"""The reports on a dump, be it of a store or of a fixed layout: text, data for JSON, page."""

from __future__ import annotations

from paramstore.core.text import JsonObject, printable
from paramstore.image.contents import gaps_in
from paramstore.inspect.examination import Examination
from paramstore.inspect.store import StoreExamination
from paramstore.inspect.which import Candidate, Layout
from paramstore.report.findings import Style, no_style

__all__ = ["annotated_bytes", "bytes_data", "examination_data", "examination_page",
           "examination_text", "place_data", "place_text"]

# Each report is imported when it is wanted: reading a dump must not wait for the others.


def examination_text(found: Examination, style: Style = no_style) -> str:
    """Return the whole report on a dump, findings left out, lines ended by \\n."""
    head = (f"{printable(found.reading.source.path)}: {found.reading.title}\n"
            f"schema: {printable(found.name)}\n")
    if isinstance(found, StoreExamination):
        from paramstore.report.dump import dump_text

        return head + dump_text(found, style)
    from paramstore.inspect.fixed import FixedExamination
    from paramstore.report.fixed import fixed_text

    assert isinstance(found, FixedExamination), "there are two readers"
    return head + fixed_text(found, style)


def examination_data(found: Examination) -> JsonObject:
    """Return the same as plain data for JSON."""
    head: JsonObject = {
        "schema": found.name, "form": found.reading.form, "read_as": found.reading.title,
        "gaps": [list(gap) for gap in found.dump.gaps]}
    if isinstance(found, StoreExamination):
        from paramstore.report.dump import dump_data

        return head | dump_data(found)
    from paramstore.inspect.fixed import FixedExamination
    from paramstore.report.fixed import fixed_data

    assert isinstance(found, FixedExamination), "there are two readers"
    return head | fixed_data(found)


def examination_page(found: Examination) -> str:
    """Return the report as a whole HTML page."""
    if isinstance(found, StoreExamination):
        from paramstore.report.pages.dump import dump_page

        return dump_page(found)
    from paramstore.inspect.fixed import FixedExamination
    from paramstore.report.pages.fixed import fixed_page

    assert isinstance(found, FixedExamination), "there are two readers"
    return fixed_page(found)


def annotated_bytes(found: Examination, first: int = 0, end: int | None = None,
                    style: Style = no_style) -> str:
    """Return a hex dump of `first` to before `end` with what every byte is."""
    if isinstance(found, StoreExamination):
        from paramstore.report.bytes import bytes_text

        return bytes_text(found, first, end, style)
    from paramstore.inspect.fixed import FixedExamination
    from paramstore.report.fixed_bytes import fixed_bytes_text

    assert isinstance(found, FixedExamination), "there are two readers"
    return fixed_bytes_text(found, first, end, style)


def place_text(of: Layout | Examination, place: str) -> str:
    """Return what an address is for, or where a parameter lies; of an examination also what stands
    there.

    ToolError if there is no such place.
    """
    from paramstore.inspect.meaning import locate, meaning_of, parse_address

    address = parse_address(place)
    if isinstance(of, Candidate | StoreExamination):
        from paramstore.report.places import location_text, meaning_text

        store = of if isinstance(of, StoreExamination) else None
        if address is not None:
            return meaning_text(meaning_of(of.plan, address[0]), address[1], store)
        return location_text(place, *locate(of.plan, place), store)
    from paramstore.inspect.fixed import FixedExamination
    from paramstore.inspect.fixed_meaning import find
    from paramstore.report.fixed_bytes import fixed_location_text, fixed_meaning_text

    fixed = of if isinstance(of, FixedExamination) else None
    layout = of.schema if isinstance(of, FixedExamination) else of
    assert not isinstance(layout, Examination), "there are two readers"
    if address is not None:
        return fixed_meaning_text(layout, *address, fixed)
    return fixed_location_text(place, find(layout, place), fixed)


def bytes_data(found: Examination, first: int, end: int) -> list[JsonObject]:
    """Return the things from `first` to before `end` as plain data for JSON: address, bytes (null
    if the dump lacks one of them), and what they are."""
    if isinstance(found, StoreExamination):
        from paramstore.inspect.meaning import meaning_of

        things: list[JsonObject] = []
        at = first
        while at < end:
            meaning = meaning_of(found.plan, at)
            past = min(max(meaning.first + meaning.size, at + 1), end)
            things.append({"address": at, "bytes": _hex(found, at, past), "what": meaning.what,
                           "group": meaning.ring.group.name if meaning.ring else None,
                           "slot": meaning.slot, "label_copy": meaning.copy})
            at = past
        return things
    from paramstore.inspect.fixed import FixedExamination
    from paramstore.report.fixed_bytes import byte_runs

    assert isinstance(found, FixedExamination), "there are two readers"
    return [{"address": run.first, "bytes": _hex(found, run.first, run.end),
             "what": [f"{group}.{name}" for group, name in run.things]}
            for run in byte_runs(found, first, end)]


def _hex(found: Examination, first: int, end: int) -> str | None:
    if end > len(found.dump.data) or gaps_in(found.dump.gaps, first, end):
        return None
    return found.dump.data[first:end].hex()


def place_data(of: Layout | Examination, place: str) -> JsonObject:
    """Return what `place_text` says as plain data for JSON: its lines, and the addresses.

    ToolError if there is no such place.
    """
    from paramstore.inspect.meaning import locate, parse_address

    data: JsonObject = {"place": place, "lines": place_text(of, place).splitlines()}
    address = parse_address(place)
    found = of if isinstance(of, Examination) else None
    if address is not None:
        return data | {"address": address[0], "bit": address[1], "bytes": (
            _hex(found, address[0], address[0] + 1) if found else None)}
    if isinstance(of, Candidate | StoreExamination):
        ring, places = locate(of.plan, place)
        return data | {"group": ring.group.name, "locations": [
            {"slot": p.slot, "address": p.address, "size": p.size, "bit": p.bit,
             "bytes": _hex(found, p.address, p.address + p.size) if found else None}
            for p in places]}
    return data
