"""`paramstore bytes`: what every byte is, what an address is for, where a parameter lies."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from host_tools.dumps import examined, schemas_at, show_dumps
from host_tools.options import (
    InputOptions,
    address,
    input_options,
    json_option,
    release_option,
)
from host_tools.terminal import tint

if TYPE_CHECKING:
    from paramstore.core.text import JsonObject
    from paramstore.inspect.examination import Examination
    from paramstore.inspect.which import Layout


@click.command()
@click.argument("schema")
@click.argument("dump", required=False)
@click.option("--at", "places", multiple=True, metavar="PLACE",
              help="An address, FIRST..LAST, or GROUP.PARAMETER; may be repeated.")
@input_options(release_option)
@json_option
def command(schema: str, dump: str | None, places: tuple[str, ...], given: InputOptions) -> int:
    """Example: paramstore bytes schemas/tank_probe.toml unit.hex --at 0x1C0..0x21F

    Show DUMP byte by byte, one line for each thing in it, with what it is and its value: all of it,
    or what lies from FIRST to LAST. Of a slot whose write was interrupted each line says where its
    bytes come from, with a `?` where that is inferred. On a terminal headers and CRCs are blue,
    values that the newest record has no more cyan, damage is red; in an interrupted write old bytes
    are blue, new ones green, erased yellow. --at ADDRESS explains a byte, with `.n` behind it one
    of its bits (0 the lowest). --at GROUP.PARAMETER finds a parameter in every slot, or in every
    block of a fixed layout, with [n] for an element, .x or .y for an axis, and the name of a flag
    for its bit. These need no DUMP. SCHEMA may be that of a fixed layout, or with DUMP a folder.
    What is wrong with the dump is for `examine` to judge; exit code 1: DUMP or SCHEMA cannot be
    read, or nothing tells which schema DUMP is of.
    """
    from paramstore.core.errors import ToolError
    from paramstore.inspect.which import files_of

    if dump is None and given != InputOptions(release=given.release):
        raise ToolError("what is said of an input is for a dump", "give the dump behind the schema")
    if dump is None and (not places or any(map(span, places))):
        raise ToolError("there is no dump to show", "give it behind the schema, or --at with an "
                        "address or a parameter")
    schemas = schemas_at(schema, given)
    if dump is None and len(files_of(schemas.all)) > 1:
        raise ToolError(f"`{schema}` holds several schemas", "give one of them, or a dump: it "
                        "tells which")
    found = examined(schemas, given, dump)[0] if dump else None
    shown = [view(found or schemas.all[0], found, place) for place in places or ("0..",)]
    show_dumps([found] if found else [], lambda: {"places": [data for data, _ in shown]},
               lambda: "".join(text for _, text in shown))
    return 0


def span(place: str) -> tuple[int, int | None] | None:
    """Return the first and the last address of `FIRST..LAST`, where both may be left out; None for
    any other place. A usage error for what is no address, ToolError for a span that is empty."""
    from paramstore.core.errors import ToolError

    first, dots, last = place.partition("..")
    if not dots:
        return None
    start, end = address(first or "0"), address(last) if last else None
    if end is not None and end < start:
        raise ToolError(f"0x{end:X} lies before 0x{start:X}", "write the lower address first")
    return start, end


def view(of: Layout | Examination, found: Examination | None,
         place: str) -> tuple[JsonObject, str]:
    """Return what is at a place, as data and as text; ToolError if there is no such place."""
    from paramstore.core.errors import ToolError
    from paramstore.report.bytes import bytes_data, bytes_text
    from paramstore.report.places import place_data, place_text

    between = span(place)
    if between is None or found is None:
        return place_data(of, place), place_text(of, place)
    first, last = between
    size = len(found.dump.data)
    if first >= size:
        raise ToolError(f"the dump has no address 0x{first:X}", f"it ends at 0x{size - 1:X}")
    end = size if last is None else min(last + 1, size)
    return ({"place": place, "things": bytes_data(found, first, end)},
            bytes_text(found, first, None if last is None else end, tint))
