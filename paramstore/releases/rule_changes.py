"""What becomes of the rules between parameters, and which stored values they cost.

A unit of the old release holds values that keep its rules. They may break those of the new schema:
a rule that is new, one whose values are rounded, or one where the default of one side comes to
stand against what is stored of the other. Firmware then gives both sides their defaults.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import NamedTuple

from paramstore.core.scalars import Raw, ScalarForm
from paramstore.layout.plan import Plan, Ring
from paramstore.layout.raw_conversion import convert_raw
from paramstore.releases.change import (
    Change,
    Impact,
    ValueRoute,
    images,
    line_may_round,
    ranges_of,
    way_along,
)
from paramstore.releases.links import Links
from paramstore.schema.breaches import Rule, rules_of
from paramstore.schema.from_raw import format_value, show_element, show_raw
from paramstore.schema.model import Field, Group, Parameter

__all__ = ["rule_changes"]

Span = tuple[Raw, Raw]
"""The lowest and highest of some raws, both included; without end if infinite."""

_ANY: Span = (-math.inf, math.inf)


def rule_changes(old: Plan, links: Links, group: Group) -> Iterator[Change]:
    """Yield every change of a rule of `group`, and every default that may take a stored value with
    it (PS770). Parameters with a refused change are left out."""
    sides = {p.name: side for p in group.parameters if (side := _side(old, links, group, p))}
    rules = [_Pair(rule, sides[rule.parameters[0].name], sides[rule.parameters[1].name])
             for rule in rules_of(group) if len(rule.parameters) == 2
             and all(p.name in sides for p in rule.parameters)]
    broken: list[_Pair] = []
    for parameter in group.parameters:
        if side := sides.get(parameter.name):
            pair = next((r for r in rules if r.low is side), None)
            for change in _of_rule(old, links, side, pair):
                yield change
                if change.impact is Impact.MIGRATES and pair and len(change.loses) > 1:
                    broken.append(pair)
            yield from _rising(side)
    losses = _Losses(rules)
    for side in sides.values():
        for start in _starts(side, rules):
            yield from losses.of(start, None)
    for pair in broken:
        words = ", where it comes in with that of `{}`,"
        for side, other in ((pair.low, pair.high), (pair.high, pair.low)):
            start = _AtDefault(side, words.format(other.field.name), True,
                               (side.reach,) * side.field.count)
            yield from losses.of(start, pair)


# ---- Sides --------------------------------------------------------------------------------------


class _Side(NamedTuple):
    """A parameter, its states from the old release on, and what units may hold of it. `old` is None
    if it is new; `late` says that a record of the old release need not hold it."""

    where: str
    parameter: Parameter
    line: tuple[Parameter, ...]
    old: Field | None = None
    home: Ring | None = None
    way: ValueRoute | None = None
    late: bool = False

    @property
    def field(self) -> Field:
        return self.parameter.first

    @property
    def stored(self) -> tuple[Span, ...]:
        """The raws within today's limits that a unit may hold, converted."""
        if self.old is None or self.way is None:
            return ()
        parts = ((max(a, low), min(b, high)) for a, b in images(self.old, self.way)
                 for low, high in ranges_of(self.field))
        return tuple((a, b) for a, b in parts if a <= b)

    @property
    def reach(self) -> Span:
        """All that a unit may hold, converted, limits or not."""
        return _hull(images(self.old, self.way)) or _ANY if self.old and self.way else _ANY

    @property
    def outside(self) -> Span | None:
        """What a unit may hold that is outside today's limits."""
        if self.old is None or self.way is None:
            return None
        ends = [-math.inf, *(end for pair in ranges_of(self.field) for end in pair), math.inf]
        gaps = [(_next(self.field, a, 1), _next(self.field, b, -1))
                for a, b in zip(ends[::2], ends[1::2], strict=True)]
        parts = ((max(a, low), min(b, high)) for a, b in images(self.old, self.way)
                 for low, high in gaps)
        return _hull((a, b) for a, b in parts if a <= b)


