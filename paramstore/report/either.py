"""One door to the reports on a dump, be it of a store or of a fixed layout."""

from __future__ import annotations

from typing import Any

from paramstore.inspect.either import Found, Known
from paramstore.inspect.examine import Examination
from paramstore.inspect.which import Candidate
from paramstore.report.findings import Tint, no_tint

__all__ = ["annotated_bytes", "examination_data", "examination_page", "examination_text",
           "place_text"]

# Each report is imported when it is wanted: reading a dump must not wait for the others.


def examination_text(found: Found, tint: Tint = no_tint) -> str:
    """Return the whole report on a dump, findings left out."""
    if isinstance(found, Examination):
        from paramstore.report.dump import dump_text

        return dump_text(found, tint)
    from paramstore.report.fixed import fixed_text

    return fixed_text(found, tint)


def examination_data(found: Found) -> dict[str, Any]:
    """Return the same as plain data for JSON."""
    if isinstance(found, Examination):
        from paramstore.report.dump import dump_data

        return dump_data(found)
    from paramstore.report.fixed import fixed_data

    return fixed_data(found)


def examination_page(found: Found) -> str:
    """Return the report as a whole HTML page."""
    if isinstance(found, Examination):
        from paramstore.report.pages.dump import dump_page

        return dump_page(found)
    from paramstore.report.pages.fixed import fixed_page

    return fixed_page(found)


def annotated_bytes(found: Found, first: int = 0, end: int | None = None,
                    tint: Tint = no_tint) -> str:
    """Return a hex dump of `first` to before `end` with what every byte is."""
    if isinstance(found, Examination):
        from paramstore.report.bytes import bytes_text

        return bytes_text(found, first, end, tint)
    from paramstore.report.fixed_bytes import fixed_bytes_text

    return fixed_bytes_text(found, first, end, tint)


def place_text(known: Known, place: str, found: Found | None = None) -> str:
    """Return what an address is for, or where a parameter lies; what stands there, with a dump of
    what is known.

    ToolError if there is no such place.
    """
    from paramstore.inspect.meaning import locate, meaning_of, parse_address

    address = parse_address(place)
    if isinstance(known, Candidate):
        from paramstore.report.places import location_text, meaning_text

        store = found if isinstance(found, Examination) else None
        plan = store.plan if store else known.plan
        if address is not None:
            return meaning_text(meaning_of(plan, address[0]), address[1], store)
        return location_text(place, *locate(plan, place), store)
    from paramstore.inspect.fixed_meaning import find
    from paramstore.report.fixed_bytes import fixed_location_text, fixed_meaning_text

    fixed = None if isinstance(found, Examination) else found
    if address is not None:
        return fixed_meaning_text(known, *address, fixed)
    return fixed_location_text(place, find(known, place), fixed)
