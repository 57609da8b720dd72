"""What lies where, and what stands there: the one model of the bytes of a part or a fixed layout.

Bytes are divided into regions (a label copy, a slot, free pages, a stretch of a fixed layout),
these into runs of bytes, and each run belongs to one thing or, where bits are packed, to several.
Two readers make them, `store_places` and `fixed_places`; whatever shows, searches or compares
bytes is written once, against this. Without a dump things have no state. Must not know how they
look.
"""

from __future__ import annotations

import re
from abc import ABC, abstractmethod
from bisect import bisect_right
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum, StrEnum, auto
from functools import cached_property
from typing import TYPE_CHECKING, NamedTuple

from paramstore.core.errors import ToolError
from paramstore.core.words import did_you_mean
from paramstore.image.contents import Gaps, gaps_in
from paramstore.inspect.slots import SlotVerdict
from paramstore.schema.bits import Bits, Elements, Place
from paramstore.schema.model import Field, Kind

if TYPE_CHECKING:
    from paramstore.schema.fixed.found import CheckResult
    from paramstore.schema.fixed.model import PlacedParameter

__all__ = [
    "ByteRun",
    "ChangedByte",
    "Claim",
    "GroupBlock",
    "Location",
    "NamedPlace",
    "Places",
    "Region",
    "RegionKind",
    "Thing",
    "ThingKind",
    "ThingState",
    "parse_address",
]


class ThingKind(StrEnum):
    """What bytes are for."""

    FIELD = "field"  # the values of a parameter
    CHECK = "checksum"  # of a fixed layout
    FRAME = "frame"  # a number of the format: of a label, of the head of a record, its CRC
    RESERVED = "reserved"  # of a parameter that was taken out
    ROOM = "room"  # for parameters to come
    BEHIND = "behind"  # the rest of the last page
    NOTHING = "nothing"


class ThingState(Enum):
    """What became of a thing in a dump."""

    SOUND = auto()
    UNSET = auto()  # it holds the number for no value
    ERASED = auto()  # so is the slot or the copy that it is of
    EARLY = auto()  # the record is of a revision that does not hold it yet
    ABSENT = auto()  # its group is not there
    CUT = auto()  # it is not known whether its group is there
    UNREAD = auto()  # bytes of it are not in the dump
    FAULTY = auto()  # bits of it stand for nothing
    NOT_CONSTANT = auto()  # not what it must always be
    NO_LETTERS = auto()  # not letters of its alphabet
    NO_TEXT = auto()  # not UTF-8
    OUTSIDE = auto()  # breaks its limits
    WRONG = auto()  # a checksum that the bytes do not give

    @property
    def wrong(self) -> bool:
        """Whether what is stored breaks the schema."""
        return self.value >= ThingState.FAULTY.value


class Thing(NamedTuple):
    """A field, a checksum or a number of the format, at one place; or bytes that are for nothing.

    `title` names it for people, `key` in the dump: the same wherever it is shown. `data` are its
    bytes if the dump has all of them, `elements` what they hold. `spoilt`: a wrong checksum covers
    it. `item` says how a fixed layout codes it, `revision` is that of the record if it is EARLY.
    """

    title: str
    kind: ThingKind
    key: str = ""
    field: Field | None = None
    state: ThingState | None = None
    data: bytes = b""
    elements: Elements | None = None
    check: CheckResult | None = None
    spoilt: bool = False
    item: PlacedParameter | None = None
    revision: int = 0


class ByteRun(NamedTuple):
    """Bytes from `first` to before `end` that belong to the same things, the highest bits first.
    `words` say what bytes are that no thing has; `width` is the size of an element where the run
    has several of one field, else 0; `free`: erased bytes of pages that no group has."""

    first: int
    end: int
    things: tuple[Thing, ...]
    words: str = ""
    width: int = 0
    free: bool = False


class RegionKind(Enum):
    """What a region is."""

    LABEL = auto()
    SLOT = auto()
    RETIRED = auto()  # pages of a group that was taken out
    FREE = auto()
    PLACES = auto()  # of a fixed layout
    HOLE = auto()  # a long stretch of a fixed layout that is not described


class ChangedByte(NamedTuple):
    """A byte that was changed, by its offset in a region; `bit`, where only one was."""

    offset: int
    bit: int | None = None


