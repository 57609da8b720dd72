"""Which values break the schema, and what firmware serves in their place (FORMAT.md, 5).

One check for values files, images to be made, dumps, and values of an earlier release. Gives facts,
no words. Must not know files or slots.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from enum import StrEnum
from typing import NamedTuple

from paramstore.core.scalars import GroupRaws, Raw
from paramstore.schema.model import AnyGroup, Field, Kind, Parameter

__all__ = ["Breach", "BreachKind", "Reset", "Rule", "Served", "breaches", "filled_text",
           "own_breaches", "rules_of", "served"]


class BreachKind(StrEnum):
    """What is broken."""

    LIMIT = "limit"  # an element outside its limits
    RISING = "rising"  # an element not greater than the one before
    BELOW = "below"  # an element not below its partner in another parameter
    TEXT = "text"  # not UTF-8 up to its first 00


class Breach(NamedTuple):
    """One broken rule: which element of which field breaks it."""

    kind: BreachKind
    parameter: Parameter
    field: Field
    element: int


class Rule(NamedTuple):
    """A rule between values: each element of `low` is less than that of `high` at its place, or, if
    both are one field, than the next one. `parameters` take part in it: two, or one."""

    low: Field
    high: Field
    parameters: tuple[Parameter, ...]

    def broken_at(self, values: GroupRaws) -> int | None:
        """Return the first element that breaks the rule; None if it is kept."""
        low, high = values[self.low.name], values[self.high.name]
        rising = self.low is self.high
        pairs = zip(low, high[1:], strict=False) if rising else zip(low, high, strict=True)
        return next((i + rising for i, (a, b) in enumerate(pairs) if not a < b), None)

    def breach(self, element: int) -> Breach:
        """Return the breach of an element."""
        kind = BreachKind.RISING if self.low is self.high else BreachKind.BELOW
        return Breach(kind, self.parameters[0], self.low, element)


class Reset(NamedTuple):
    """Why `parameters` get their defaults: a breach in `values`, those of the group by then."""

    breach: Breach
    parameters: tuple[Parameter, ...]
    values: dict[str, tuple[Raw, ...]]


class Served(NamedTuple):
    """What firmware hands out for the values of a record, and what it replaced on the way."""

    values: dict[str, tuple[Raw, ...]]
    resets: tuple[Reset, ...]

    @property
    def defaulted(self) -> tuple[str, ...]:
        """The names of the parameters that got their defaults, each once."""
        return tuple(dict.fromkeys(p.name for reset in self.resets for p in reset.parameters))

    def reset_of(self, parameter: Parameter) -> Reset:
        """Return what first replaced a parameter that is in `defaulted`."""
        return next(r for r in self.resets if parameter in r.parameters)


def rules_of(group: AnyGroup) -> Iterator[Rule]:
    """Yield the rules between values in the order of the tables of the firmware, which decides
    what is served when several are broken."""
    for parameter in group.parameters:
        if parameter.below is not None:
            high = group.parameter(parameter.below)
            yield Rule(parameter.first, high.first, (parameter, high))
        for field in parameter.fields:
            if field.rising:
                yield Rule(field, field, (parameter,))


def served(group: AnyGroup, values: GroupRaws) -> Served:
    """Return what firmware serves for the values of a group, every field of it given.

    A parameter with an element that cannot be has its default, all of it. Then, rule by rule, those
    that take part in a broken one have theirs; over again, until a pass finds none broken.
    """
    result = {name: tuple(raws) for name, raws in values.items()}
    resets: list[Reset] = []

    def reset(breach: Breach, parameters: tuple[Parameter, ...]) -> None:
        resets.append(Reset(breach, parameters, dict(result)))
        result.update({f.name: f.default for p in parameters for f in p.fields})

    for parameter in group.parameters:
        impossible = next((b for f in parameter.fields for b in _impossible(
            parameter, f, result[f.name])), None)
        if impossible is not None:
            reset(impossible, (parameter,))
        for field in parameter.fields:
            if field.kind is Kind.TEXT:
                result[field.name] = filled_text(result[field.name])
    # Defaults keep the rules, so one that was broken is kept from then on. Not to look at it again
    # makes an end of it even if a file of a release says otherwise.
    rules, before = list(rules_of(group)), -1
    while before < len(resets):
        before = len(resets)
        for rule in tuple(rules):
            element = rule.broken_at(result)
            if element is not None:
                reset(rule.breach(element), rule.parameters)
                rules.remove(rule)
    return Served(result, tuple(resets))


def breaches(group: AnyGroup, values: GroupRaws) -> Iterator[Breach]:
    """Yield every breach in the raws of a group, in record order.

    An axis that does not rise, and a parameter that is not below another, are told once, at the
    first element.
    """
    rules = tuple(rules_of(group))
    for parameter in group.parameters:
        for field in parameter.fields:
            yield from own_breaches(parameter, field, values[field.name])
        for rule in rules:
            if rule.parameters[0] is parameter and rule.low is not rule.high:
                element = rule.broken_at(values)
                if element is not None:
                    yield rule.breach(element)


def own_breaches(parameter: Parameter, field: Field, raws: Sequence[Raw]) -> Iterator[Breach]:
    """Yield every breach in the raws of one field that shows without the others."""
    yield from _impossible(parameter, field, raws)
    if field.rising:
        rule = Rule(field, field, (parameter,))
        element = rule.broken_at({field.name: tuple(raws)})
        if element is not None:
            yield rule.breach(element)


def _impossible(parameter: Parameter, field: Field, raws: Sequence[Raw]) -> Iterator[Breach]:
    """Yield what no element may be, whatever the others are."""
    for i, raw in enumerate(raws):
        if not field.limits.allow(raw):
            yield Breach(BreachKind.LIMIT, parameter, field, i)
    if field.kind is Kind.TEXT and not _is_text(raws):
        yield Breach(BreachKind.TEXT, parameter, field, 0)


def filled_text(raws: Sequence[Raw]) -> tuple[Raw, ...]:
    """Return the bytes of a text up to its first 00, filled with 00: what is behind that does not
    count."""
    end = raws.index(0) if 0 in raws else len(raws)
    return (*raws[:end], *(0,) * (len(raws) - end))


def _is_text(raws: Sequence[Raw]) -> bool:
    try:
        bytes(int(r) for r in raws).partition(b"\0")[0].decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True
