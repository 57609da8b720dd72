"""Whole records of values that cannot be: does the firmware serve what the host says of them?

Bodies are made on the host, with a right CRC; what has to be served is what `schema.breaches` makes
of them, which shares nothing with the C. Knows no campaign.
"""

from __future__ import annotations

import math
import random
import struct
from collections.abc import Iterator
from dataclasses import dataclass

from paramstore.core.scalars import Scalar, ScalarForm
from paramstore.core.status import Health
from paramstore.image.pack import pack
from paramstore.layout.plan import PlacedField, Plan, Ring
from paramstore.record import build_record, decode_body, encode_body
from paramstore.schema.breaches import rules_of, served
from paramstore.schema.model import Field, Kind
from paramstore.verify.cuts.explorer import Explorer
from paramstore.verify.cuts.pictures import GroupPicture
from paramstore.verify.cuts.results import CutHistory, Start, Verdict, Violation, What

__all__ = ["CASES", "Body", "bodies_of", "judge_body", "judge_ungiven"]

CASES = 500
"""Bodies of each group, from each start state."""

_TEXTS = (b"\x80", b"\xc3\x28", b"\xed\xa0\x80", b"\xf4\x90\x80\x80", b"\xc0\xaf", b"ok\0tail",
          b"\xe2\x82", b"\0\xff", "\u00e9\u20ac".encode())


@dataclass(frozen=True, slots=True)
class Body:
    """The body of a record of a ring, by the index of its group."""

    group: int
    body: bytes


def bodies_of(plan: Plan, start: Start, number: int, seed: int) -> Body:
    """Return the body of a case: the same for the same numbers."""
    group = number % len(plan.rings)
    ring = plan.rings[group]
    chance = random.Random(f"{seed} {start} {number}")
    values = {p.field.name: p.field.default for p in ring.fields}
    body = bytearray(encode_body(ring, values))
    placed = list(ring.fields)
    for field in chance.sample(placed, chance.randint(1, len(placed))):
        _spoil(body, field, chance)
    if chance.random() < 0.3:
        _break_a_rule(ring, body, chance)
    return Body(group, bytes(body))


def _spoil(body: bytearray, placed: PlacedField, chance: random.Random) -> None:
    """Give some elements of a field values at and beyond the edge of what is allowed."""
    field, size = placed.field, placed.field.scalar.size
    run = slice(placed.offset, placed.offset + field.size)
    if field.kind is Kind.TEXT:
        text = chance.choice((*_TEXTS, chance.randbytes(field.count)))[:field.count]
        body[run] = (bytes(chance.choices(b"abc", k=chance.randint(0, field.count - len(text))))
                     + text).ljust(field.count, chance.choice((b"\0", b"x", b"\xff")))
        return
    edges = list(_edges(field))
    for i in range(field.count):
        if i == 0 or chance.random() < 0.5:
            at = placed.offset + i * size
            body[at:at + size] = chance.choice((*edges, chance.randbytes(size)))


def _edges(field: Field) -> Iterator[bytes]:
    scalar = field.scalar
    yield from (bytes(scalar.size), b"\xff" * scalar.size, b"\x01" + bytes(scalar.size - 1),
                b"\x02" + bytes(scalar.size - 1), bytes(scalar.size - 1) + b"\x80")
    numbers: list[int | float] = [end for pair in field.limits.ranges or () for end in pair]
    if scalar.form is ScalarForm.FLOAT:
        wild = (math.nan, math.inf, -math.inf, -0.0)
        beyond = [math.nextafter(n, way) for n in numbers for way in (math.inf, -math.inf)]
        yield from _packed(scalar, (*wild, *numbers, *beyond, *(n * 1.001 for n in numbers)))
    else:
        yield from _packed(scalar, [int(n) + step for n in numbers for step in (-1, 0, 1)])


def _packed(scalar: Scalar, numbers: list[int] | tuple[float, ...]) -> Iterator[bytes]:
    for number in numbers:
        try:
            yield scalar.pack(number)
        except (OverflowError, struct.error):
            continue  # beyond what the scalar holds


def _break_a_rule(ring: Ring, body: bytearray, chance: random.Random) -> None:
    """Put the elements of one side of a rule in the place of the other's."""
    rules = list(rules_of(ring.group))
    if rules:
        rule = chance.choice(rules)
        places = {p.field.name: p.offset for p in ring.fields}
        size, count = rule.low.scalar.size, rule.low.count
        at, to = places[rule.high.name], places[rule.low.name]
        if rule.low is rule.high:
            at, to = to, to + size * chance.randrange(max(1, count - 1))
            count = 1
        body[to:to + size * count] = body[at:at + size * count]


def judge_body(explorer: Explorer, start: Start, case: Body) -> Violation | None:
    """Let the firmware mount a part with that record, and compare."""
    plan, ring = explorer.plan, explorer.plan.rings[case.group]
    wanted = served(ring.group, decode_body(ring, case.body))
    hostile = _with_body(plan, explorer.pictures.images[0], ring, case.body)
    mended = _with_body(plan, explorer.pictures.images[0], ring,
                        encode_body(ring, wanted.values))
    expected, _ = explorer.see(mended)
    found, health = explorer.see(hostile)
    flagged = Health.LIMIT in health[case.group]
    if found == expected and flagged == bool(wanted.resets):
        return None
    verdict = Verdict.DIFFERENT if found != expected else Verdict.UNFLAGGED
    return Violation(verdict, case.group, 1, int(health[case.group]), CutHistory(start, ()),
                     What.FLAGS)


def judge_ungiven(explorer: Explorer, start: Start) -> Violation | None:
    """Let the firmware mount a part packed without any value: a protected group without values must
    say that it has defaults."""
    nothing: dict[str, GroupPicture] = {}
    _, health = explorer.see(pack(explorer.plan, nothing))
    for group, ring in enumerate(explorer.plan.rings):
        if (Health.DEFAULTS in health[group]) != ring.group.role.protected:
            return Violation(Verdict.UNFLAGGED, group, 0, int(health[group]), CutHistory(start, ()),
                             What.FLAGS)
    return None


def _with_body(plan: Plan, image: bytes, ring: Ring, body: bytes) -> bytes:
    made = bytearray(image)
    for slot in range(ring.group.copies):
        record = build_record(plan, ring, slot + 1, body)
        made[ring.address(slot):ring.address(slot) + len(record)] = record
    return bytes(made)