@dataclass(frozen=True)
class Region:
    """Addresses from `first` to before `end`. `group` and `index` are those of a ring in the plan,
    `number` is that of a slot or a label copy. With a dump: `verdict` on a slot, `whole` of a label
    copy, the bytes that were `changed`, and where the `newest` record of the ring stands."""

    kind: RegionKind
    first: int
    end: int
    title: str
    make: Callable[[], Iterable[ByteRun]]
    group: str = ""
    index: int = 0
    number: int = 0
    verdict: SlotVerdict | None = None
    whole: bool = True
    changed: tuple[ChangedByte, ...] = ()
    newest: int | None = None

    @cached_property
    def runs(self) -> tuple[ByteRun, ...]:
        """What lies in it, in order and without gaps."""
        return tuple(run for run in self.make() if run.end > run.first)

    def run_at(self, address: int) -> ByteRun:
        """Return the run that the byte at an address of the region is in."""
        return self.runs[bisect_right(self.runs, address, key=lambda run: run.first) - 1]


class Claim(NamedTuple):
    """What has bits of a byte: an element of a thing, at `addresses` in their order, of `width`
    bits. `bits` are those it has here, `lowest` is the bit of its number that the lowest of them
    is. `present`: whether it is there, None if that is not known."""

    thing: Thing
    name: str
    element: int
    addresses: Sequence[int]
    width: int
    bits: Bits
    lowest: int
    present: bool | None = True


# ---- Names --------------------------------------------------------------------------------------


class NamedPlace(NamedTuple):
    """A parameter or checksum by its name: its fields (None: a checksum), and for each the places
    of its elements, counted from where its block begins."""

    fields: tuple[tuple[Field | None, tuple[Place, ...]], ...]


class GroupBlock(NamedTuple):
    """One place where a group stands, from `base` on: a slot, or a block of a fixed layout. `names`
    are those the group goes by, the one of the schema first; `number` is that of a slot."""

    title: str
    names: tuple[str, ...]
    base: int
    named: Mapping[str, NamedPlace]
    number: int | None = None
    newest: bool = False


class Location(NamedTuple):
    """Where something that was named lies in one block. `element` is the one that was asked for;
    `bit`: a single one of a flag was."""

    block: GroupBlock
    name: str
    fields: tuple[Field | None, ...]
    place: Place
    element: int | None = None
    bit: bool = False


class Places(ABC):
    """What lies where in a part or a fixed layout, which is called `name` and has `size` bytes,
    `page` bytes on a page; with a dump, also what stands there: `data` from address 0 on, without
    the `gaps`."""

    name: str
    size: int
    page: int = 1
    data: bytes | None = None
    gaps: Gaps = ()

    @cached_property
    @abstractmethod
    def regions(self) -> tuple[Region, ...]:
        """All regions, in order and without gaps."""

    @abstractmethod
    def claims(self, address: int) -> list[Claim]:
        """Return what has, or would have, bits of the byte at an address that is there; the highest
        bits first."""

    @abstractmethod
    def blocks(self) -> Iterator[GroupBlock]:
        """Yield every block of every group."""

    @abstractmethod
    def thing(self, block: GroupBlock, field: Field | None, name: str) -> Thing:
        """Return the thing of that name, or a field of it, as it stands in a block."""

    def checked_by(self, address: int) -> tuple[str, ...]:
        """Return the names of the checksums that a byte goes into."""
        return ()

    def region_at(self, address: int) -> Region:
        """Return the region of an address; ToolError if there is no such address."""
        if not 0 <= address < self.size:
            raise ToolError(f"`{self.name}` has no address 0x{address:X}",
                            f"it ends at 0x{self.size - 1:X}")
        at = bisect_right(self.regions, address, key=lambda region: region.first) - 1
        return self.regions[at]

    def lacks(self, first: int, end: int) -> bool:
        """Return whether the dump lacks any of the bytes from `first` to before `end`."""
        return self.data is None or end > len(self.data) or bool(gaps_in(self.gaps, first, end))

    def bytes_at(self, addresses: Sequence[int]) -> bytes | None:
        """Return bytes of the dump; None if it lacks any of them."""
        if self.data is None or any(self.lacks(a, a + 1) for a in addresses):
            return None
        return bytes(self.data[a] for a in addresses)

    def find(self, name: str) -> tuple[Location, ...]:
        """Return where a parameter or checksum lies, in every block of its group unless one is
        named.

        `name` is GROUP.PARAMETER, with `[n]` for an element, `.x` or `.y` for an axis of a curve,
        and the name of a flag for its bit. A parameter's own name does if only one group has it.
        ToolError if there is no such thing.
        """
        blocks = list(self.blocks())
        match = re.match(r"(\w+)(?:\.(\w+))?(.*)", name.strip(), re.DOTALL)
        first, second, rest = match.groups("") if match else ("", "", "")
        own = [b for b in blocks if first in b.names] if second else []
        if not own:
            own = [b for b in blocks if first in b.named]
            groups = dict.fromkeys(b.names[0] for b in own)
            if len(groups) > 1:
                raise ToolError(f"several groups have a parameter `{first}`", "write "
                                + " or ".join(f"{group}.{first}" for group in groups))
            rest = (f".{second}" if second else "") + rest
            first, second = next(iter(groups), first), first
        if not own:
            known = dict.fromkeys(f"{b.names[0]}.{n}" for b in blocks for n in b.named)
            raise ToolError(f"`{name}` is neither an address nor a parameter", did_you_mean(
                name, list(known)) or "write GROUP.PARAMETER, or an address as 0x1A4")
        if second not in own[0].named:
            raise ToolError(f"group `{first}` has no parameter `{second}`", did_you_mean(
                second, list(own[0].named), f"those of `{first}`"))
        return tuple(_located(block, second, name, rest) for block in own)


