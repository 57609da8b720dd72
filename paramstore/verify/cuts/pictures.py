"""Values to tell commits apart: several valid sets of values for each group.

Deterministic: the same plan gives the same pictures. Values keep limits and rules, differ from each
other and from the defaults as far as the group's parameters can hold so many values.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass

from paramstore.core.scalars import Raw, ScalarForm, round_f32
from paramstore.image.pack import pack
from paramstore.layout.plan import Plan, Ring
from paramstore.record import default_payload, encode_body
from paramstore.schema.breaches import breaches
from paramstore.schema.model import Field, Group, Kind

__all__ = ["MOST_PICTURES", "Pictures", "draw_field", "make_pictures", "without_breaches"]

MOST_PICTURES = 7
"""Sets of values of a group, at most. Prime, so that a lap of a ring rarely is a multiple of it."""
_TRIES = 200
_LETTERS = b"ABCDEFGHJKLMNPQRSTUVWXYZ0123456789abcdefghijkmnopqrstuvwxyz-+"

GroupPicture = dict[str, tuple[Raw, ...]]


@dataclass(frozen=True)
class Pictures:
    """The sets of values of each group, by group name, and the packed image of each turn.

    Version v of a group (from 1) has set (v - 1) mod the number of its sets.
    """

    groups: dict[str, tuple[GroupPicture, ...]]
    images: tuple[bytes, ...]

    def count(self, group: str) -> int:
        """Return how many sets of values a group has."""
        return len(self.groups[group])

    def of(self, group: str, version: int) -> GroupPicture:
        """Return the values of a version, from 1."""
        sets = self.groups[group]
        return sets[(version - 1) % len(sets)]


def make_pictures(plan: Plan) -> Pictures:
    """Return pictures of every group of a plan."""
    groups = {ring.group.name: tuple(_group_pictures(ring)) for ring in plan.rings}
    return Pictures(groups, tuple(
        pack(plan, {name: sets[turn % len(sets)] for name, sets in groups.items()})
        for turn in range(MOST_PICTURES)))


def _group_pictures(ring: Ring) -> Iterator[GroupPicture]:
    """The first sets found that differ; so many that one lap of the ring is no whole turn."""
    chance = random.Random(f"{ring.group.name} {ring.payload_bytes}")
    seen = {default_payload(ring)}
    found: list[GroupPicture] = []
    for _ in range(_TRIES):
        values = _draw(ring.group, chance)
        body = encode_body(ring, values)[:ring.payload_bytes]
        if body not in seen:
            seen.add(body)
            found.append(values)
        if len(found) == MOST_PICTURES:
            break
    # A single flag: its default has to do for every second version. Where nothing but the default
    # is valid, such as an enumeration of one member, it has to do for all.
    if len(found) < 2:
        found.append({})
    laps = {ring.slots, ring.slots // ring.group.copies}
    while len(found) > 2 and any(lap % len(found) == 0 for lap in laps):
        found.pop()
    return iter(found)


def _draw(group: Group, chance: random.Random) -> GroupPicture:
    """Random values that keep limits and rules."""
    return without_breaches(group, {f.name: draw_field(f, chance) for f in group.fields})


def without_breaches(group: Group, values: GroupPicture) -> GroupPicture:
    """Return values in which parameters that break a rule, and their partners, have defaults."""
    values = dict(values)
    while broken := {b.parameter.name for b in breaches(group, values)}:
        for name in broken:
            partners = [group.parameter(name)]
            if (below := partners[0].below) is not None:
                partners.append(group.parameter(below))
            for field in (f for p in partners for f in p.fields):
                values[field.name] = field.default
    return values


def draw_field(field: Field, chance: random.Random) -> tuple[Raw, ...]:
    """Return random values of a field that it may hold."""
    if field.kind is Kind.TEXT:
        length = chance.randint(min(1, field.count), field.count)
        return tuple(bytes(chance.choices(_LETTERS, k=length)).ljust(field.count, b"\0"))
    if field.rising:
        return _draw_rising(field, chance)
    return tuple(_draw_element(field, chance) for _ in range(field.count))


def _draw_element(field: Field, chance: random.Random) -> Raw:
    if field.limits.mask is not None:
        return chance.getrandbits(64) & field.limits.mask
    low, high = chance.choice(field.limits.ranges or ((field.scalar.minimum,
                                                      field.scalar.maximum),))
    if field.scalar.form is not ScalarForm.FLOAT:
        return chance.randint(int(low), int(high))
    part = chance.random()
    value = low * (1 - part) + high * part  # high - low may be beyond the largest number
    value = round_f32(value) if field.scalar.size == 4 else value
    return min(max(value, low), high)


def _draw_rising(field: Field, chance: random.Random) -> tuple[Raw, ...]:
    """Different values in order; the default where limits leave too few of them."""
    drawn = sorted({_draw_element(field, chance) for _ in range(4 * field.count)})
    if len(drawn) < field.count:
        return field.default
    return tuple(sorted(chance.sample(drawn, field.count)))