def _side(old: Plan, links: Links, group: Group, parameter: Parameter) -> _Side | None:
    """Return a parameter with its past; None if a change of it is refused."""
    where = f"{group.name}.{parameter.name}"
    before = links.before(old, group, parameter)
    if before is None:
        return _Side(where, parameter, (parameter,))
    between = links.between.get((group.name, parameter.name), ())
    line = (before, *(former for _, former in between), parameter)
    ways = [way_along([state.fields[i] for state in line])
            for i in range(min(len(state.fields) for state in line))]
    if None in ways:
        return None
    home = old.ring(links.parameters[group.name, parameter.name][0])
    late = home.placed(before.first).since > 1
    return _Side(where, parameter, line, before.first, home, ways[0], late)


class _Pair:
    """A rule between two parameters. `kept`: what a unit holds of both keeps it, converted."""

    def __init__(self, rule: Rule, low: _Side, high: _Side) -> None:
        self.rule, self.low, self.high = rule, low, high
        self.same_rule = (low.old is not None and high.old is not None and low.home == high.home
                      and low.line[0].below == high.line[0].name)
        self.ordered = (low.way is not None and high.way is not None and low.way.rises
                        and low.way.conversion == high.way.conversion)
        self.rounds = any(line_may_round([state.fields[0] for state in side.line])
                          for side in (low, high))
        self.kept = self.same_rule and self.ordered and not self.rounds


# ---- Rules that are other ones, or not kept -----------------------------------------------------


def _of_rule(old: Plan, links: Links, side: _Side, pair: _Pair | None) -> Iterator[Change]:
    """Yield what becomes of the rule that a parameter is below another one."""
    if side.old is None or side.home is None:
        return  # it is new, and so is its rule
    now = {name: new for (_, new), name in links.parameters.items()}
    before = side.line[0].below
    former = now.get((side.home.group.name, before), before) if before else None
    both = "a unit where it is not gets the defaults of both"
    if side.parameter.below is None:
        if former:
            yield Change("PS767", Impact.SAFE, side.where,
                         f"need not be below `{former}` any more")
    elif pair is None:
        return  # the other one has an error
    elif side.parameter.below != former:
        other = f"must be below `{pair.high.field.name}` now"
        if pair.high.old is None:
            yield Change("PS767", Impact.SAFE, side.where, other)
        elif _may_meet(pair):
            yield Change("PS767", Impact.MIGRATES, side.where, f"{other}; {both}",
                         (pair.low.where, pair.high.where))
        else:
            yield Change("PS767", Impact.SAFE, side.where, f"{other}, as all stored values are")
    elif not pair.kept:
        when = "rounded" if pair.ordered else "converted"
        yield Change("PS767", Impact.MIGRATES, side.where,
                     f"must be below `{pair.high.field.name}` when {when}, too; {both}",
                     (pair.low.where, pair.high.where))


def _may_meet(pair: _Pair) -> bool:
    low, high = _hull(pair.low.stored), _hull(pair.high.stored)
    return low is not None and high is not None and low[1] >= high[0]


def _rising(side: _Side) -> Iterator[Change]:
    """Yield that points of a curve may fall together, or turn round."""
    lines = [[state.fields[i] for state in side.line] for i, f in enumerate(side.parameter.fields)
             if f.rising and all(len(state.fields) > i for state in side.line)]
    for line in lines if side.old else ():
        way = way_along(line)
        if way is not None and not way.rises:
            yield Change("PS767", Impact.MIGRATES, side.where, "must rise when converted, too; a "
                         "unit where it does not gets the default", (side.where,))
        elif line_may_round(line):
            yield Change("PS767", Impact.MIGRATES, side.where, "must rise when rounded, too; a "
                         "unit where points fall together gets the default", (side.where,))


# ---- Defaults against stored values -------------------------------------------------------------


class _AtDefault(NamedTuple):
    """A parameter that has its default in some unit. `words` say which; `then`: not in every unit.
    `spans`: between which values that unit's own one lay, by element; None for one that is not at
    its default."""

    side: _Side
    words: str
    then: bool
    spans: tuple[Span | None, ...]


def _starts(side: _Side, rules: Sequence[_Pair]) -> Iterator[_AtDefault]:
    """Yield the ways in which a parameter that has a rule comes to its default by itself."""
    field, count = side.field, side.field.count
    pairs = [pair for pair in rules if side in (pair.low, pair.high)]
    if not pairs:
        return
    if side.old is None or side.way is None:
        yield _AtDefault(side, "", False, (_ANY,) * count)
        return
    if side.old.count < count:
        yield _AtDefault(side, " for the elements that are new", False, tuple(
            None if i < side.old.count else _ANY for i in range(count)))
    late = side.late or any(pair.low.home != pair.high.home for pair in pairs)
    before = [convert_raw(side.way.conversion, raw) for raw in side.old.default]
    if late and any(a != b for a, b in zip(before, field.default, strict=False)):
        spans = tuple((a, a) if a is not None else _ANY for a in before[:count])
        yield _AtDefault(side, ", in a unit that holds none,", False,
                         spans + (_ANY,) * (count - len(spans)))
    if (outside := side.outside) is not None:
        yield _AtDefault(side, ", in place of a value outside the limits,", True,
                         (outside if count == 1 else side.reach,) * count)


