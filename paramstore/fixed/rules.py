"""Rules between the groups of a fixed layout: no bit has two meanings at a time, no name two."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from paramstore.errors import Span
from paramstore.fixed.model import Condition, FixedGroup, Place, show_place
from paramstore.fixed.places import bits_of
from paramstore.schema.desk import Desk

__all__ = ["MAX_ITEMS", "check_groups", "exclusive", "extent_of", "place_of"]

MAX_ITEMS = 20_000
"""Parameters and checksums of all blocks together, far beyond any real layout."""

MOST_OWNERS = 256
"""Alternatives that one byte can have, far beyond any real layout: each is held against each."""


def extent_of(group: FixedGroup) -> tuple[int, int]:
    """Return the first and the last address that parameters and checksums of a group have or
    cover."""
    first, last = place_of(group)
    over = [a for check in group.checks for a in check.over]
    return min((first, *over)), max((last, *over))


def place_of(group: FixedGroup) -> tuple[int, int]:
    """Return the first and the last address that a group has, without what its checksums cover."""
    addresses = [b.address for _, place, _ in _claims(group) for b in place]
    return min(addresses), max(addresses)


def check_groups(desk: Desk, groups: Sequence[FixedGroup]) -> None:
    """Check names, bits and targets of all blocks."""
    if sum(len(g.items) + len(g.checks) for g in groups) > MAX_ITEMS:
        desk.add("PS355", f"the layout has more than {MAX_ITEMS} parameters", desk.key("group"),
                 help="give large blocks as one parameter of the type `bytes`")
        return
    if not _have_own_names(desk, groups):
        return
    _check_bits(desk, groups)
    _check_targets(desk, groups)


def _have_own_names(desk: Desk, groups: Sequence[FixedGroup]) -> bool:
    before = len(desk.findings)
    owners: dict[str, FixedGroup] = {}
    for group in groups:
        other = owners.setdefault(group.name, group)
        if other is not group:
            spans = [desk.key("group", g.declared) for g in (other, group)]
            desk.add("PS356", f"two groups are called `{group.name}`", spans[1],
                     also=((spans[0], ""),), help="rename one of them",
                     notes=("the blocks of a group with a `count` are called NAME_1, NAME_2 and so "
                            "on",))
    return len(desk.findings) == before


# ---- Bits ---------------------------------------------------------------------------------------


def _claims(group: FixedGroup) -> Iterator[tuple[str, Place, Span | None]]:
    """Yield (name, place, where it is written) of everything that has bits of its own."""
    for item in group.items:
        yield item.name, tuple(b for place in item.places for b in place), item.parameter.span
    for check in group.checks:
        yield check.name, check.place, check.span


def _check_bits(desk: Desk, groups: Sequence[FixedGroup]) -> None:
    owners: dict[int, list[tuple[int, FixedGroup, str, Span | None]]] = {}
    told: set[tuple[str, str, str, str]] = set()
    for group in groups:
        for name, place, span in _claims(group):
            for bits in place:
                mask = (1 << bits.width) - 1 << bits.low
                here = owners.setdefault(bits.address, [])
                if len(here) == MOST_OWNERS:
                    desk.add("PS351", f"more than {MOST_OWNERS} things have bits of "
                             f"0x{bits.address:04X}", span, help="describe what the layout has")
                    return
                for other_mask, other, other_name, other_span in here:
                    pair = other.declared, other_name, group.declared, name
                    if mask & other_mask and pair not in told and not (
                            other is not group and exclusive(other.condition, group.condition)):
                        told.add(pair)
                        _refuse_overlap(desk, (other, other_name, other_span), (group, name, span),
                                        show_place((bits,)))
                here.append((mask, group, name, span))


def _refuse_overlap(desk: Desk, one: tuple[FixedGroup, str, Span | None],
                    two: tuple[FixedGroup, str, Span | None], where: str) -> None:
    (other, other_name, other_span), (group, name, span) = one, two
    if other is group and other_name == name:
        desk.add("PS351", f"`{group.name}.{name}` has bits of {where} twice", span,
                 help="name every bit once; for elements of an array correct `every`")
        return
    conditions = other is not group and (other.condition or group.condition)
    note = ("by their `when` both groups can be there at the same time" if conditions else "")
    desk.add(
        "PS351", f"`{group.name}.{name}` and `{other.name}.{other_name}` share bits of {where}",
        span, also=((other_span, "the other one"),) if other_span else (), notes=(note,),
        help="correct an address; or, if they are alternatives, put them in groups whose `when` "
        "cannot hold at the same time")


def exclusive(one: Condition | None, two: Condition | None) -> bool:
    """Return whether two conditions can never hold at the same time."""
    if one is None or two is None or (one.inverse and two.inverse):
        return False
    if one.inverse:
        one, two = two, one
    known = _bits(one)
    if not two.inverse:
        return any(known.get(bit, value) != value for bit, value in _bits(two).items())
    return all(known.get(bit) == value for bit, value in _bits(two).items())


def _bits(condition: Condition) -> dict[tuple[int, int], int]:
    """Return the bits that a condition is about, and what they are compared with."""
    bits = bits_of(condition.place)
    return {bit: condition.number >> len(bits) - 1 - n & 1 for n, bit in enumerate(bits)}


# ---- Targets ------------------------------------------------------------------------------------


def _check_targets(desk: Desk, groups: Sequence[FixedGroup]) -> None:
    owners: dict[tuple[str, str], tuple[FixedGroup, Span | None]] = {}
    told = set()
    for group in groups:
        for item in group.items:
            target = item.target
            if target.nowhere:
                continue
            name = target.group or group.name, target.parameter or item.name
            span = target.span or item.parameter.span
            other, first = owners.setdefault(name, (group, span))
            if first is span and other is group:
                continue
            if exclusive(other.condition, group.condition):
                continue
            # Of many blocks each would be told again, from the same line.
            if (group.declared, item.name, other.declared) in told:
                continue
            told.add((group.declared, item.name, other.declared))
            desk.add("PS361", f"two values go to `{'.'.join(name)}` of a store", span,
                     also=((first, "the other one"),) if first and first is not span else (),
                     help="send one of them elsewhere; blocks of a group go to different ones "
                     "only if they have no `to`")
