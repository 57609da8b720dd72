"""What lies where in a fixed layout, down to the bit: parameters and checksums of its groups."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cached_property

from paramstore.inspect.fixed import FixedExamination, item_state, spoilt_items
from paramstore.inspect.regions import (
    ByteRun,
    Claim,
    GroupBlock,
    NamedPlace,
    Places,
    Region,
    RegionKind,
    Thing,
    ThingKind,
    ThingState,
)
from paramstore.schema.bits import Place, place_bytes, place_width
from paramstore.schema.fixed.found import Copy, FixedGroupContents, GroupPresence
from paramstore.schema.fixed.model import Checksum, FixedGroup, FixedLayout, PlacedParameter
from paramstore.schema.model import Field

__all__ = ["FixedPlaces"]

_LONG = 64
"""Bytes that are not described are a region of their own, if there are more in a row."""
_NAMED = 4
"""Groups that are named where they are not there."""


class FixedPlaces(Places):
    """The bytes of `layout`, with what a dump of it holds if there is one."""

    def __init__(self, layout: FixedLayout, found: FixedExamination | None = None) -> None:
        self._layout = layout
        self._contents = found.contents if found else None
        self.name, self.size = layout.name, layout.size
        if found is not None:
            self.data, self.gaps = found.contents.image, found.dump.gaps

    # ---- Things ------------------------------------------------------------------------------

    @cached_property
    def things(self) -> dict[tuple[str, str], Thing]:
        """Every parameter and checksum by the names of its block and its own, in schema order."""
        found = {}
        for group in self._layout.groups:
            contents = self._contents.group(group.name) if self._contents else None
            spoilt = spoilt_items(self._contents, contents.group) if (
                self._contents and contents) else frozenset()
            for item in (contents.group if contents else group).items:
                found[group.name, item.name] = self._thing_of_item(group, item, contents, spoilt)
            for check in group.checks:
                found[group.name, check.name] = self._thing_of_check(group, check, contents)
        return {name: _keyed(thing, number) for number, (name, thing) in enumerate(found.items())}

    def _thing_of_item(self, group: FixedGroup, item: PlacedParameter,
                       contents: FixedGroupContents | None, spoilt: frozenset[str]) -> Thing:
        title = f"{group.name}.{item.name}"
        if contents is None:
            return Thing(title, ThingKind.FIELD, field=item.field, item=item)
        state = _state_without_group(contents)
        if state is None or item.name in contents.read:
            state = item_state(contents, item)
        return Thing(title, ThingKind.FIELD, field=item.field, state=state,
                     elements=contents.elements(item.name), item=item,
                     spoilt=item.name in spoilt)

    def _thing_of_check(self, group: FixedGroup, check: Checksum,
                        contents: FixedGroupContents | None) -> Thing:
        title = f"{group.name}.{check.name}"
        if contents is None:
            return Thing(title, ThingKind.CHECK)
        result = next((r for r in contents.checks if r.check.name == check.name), None)
        if contents.copy is Copy.ERASED:
            state = ThingState.ERASED
        elif result is None:
            state = _state_without_group(contents) or ThingState.UNREAD
        else:
            state = ThingState.SOUND if result.right else ThingState.WRONG
        return Thing(title, ThingKind.CHECK, state=state, check=result)

    # ---- Regions -----------------------------------------------------------------------------

    @cached_property
    def _claims(self) -> dict[int, list[Claim]]:
        """What has, or would have, bits of each byte, the highest bits first."""
        claims: dict[int, list[Claim]] = {}
        for group in self._layout.groups:
            present = self._presence(group)
            for item in group.items:
                thing = self.things[group.name, item.name]
                for element, place in enumerate(item.places):
                    name = f"{thing.title}[{element}]" if item.field.array else thing.title
                    for claim in _pieces(thing, name, element, place, present):
                        claims.setdefault(claim.bits.address, []).append(claim)
            for check in group.checks:
                thing = self.things[group.name, check.name]
                for claim in _pieces(thing, thing.title, 0, check.place, present):
                    claims.setdefault(claim.bits.address, []).append(claim)
        for here in claims.values():
            here.sort(key=lambda claim: -claim.bits.low)
        return claims

    def _presence(self, group: FixedGroup) -> bool | None:
        """Return whether a group is there; None if that depends on bytes, and there is no dump."""
        if self._contents is not None:
            return self._contents.group(group.name).presence is GroupPresence.THERE
        return None if group.condition else True

    def claims(self, address: int) -> list[Claim]:
        """Return what has, or would have, bits of the byte at an address."""
        self.region_at(address)  # refuses an address outside
        return self._claims.get(address, [])

    @cached_property
    def regions(self) -> tuple[Region, ...]:
        """All regions, in order and without gaps: long stretches that nothing has are apart."""
        regions: list[Region] = []
        together: list[ByteRun] = []
        for run in (*self._runs(), None):
            hole = run is not None and not run.things and run.end - run.first > _LONG
            if together and (run is None or hole):
                regions.append(_region(RegionKind.PLACES, together))
                together = []
            if run is not None and hole:
                regions.append(_region(RegionKind.HOLE, [run]))
            elif run is not None:
                together.append(run)
        return tuple(regions)

    def _runs(self) -> Iterator[ByteRun]:
        """Yield runs of bytes that belong to the same things, of groups that may be there."""
        words = self._condition_words()
        by_key = {thing.key: thing for thing in self.things.values()}

        def meaning(address: int) -> tuple[tuple[Thing, ...], str]:
            owners = dict.fromkeys(claim.thing.key for claim in self._claims.get(address, ())
                                   if claim.present is not False)
            things = tuple(by_key[key] for key in owners)
            return things, "" if things else words.get(address, "not described")

        at, here = 0, meaning(0)
        for address in range(1, self.size + 1):
            there = meaning(address) if address < self.size else None
            if there != here:
                yield ByteRun(at, address, *here)
                at, here = address, there or here

    def _condition_words(self) -> dict[int, str]:
        """Return what the bytes of conditions say, by address: which groups are there."""
        there: dict[int, list[str]] = {}
        absent: dict[int, list[str]] = {}
        for found in self._contents.groups if self._contents else ():
            condition = found.group.condition
            names_at = there if found.presence is GroupPresence.THERE else absent
            for address in place_bytes(condition.place) if condition else ():
                names_at.setdefault(address, []).append(found.group.name)
        words = {a: f"not there: {', '.join(names[:_NAMED])}{', ...' * (len(names) > _NAMED)}"
                 for a, names in absent.items()}
        return words | {a: f"there: {', '.join(names)}" for a, names in there.items()}

    # ---- Names -------------------------------------------------------------------------------

    def blocks(self) -> Iterator[GroupBlock]:
        """Yield every block of every group."""
        for group in self._layout.groups:
            named = {check.name: NamedPlace(((None, (check.place,)),)) for check in group.checks}
            named |= {item.name: NamedPlace(((item.field, item.places),)) for item in group.items}
            yield GroupBlock(group.name, (group.declared, group.name), 0, named)

    def thing(self, block: GroupBlock, field: Field | None, name: str) -> Thing:
        """Return a parameter or checksum as it stands in a block."""
        return self.things[block.title, name]

    def checked_by(self, address: int) -> tuple[str, ...]:
        """Return the names of the checksums that a byte goes into."""
        return tuple(dict.fromkeys(f"{group.name}.{check.name}" for group in self._layout.groups
                                   for check in group.checks if address in check.over))


def _keyed(thing: Thing, number: int) -> Thing:
    return thing._replace(key=f"t{number}")


def _state_without_group(contents: FixedGroupContents) -> ThingState | None:
    """Return the state of a thing whose group is not there; None if it is there."""
    return {GroupPresence.ABSENT: ThingState.ABSENT,
            GroupPresence.CUT: ThingState.CUT}.get(contents.presence)


def _region(kind: RegionKind, runs: list[ByteRun]) -> Region:
    return Region(kind, runs[0].first, runs[-1].end, "", lambda: runs)


def _pieces(thing: Thing, name: str, element: int, place: Place,
            present: bool | None) -> Iterator[Claim]:
    width = lowest = place_width(place)
    for bits in place:
        lowest -= bits.width
        yield Claim(thing, name, element, place_bytes(place), width, bits, lowest, present)