def _located(block: GroupBlock, name: str, asked: str, rest: str) -> Location:
    """Return where a thing, or the axis, element or flag that `rest` names, lies in a block."""
    fields = block.named[name].fields
    axes = [(f, p) for f, p in fields if f is not None and f.name.endswith(rest[:2])]
    if len(fields) > 1 and rest[:2] in (".x", ".y"):
        fields, rest = tuple(axes), rest[2:]
    place = tuple(bits for _, places in fields for p in places for bits in p)
    (field, places), element, bit = fields[0], None, False
    index = re.match(r"\[(\d{1,6})\]", rest)
    if index is not None and len(fields) == 1 and field is not None:
        element = int(index[1])
        if element >= len(places):
            raise ToolError(f"`{field.name}` has {len(places)} elements",
                            f"give [0] to [{len(places) - 1}]")
        place, rest = places[element], rest[index.end():]
    if rest[:1] == "." and field is not None and field.kind is Kind.FLAGS:
        members = dict(field.members)
        if rest[1:] not in members:
            raise ToolError(f"`{name}` has no flag `{rest[1:]}`",
                            did_you_mean(rest[1:], list(members), "its flags"))
        place, rest, bit = (_bit(place, members[rest[1:]]),), "", True
    if rest:
        raise ToolError(f"`{asked}` names nothing: `{rest}` is left over",
                        "write GROUP.PARAMETER, [n] for an element, the name of a flag")
    moved = tuple(Bits(b.address + block.base, b.low, b.width) for b in place)
    return Location(block, name, tuple(f for f, _ in fields), moved, element, bit)


def _bit(place: Place, number: int) -> Bits:
    """Return where bit `number` of a number lies, 0 the lowest."""
    for bits in reversed(place):
        if number < bits.width:
            return Bits(bits.address, bits.low + number, 1)
        number -= bits.width
    raise AssertionError("a member fits in its bits")


def parse_address(text: str) -> tuple[int, int | None] | None:
    """Return the address, and the bit behind a point, that a text gives; None if it is a name.

    ToolError for a bit that no byte has.
    """
    match = re.fullmatch(r"(0[xX][0-9A-Fa-f]{1,8}|[0-9]{1,10})(?:\.([0-9]{1,4}))?", text.strip())
    if match is None:
        return None
    if match[2] is not None and int(match[2]) > 7:
        raise ToolError(f"there is no bit {int(match[2])} in the byte at {match[1]}",
                        "bits of a byte go from 0, the lowest, to 7")
    base = 16 if match[1][:2] in ("0x", "0X") else 10
    return int(match[1], base), None if match[2] is None else int(match[2])
