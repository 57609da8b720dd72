"""Units of an earlier release whose values lie on the edges of what a later release does with them.

Edges are the ends of limits and the defaults, of the unit's own release and of the later one, those
of the other side of a rule too, and what lies beside each. Makes images, judges none.
"""

from __future__ import annotations

import math
import random
import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from paramstore.core.scalars import GroupRaws, Raw, ScalarForm
from paramstore.image.contents import unpack
from paramstore.image.migrate import migrate
from paramstore.image.pack import pack
from paramstore.layout.plan import Plan
from paramstore.layout.raw_conversion import convert_raw
from paramstore.releases.successors import Counterpart, successors
from paramstore.schema.breaches import breaches, rules_of
from paramstore.schema.model import Field, Group, Kind, Parameter
from paramstore.verify.cuts.pictures import GroupPicture, draw_field, without_breaches

__all__ = ["UnitMaker"]

_TRIES = 8
_TEXTS = (Kind.TEXT, Kind.BYTES)


@dataclass(frozen=True)
class UnitMaker:
    """Makes units of the release `line[-2]` for firmware of `line[-1]`.

    `line` are consecutive plans of a series. A unit may have been made with any of them but the
    last, and then hold records of a revision that its own release reads, but did not write.
    """

    line: Sequence[Plan]
    edges: Sequence[GroupRaws]

    @staticmethod
    def of(line: Sequence[Plan], later: Sequence[Plan]) -> UnitMaker:
        """Return a maker of units of `line[-1]` for the last of the plans `later`, which follow."""
        edges = tuple(_edges_of((*line[at:], *later)) for at in range(len(line)))
        return UnitMaker(line, edges)

    def unit(self, number: int, seed: int) -> bytes:
        """Return the image of a unit: the same for the same numbers."""
        last = len(self.line) - 1
        chance = random.Random(f"{seed} {self.line[last].release} {number}")
        made = last if chance.random() < 0.6 else chance.randint(0, last)
        plan = self.line[made]
        few = chance.random() < 0.5
        image = pack(plan, {ring.group.name: self._values(made, ring.group, few, chance)
                            for ring in plan.rings}, defaults=True)
        if made == last:
            return image
        return migrate(unpack(plan, image), self.line[last], self.line[made:]).image

    def _values(self, made: int, group: Group, few: bool, chance: random.Random) -> GroupPicture:
        """Values of a group, all on edges, or a `few` of them and else defaults."""
        names = {p.name for p in group.parameters}
        if few:
            names = set(chance.sample(sorted(names), min(len(names), chance.randint(1, 2))))
        values = {f.name: f.default for f in group.fields}
        for _ in range(_TRIES):
            for parameter in group.parameters:
                if parameter.name in names:
                    values |= {f.name: self._draw(made, group, f, chance)
                               for f in parameter.fields}
            if not (names := set(_in_breach(group, values))):
                break
        return without_breaches(group, values)

    def _draw(self, made: int, group: Group, field: Field,
              chance: random.Random) -> tuple[Raw, ...]:
        edges = self.edges[made].get(f"{group.name}.{field.name}", ())
        if field.kind in _TEXTS or not edges or chance.random() < 0.1:
            return draw_field(field, chance)
        drawn = [chance.choice(edges) for _ in range(field.count)]
        return tuple(sorted(drawn) if field.rising else drawn)


def _in_breach(group: Group, values: GroupPicture) -> Iterator[str]:
    """Yield the parameters that break a limit or a rule, and those that they are to be below."""
    for breach in breaches(group, values):
        yield breach.parameter.name
        if breach.parameter.below is not None:
            yield breach.parameter.below


# ---- Edges --------------------------------------------------------------------------------------


def _edges_of(line: Sequence[Plan]) -> dict[str, tuple[Raw, ...]]:
    """Return by GROUP.FIELD of the first of consecutive plans the edges that it may hold: its own,
    and those of each later plan turned back."""
    every: dict[str, list[Raw]] = {}
    for following in (line[:end] for end in range(1, len(line) + 1)):
        for (group, name), successor in successors(following).items():
            parameter = line[0].ring(group).group.parameter(name)
            for field, raws in _turned_back(parameter, successor):
                every.setdefault(f"{group}.{field.name}", []).extend(
                    raw for edge in raws for raw in _beside(field, edge)
                    if field.limits.allow(raw))
    return {where: tuple(dict.fromkeys(raws)) for where, raws in every.items()}


def _turned_back(parameter: Parameter, successor: Counterpart) -> Iterator[tuple[Field, list[Raw]]]:
    """Yield each field with the edges of its successor, as the field itself holds them."""
    for field, later, back in zip(parameter.fields, successor.parameter.fields,
                                  successor.conversions, strict=True):
        if field.kind in _TEXTS:
            continue
        found = (convert_raw(back, raw) for edge in _edges(successor.ring.group, later)
                 for raw in _beside(later, edge))
        yield field, [raw for raw in found if raw is not None]


def _edges(group: Group, field: Field) -> Iterator[Raw]:
    """Yield the ends of the limits of a field, its defaults, its bits, and the same of the fields
    that a rule sets against it."""
    if field.limits.mask is not None:
        yield from (1 << bit for bit in range(64) if field.limits.mask >> bit & 1)
        yield from (field.limits.mask, *field.default)
        return
    others = [f for rule in rules_of(group) for pair in [(rule.low, rule.high)]
              if field in pair for f in pair]
    for each in (field, *others):
        yield from each.default
        yield from (end for pair in each.limits.ranges or (
            (each.scalar.minimum, each.scalar.maximum),) for end in pair)


def _beside(field: Field, raw: Raw) -> Iterator[Raw]:
    """Yield a raw, and the nearest ones on both sides that the field can store."""
    scalar = field.scalar
    if scalar.form is not ScalarForm.FLOAT:
        yield from (int(raw) + step for step in (0, -1, 1)
                    if scalar.minimum <= int(raw) + step <= scalar.maximum)
        return
    yield raw
    for way in (-math.inf, math.inf):
        try:
            near = scalar.unpack(scalar.pack(raw * (1 + 2**-22) if raw else 2.0**-20))
        except (OverflowError, struct.error):
            continue
        step = near - raw
        yield scalar.unpack(scalar.pack(raw + math.copysign(step, way)))
