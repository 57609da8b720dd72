"""Rules between the groups of a fixed layout: no bit has two meanings at a time, no name two."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import lru_cache

from paramstore.core.errors import Span
from paramstore.core.words import did_you_mean
from paramstore.located.validator import Validator
from paramstore.schema.bits import Place, show_place
from paramstore.schema.fixed.model import Condition, FixedGroup, PlacedParameter, Relation
from paramstore.schema.fixed.places import bits_of
from paramstore.schema.fixed.scales import scale_source
from paramstore.schema.model import Kind

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


def check_groups(validator: Validator, groups: Sequence[FixedGroup]) -> None:
    """Check names, bits and targets of all blocks."""
    if sum(len(g.items) + len(g.checks) for g in groups) > MAX_ITEMS:
        validator.add("PS355", f"the layout has more than {MAX_ITEMS} parameters",
                      validator.key("group"),
                 help="give large blocks as one parameter of the type `bytes`")
        return
    if not _have_own_names(validator, groups):
        return
    _check_bits(validator, groups)
    _check_scales(validator, groups)
    _check_targets(validator, groups)


def _have_own_names(validator: Validator, groups: Sequence[FixedGroup]) -> bool:
    before = len(validator.findings)
    owners: dict[str, FixedGroup] = {}
    for group in groups:
        other = owners.setdefault(group.name, group)
        if other is not group:
            spans = [validator.key("group", g.declared) for g in (other, group)]
            validator.add("PS356", f"two groups are called `{group.name}`", spans[1],
                     also=((spans[0], ""),), help="rename one of them",
                     notes=("the blocks of a group with a `count` are called NAME_1, NAME_2 and so "
                            "on",))
    return len(validator.findings) == before


# ---- Bits ---------------------------------------------------------------------------------------


def _claims(group: FixedGroup) -> Iterator[tuple[str, Place, Span | None]]:
    """Yield (name, place, where it is written) of everything that has bits of its own."""
    for item in group.items:
        yield item.name, tuple(b for place in item.places for b in place), item.parameter.span
    for check in group.checks:
        yield check.name, check.place, check.span


def _check_bits(validator: Validator, groups: Sequence[FixedGroup]) -> None:
    owners: dict[int, list[tuple[int, FixedGroup, str, Span | None]]] = {}
    reported: set[tuple[str, str, str, str]] = set()
    for group in groups:
        for name, place, span in _claims(group):
            for bits in place:
                mask = (1 << bits.width) - 1 << bits.low
                here = owners.setdefault(bits.address, [])
                if len(here) == MOST_OWNERS:
                    validator.add("PS351", f"more than {MOST_OWNERS} things have bits of "
                             f"0x{bits.address:04X}", span, help="describe what the layout has")
                    return
                for other_mask, other, other_name, other_span in here:
                    pair = other.declared, other_name, group.declared, name
                    if mask & other_mask and pair not in reported and not (
                            other is not group and exclusive(other.condition, group.condition)):
                        reported.add(pair)
                        _refuse_overlap(validator, (other, other_name, other_span),
                                        (group, name, span), show_place((bits,)))
                here.append((mask, group, name, span))


def _refuse_overlap(validator: Validator, one: tuple[FixedGroup, str, Span | None],
                    two: tuple[FixedGroup, str, Span | None], where: str) -> None:
    (other, other_name, other_span), (group, name, span) = one, two
    if other is group and other_name == name:
        validator.add("PS351", f"`{group.name}.{name}` has bits of {where} twice", span,
                      help="name every bit once; for elements of an array correct `every`")
        return
    conditions = other is not group and (other.condition or group.condition)
    note = ("by their `when` both groups can be there at the same time" if conditions else "")
    validator.add(
        "PS351", f"`{group.name}.{name}` and `{other.name}.{other_name}` share bits of {where}",
        span, also=((other_span, "the other one"),) if other_span else (), notes=(note,),
        help="correct an address; or, if they are alternatives, put them in groups whose `when` "
        "cannot hold at the same time")


@lru_cache  # the same pair is asked of every byte of two alternative groups
def exclusive(one: Condition | None, two: Condition | None) -> bool:
    """Return whether two conditions can never hold at the same time."""
    if one is None or two is None:
        return False
    if one.relation is not Relation.IS:
        one, two = two, one
    if one.relation is not Relation.IS:
        return False
    known, asked = _bits(one), _bits(two)
    if two.relation is Relation.IS:
        return any(known.get(bit, value) != value for bit, value in asked.items())
    if two.relation is Relation.NOT:
        return all(known.get(bit) == value for bit, value in asked.items())
    number = 0
    for bit in asked:  # the highest first; those that are not known may be 1
        number = number << 1 | known.get(bit, 1)
    return number <= two.number


def _bits(condition: Condition) -> dict[tuple[int, int], int]:
    """Return the bits that a condition is about, and what they are compared with."""
    bits = bits_of(condition.place)
    return {bit: condition.number >> len(bits) - 1 - n & 1 for n, bit in enumerate(bits)}


# ---- Scales -------------------------------------------------------------------------------------


def _check_scales(validator: Validator, groups: Sequence[FixedGroup]) -> None:
    by_name = {group.name: group for group in groups}
    for group in groups:
        for item in group.items if group.block < 2 else ():
            if item.scale_from is None:
                continue
            path = ("group", group.declared, "parameter", item.name, "scale_from")
            found = scale_source(by_name, group, item.scale_from)
            if found is None:
                known = [i.name for i in group.items if i is not item] + [
                    f"{g.name}.{i.name}" for g in groups for i in g.items if g is not group]
                validator.add("PS365", f"there is no parameter `{item.scale_from.name}`",
                              validator.value(*path), help=did_you_mean(item.scale_from.name, known)
                              or "name one of the same group, or of a group with one block")
            elif not _is_number(found[1]):
                validator.add("PS365", f"`{item.scale_from.name}` cannot be a scale",
                         validator.value(*path),
                         also=((found[1].parameter.span, ""),) if found[1].parameter.span else (),
                         help="name a number that is no array and has no `scale_from` itself")


def _is_number(item: PlacedParameter) -> bool:
    return (item.field.kind in (Kind.INTEGER, Kind.FLOAT) and not item.field.array
            and item.scale_from is None)


# ---- Targets ------------------------------------------------------------------------------------


def _check_targets(validator: Validator, groups: Sequence[FixedGroup]) -> None:
    owners: dict[tuple[str, str, str], tuple[FixedGroup, PlacedParameter]] = {}
    reported = set()
    for group in groups:
        for item in group.items:
            target = item.target
            if target.nowhere:
                continue
            home = group.name if group.copy_number is None else group.declared
            name = target.group or home, target.parameter or item.name, target.axis
            other, first = owners.setdefault(name, (group, item))
            # The blocks of a group give the elements of an array, or are copies.
            if first.name == item.name and other.declared == group.declared:
                continue
            if exclusive(other.condition, group.condition):
                continue
            # Of many blocks each would be reported again, from the same line.
            if (group.declared, item.name, other.declared) in reported:
                continue
            span, earlier = (i.target.span or i.parameter.span for i in (item, first))
            reported.add((group.declared, item.name, other.declared))
            where = ".".join(filter(None, name))
            validator.add("PS361", f"two values go to `{where}` of a store", span,
                          also=((earlier, "the other one"),) if earlier else (),
                          help="send one of them elsewhere")
