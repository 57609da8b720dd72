"""Which parameter of a store takes which value of a fixed layout: checked before any is looked at.

Kinds, units and numbers of elements must agree, whatever the values are.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from paramstore.core.errors import Finding, FindingsError
from paramstore.core.words import code_list, did_you_mean
from paramstore.schema.fixed.model import FixedGroup, FixedLayout, PlacedParameter
from paramstore.schema.model import Field, Group, Kind, Parameter, Schema

__all__ = ["NUMBERS", "FieldMapping", "ways_into"]

NUMBERS = (Kind.INTEGER, Kind.FLOAT)


@dataclass(frozen=True, slots=True)
class FieldMapping:
    """A parameter of a fixed layout and the field of a store that takes its value.

    `blocks` are several if each of them gives an element of an array, or if they are copies, of
    which one counts; `item` is the parameter in the first one.
    """

    blocks: tuple[FixedGroup, ...]
    item: PlacedParameter
    group: Group
    parameter: Parameter
    field: Field

    @property
    def copied(self) -> bool:
        """Whether the blocks are copies."""
        return any(block.copy_number is not None for block in self.blocks)

    @property
    def spread(self) -> bool:
        """Whether each block gives an element."""
        _, *others = self.blocks
        return bool(others) and not self.copied

    @property
    def source(self) -> str:
        """The name here, as the schema of the layout spells it."""
        first, *others = self.blocks
        return f"{first.declared if others else first.name}.{self.item.name}"


def ways_into(layout: FixedLayout, schema: Schema) -> tuple[FieldMapping, ...]:
    """Return which values go where; what no parameter of the store takes is left out.

    FindingsError (PS640 to PS642) where `to` names no parameter, or kinds or units do not agree.
    """
    ways, findings = [], []
    for blocks, item in _sources(layout):
        first, *_ = blocks
        found = _target(layout, schema, first, item)
        if isinstance(found, Finding):
            findings.append(found)
        elif found is not None:
            way = FieldMapping(blocks, item, *found)
            mistake = _mistake(layout, way)
            findings += [mistake] if mistake else []
            ways.append(way)
    findings += [] if findings else _half_curves(layout, ways)
    if findings:
        raise FindingsError(findings)
    return tuple(ways)


def _sources(layout: FixedLayout) -> Iterator[tuple[tuple[FixedGroup, ...], PlacedParameter]]:
    """Yield each parameter with the blocks that give its value together."""
    for group in layout.groups:
        for item in group.items:
            together = group.block > 0 and (
                group.copy_number is not None or item.target.group is not None)
            if not together:
                yield (group,), item
            elif group.block == 1:
                yield layout.blocks(group.declared), item


def _target(layout: FixedLayout, schema: Schema, source: FixedGroup,
            item: PlacedParameter) -> tuple[Group, Parameter, Field] | Finding | None:
    target = item.target
    if target.nowhere or item.always is not None:
        return None
    home = source.name if source.copy_number is None else source.declared
    name = target.group or home, target.parameter or item.name
    groups = {g.name: g for g in schema.groups}
    group = groups.get(name[0])
    parameter = next((p for p in group.parameters if p.name == name[1]), None) if group else None
    if group and parameter:
        axes = {f.name.rpartition(".")[2]: f for f in parameter.fields}
        curve = parameter.kind is Kind.CURVE
        if bool(target.axis) == curve:
            return group, parameter, axes[target.axis] if curve else parameter.first
        there = f"`{group.name}.{parameter.name}`"
        return Finding(
            "PS641", f"{there} is {'a' if curve else 'no'} curve", layout.source,
            target.span or item.parameter.span,
            help=f'name one of its axes, as in `to = "{group.name}.{parameter.name}.x"`' if curve
            else f"take `.{target.axis}` out")
    if target.group is None:
        return None  # nobody said that it has one
    known = [f"{g.name}.{p.name}" for g in schema.groups for p in g.parameters]
    wanted = ".".join(name)
    return Finding("PS640", f"`{schema.name}` has no parameter `{wanted}`", layout.source,
                   target.span, help=did_you_mean(wanted, known) or "name one that it has")


def _mistake(layout: FixedLayout, way: FieldMapping) -> Finding | None:
    """Return why values cannot go this way, whatever they are."""
    here, there = way.item.field, way.field
    span = way.item.target.span or way.item.parameter.span
    source, taker = f"`{way.source}`", f"`{way.group.name}.{there.name}`"
    numbers = here.kind in NUMBERS and there.kind in (*NUMBERS, Kind.CURVE)
    if not numbers and here.kind is not way.parameter.kind:
        return Finding(
            "PS641", f"{source} is of the kind {here.kind}, {taker} of {way.parameter.kind}",
            layout.source, span, help="name another parameter with `to`")
    if not _as_many(way):
        note = f"{len(way.blocks)} blocks give an element each" if way.spread else ""
        return Finding("PS641", f"{source} and {taker} have different numbers of elements",
                       layout.source, span, notes=(note,) if note else (),
                       help="name another parameter with `to`")
    if numbers and here.unit != there.unit and not way.item.target.scaled:
        units = [f"in `{f.unit}`" if f.unit else "without a unit" for f in (here, there)]
        return Finding(
            "PS642", f"{source} is {units[0]}, {taker} {units[1]}", layout.source, span,
            notes=("a value means something else in another unit",),
            help="say how it converts, as in `to = { factor = 0.001 }`; `factor = 1` if it is only "
            "another word for the same unit")
    unknown = [there_name for _, there_name in way.item.target.members
               if there_name not in dict(there.members)]
    if unknown:
        return Finding("PS640", f"{taker} has no member `{unknown[0]}`", layout.source, span,
                       help=did_you_mean(unknown[0], [n for n, _ in there.members])
                       or f"its members are {code_list(n for n, _ in there.members)}")
    return None


def _as_many(way: FieldMapping) -> bool:
    """Return whether both sides have the same number of elements."""
    here, there = way.item.field, way.field
    several = there.array or there.kind is Kind.CURVE
    if way.spread:
        return several and not here.array and len(way.blocks) == there.count and (
            here.kind not in (Kind.TEXT, Kind.BYTES))
    return here.array == several and (not here.array or here.count == there.count)


def _half_curves(layout: FixedLayout, ways: Sequence[FieldMapping]) -> Iterator[Finding]:
    """Yield curves of which only one axis gets values."""
    for way in ways:
        given = {w.field.name for w in ways if w.parameter is way.parameter}
        lacking = [f.name for f in way.parameter.fields if f.name not in given]
        if lacking:
            yield Finding("PS641", f"nothing goes to `{way.group.name}.{lacking[0]}`",
                          layout.source, way.item.target.span or way.item.parameter.span,
                          notes=("a curve takes its points as a whole",),
                          help="name a parameter for both axes")