class _Losses:
    """Follows defaults from rule to rule: what one takes with it has its own default then."""

    def __init__(self, rules: Sequence[_Pair]) -> None:
        self._rules = rules

    def of(self, start: _AtDefault, through: _Pair | None) -> Iterator[Change]:
        """Yield what a default takes with it by any rule but the one it came `through`. Rules lead
        to no place twice: each parameter is below one other, and none in a circle."""
        work = [(start, through)]
        while work:
            at, origin = work.pop(0)
            for pair in self._rules:
                if pair is origin or at.side not in (pair.low, pair.high):
                    continue
                other = pair.high if at.side is pair.low else pair.low
                lost = _lost(at, other, pair)
                if any(lost):
                    yield Change("PS770", Impact.MIGRATES, at.side.where,
                                 _words(at, other, pair, lost), (other.where,))
                    spans = lost if len(lost) == 1 else (other.reach,) * len(lost)
                    work.append((_AtDefault(other, ", where it comes in with that of "
                                            f"`{at.side.field.name}`,", True, spans), pair))


def _lost(at: _AtDefault, other: _Side, pair: _Pair) -> tuple[Span | None, ...]:
    """Return by element the stored values of the `other` side that the default breaks the rule
    with; None where there are none."""
    found: list[Span | None] = []
    for i, default in enumerate(at.side.field.default):
        own = at.spans[i]
        if own is None or other.old is None or i >= other.old.count:
            found.append(None)
            continue
        low, high = own if pair.kept else _ANY
        wrong = ((_next(other.field, low, 1), default) if at.side is pair.low
                 else (default, _next(other.field, high, -1)))
        parts = ((max(a, wrong[0]), min(b, wrong[1])) for a, b in other.stored)
        found.append(_hull((a, b) for a, b in parts if a <= b))
    return tuple(found)


def _words(at: _AtDefault, other: _Side, pair: _Pair, lost: Sequence[Span | None]) -> str:
    field, partner = at.side.field, other.field
    must = "below" if at.side is pair.low else "above"
    unit = "one that" if " none," in at.words else "a unit that" + " then" * at.then
    shown = [span and _span(at, other, span, must) for span in lost]
    if len(lost) == 1:
        held = f"`{partner.name}` of {shown[0]}"
    elif len(set(shown)) == 1:
        held = f"`{partner.name}` of {shown[0]} in an element"
    else:
        held = " or ".join(f"`{partner.name}[{i}]` of {text}"
                           for i, text in enumerate(shown) if text)
    return (f"its default {format_value(field, field.default)}{at.words} must be {must} "
            f"`{partner.name}`: {unit} holds {held} gets the default "
            f"{format_value(partner, partner.default)} of that, too")


def _span(at: _AtDefault, other: _Side, lost: Span, must: str) -> str:
    every, field = _hull(other.stored), other.field
    assert every is not None, "what is lost was stored"
    low, high = lost
    if must == "below" and (at.then or low == every[0]):  # then none is below that
        return f"{show_raw(field, high)} or less"
    if must == "above" and (at.then or high == every[1]):
        return f"{show_raw(field, low)} or more"
    return show_raw(field, low) if low == high else (
        f"{show_element(field, low)} to {show_raw(field, high)}")


# ---- Raws ---------------------------------------------------------------------------------------


def _hull(spans: Iterator[Span] | Sequence[Span]) -> Span | None:
    every = list(spans)
    return (min(a for a, _ in every), max(b for _, b in every)) if every else None


def _next(field: Field, raw: Raw, step: int) -> Raw:
    """Return the raw right above (step 1) or below (-1) another one."""
    if math.isinf(raw):
        return raw
    if field.scalar.form is ScalarForm.FLOAT:
        return math.nextafter(raw, step * math.inf)
    return raw + step
