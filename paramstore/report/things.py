"""Words for the things that stand in a dump: fields, checksums, numbers of the format.

Words the facts of `inspect.regions`. Must not know where a thing lies.
"""

from __future__ import annotations

from paramstore.core.format import split_release
from paramstore.core.text import printable
from paramstore.image.wording import elements_text
from paramstore.inspect.regions import Thing, ThingKind, ThingState
from paramstore.schema.bits import NoValue, place_width
from paramstore.schema.fixed.found import CheckResult, GroupPresence
from paramstore.schema.from_raw import format_value

__all__ = ["UNDER", "check_verdict", "frame_value", "release_text", "thing_text", "thing_value"]

UNDER = "under a wrong checksum"
"""What is said of a value that breaks no limit, but that nothing vouches for."""

_UNCHECKED = "cannot be checked: the dump lacks bytes of its range"
"""What is said of a checksum of a group that is there."""

_WRONG = {ThingState.NO_LETTERS: "not letters of its alphabet",
          ThingState.NO_TEXT: "not UTF-8 text", ThingState.OUTSIDE: "outside its limits"}


def thing_text(thing: Thing) -> str:
    """Return what stands in the dump for a thing, and what is wrong with it; "" if nothing does."""
    if thing.kind is ThingKind.CHECK:
        if thing.check is None:
            return _UNCHECKED if thing.state is ThingState.UNREAD else ""
        between = ", " if thing.check.right else "  <- "
        return thing_value(thing) + between + check_verdict(thing.check)
    remark = _remark(thing)
    return thing_value(thing) + (f"  <- {remark}" if remark else "")


def thing_value(thing: Thing) -> str:
    """Return the value of a thing; "" if it has none."""
    if thing.kind is ThingKind.FRAME and thing.state is not ThingState.ERASED:
        return frame_value(thing.title, thing.data)
    if thing.check is not None:
        return _number(thing.check, thing.check.stored)
    if thing.state is ThingState.UNSET:
        return "none"
    if thing.state is ThingState.UNREAD and thing.kind is ThingKind.FIELD:
        return GroupPresence.CUT.value
    if thing.field is None or thing.elements is None or thing.state is ThingState.ERASED:
        return ""
    if thing.state is ThingState.FAULTY:
        return printable(elements_text(thing.field, thing.elements))
    return printable(format_value(
        thing.field, [e for e in thing.elements if not isinstance(e, NoValue)]))


def _remark(thing: Thing) -> str:
    match thing.state:
        case ThingState.UNSET | ThingState.SOUND:
            return UNDER if thing.spoilt else ""
        case ThingState.FAULTY:
            return "no " + next(e.lacks for e in thing.elements or () if isinstance(e, NoValue))
        case ThingState.NOT_CONSTANT if thing.item is not None:
            wanted = format_value(thing.item.field, thing.item.always or ())
            return f"must always be {printable(wanted)}"
        case ThingState() as state:
            return _WRONG.get(state, "")
    return ""


def _number(result: CheckResult, number: int) -> str:
    """Return a number of a checksum in as many digits as it has."""
    return f"0x{number:0{place_width(result.check.place) // 4}X}"


def check_verdict(result: CheckResult) -> str:
    """Return whether a checksum is right, and what it should be if it is not."""
    return "right" if result.right else f"wrong, the bytes give {_number(result, result.computed)}"


def frame_value(title: str, data: bytes) -> str:
    """Return what the bytes of a label or of a record's header say; "" for those that are no number
    and no name, and without bytes."""
    number = int.from_bytes(data, "little")
    if not data:
        return ""
    match title:
        case "sequence number" | "revision" | "format version":
            return str(number)
        case "release":
            return release_text(number)
        case "store id" | "layout id":
            return f"0x{number:08X}"
        case "store name":
            return printable(data.rstrip(b"\0").decode("utf-8", "replace"))
    return ""


def release_text(number: int) -> str:
    """Return the release that a label has as a number, with its series unless that is the first."""
    release, series = split_release(number)
    return f"{release}, series {series}" if series else f"{release}"
