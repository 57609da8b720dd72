"""From TOML text to a `FixedLayout`, or to all of its mistakes at once.

Walks the file from the layout over the groups to parameters and checksums; a group of several
blocks becomes as many groups. Rules between them are in `rules`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from paramstore.core.errors import Finding, Severity, SourceText
from paramstore.core.scalars import ScalarForm
from paramstore.core.words import did_you_mean, plural
from paramstore.located.keys import KeyPath, TomlValue
from paramstore.located.source import load_document
from paramstore.located.validator import CheckedTable, Validator
from paramstore.schema.bits import place_bytes
from paramstore.schema.fixed.checks import read_check
from paramstore.schema.fixed.coding import Coding
from paramstore.schema.fixed.conditions import read_conditions
from paramstore.schema.fixed.keys import (
    FIXED_KEYS,
    FIXED_ROOT_KEYS,
    MAX_BYTES,
    ORDERS,
    SECTION_KEYS,
)
from paramstore.schema.fixed.model import FixedGroup, FixedLayout, PlacedParameter
from paramstore.schema.fixed.parameters import Spot, read_item, read_order, shifted
from paramstore.schema.fixed.places import refuse_outside
from paramstore.schema.fixed.rules import check_groups, extent_of, place_of
from paramstore.schema.identifiers import member_problem
from paramstore.schema.keys import ALIASES
from paramstore.schema.model import Kind

__all__ = ["read_layout"]


def read_layout(source: SourceText) -> tuple[FixedLayout, tuple[Finding, ...]]:
    """Return the layout in `source` and the warnings about it, sorted by place.

    FindingsError with every mistake (PS1xx, PS2xx, PS350 to PS366), and the warnings among them.
    """
    validator = Validator(load_document(source), ALIASES)
    root = validator.table((), FIXED_ROOT_KEYS, "the schema")
    assert root is not None
    head = validator.table(("fixed",), FIXED_KEYS, "the layout", example="[fixed]") if (
        "fixed" in root.values) else None
    name, size, order = _head(head)
    groups: list[FixedGroup] = []
    declared = root.get("group", {})
    if not declared and "group" not in root.spoilt:
        validator.add("PS362", "the layout has no groups", validator.key("fixed"),
                      help="add `[group.NAME]`, and its parameters under `[group.NAME.parameter]`")
    for each in declared:
        _check_name(validator, "group", ("group", each))
        groups += _read_group(validator, each, Spot(0, size, order))
    check_groups(validator, groups)
    warnings = validator.sound_findings()
    groups.sort(key=place_of)
    layout = FixedLayout(name, size, tuple(groups), head.get("doc", "") if head else "", source)
    return layout, warnings


def _head(head: CheckedTable | None) -> tuple[str, int, str]:
    """Return name, size and byte order; where they are wrong, such as give no more findings."""
    if head is None:
        return "", MAX_BYTES, ORDERS[0]
    if "name" in head.values:
        _check_name(head.validator, "layout", ("fixed", "name"), value=head.get("name"))
    order = read_order(head, ORDERS[0]) or ORDERS[0]
    return head.get("name", ""), head.get("size", MAX_BYTES), order


def _check_name(validator: Validator, what: str, path: KeyPath, *,
                value: str | None = None) -> None:
    """Check the name that is the last key of a path, or the value there."""
    if problem := member_problem(what, str(path[-1]) if value is None else value):
        validator.add_problem(problem._replace(at_key=value is None, notes=(
            "a name begins with a letter a to z and goes on with letters a to z, digits and `_`",
        )), path)


# ---- Groups -------------------------------------------------------------------------------------


def _read_group(validator: Validator, name: str, whole: Spot) -> Iterator[FixedGroup]:
    """Yield the blocks of a group, one if it is not repeated; none, with findings, if unsound."""
    path = ("group", name)

    def guess(_: str, value: TomlValue) -> tuple[str, str] | None:
        return ("parameter", f"parameters of the group are in `[group.{name}.parameter]`") if (
            isinstance(value, dict)) else None

    table = validator.table(path, SECTION_KEYS, f"group `{name}`", example=f"[group.{name}]",
                            guess=guess)
    if table is None or table.spoilt:
        return
    spot = replace(whole, base=table.get("at", 0))
    items = [read_item(validator, (*path, "parameter", each), each, spot)
             for each in _names(validator, name, table, "parameter")]
    checks = [read_check(validator, (*path, "check", each), each, spot)
              for each in _names(validator, name, table, "check")]
    if not items and not checks:
        table.add("PS362", f"group `{name}` has neither parameters nor checks", table.key(),
                  help=f'write `[group.{name}.parameter]`, and below it `level = {{ type = "u8", '
                  "at = 0 }`")
    if not (any(items) or any(checks)):
        return
    # What is sound is kept where something is not: its bits are held against those of others.
    group = FixedGroup(name, name, spot.base, tuple(i for i in items if i),
                       tuple(c for c in checks if c), doc=table.get("doc", ""))
    yield from _blocks(table, group, spot)


def _names(validator: Validator, group: str, table: CheckedTable, key: str) -> list[str]:
    names = list(table.get(key, {}))
    for name in names:
        _check_name(validator, key, ("group", group, key, name))
    return names


def _blocks(table: CheckedTable, group: FixedGroup, spot: Spot) -> Iterator[FixedGroup]:
    """Yield a group as often as `count` says; a finding if the blocks do not fit."""
    validator, count, every = table.validator, table.get("count"), table.get("every")
    copies = _copies(table, group)
    if count is None:
        if every is not None:
            validator.add("PS355", f"{table.what} has `every`, but no `count`", table.span("every"),
                          help="add `count`, the number of blocks, or take `every` out")
        yield from _there_when(table, (group,), spot)
        return
    first, last = extent_of(group)
    if every is None:
        validator.add("PS355", f"{table.what} has `count`, but no `every`", table.span("count"),
                      help=f"add `every = {last + 1 - group.at}`, the bytes from block to block")
    elif count > 1 and last - first >= every:
        validator.add("PS355", f"the blocks of {table.what[6:]} overlap", table.span("every"),
                      notes=(f"a block takes {plural(last + 1 - first, 'byte')}",),
                      help=f"write `every = {last + 1 - first}`, or more")
    elif last + (count - 1) * every >= spot.size:
        refuse_outside(table, f"block {count} of {table.what[6:]}", last + (count - 1) * every,
                       spot.size, table.span("count"))
    else:
        group = replace(group, copy_number=copies)
        yield from _there_when(table, tuple(
            _moved(group, number, number * every) for number in range(count)), spot)


def _moved(group: FixedGroup, number: int, by: int) -> FixedGroup:
    """Return block `number`, counted from 0, which lies so many bytes further on."""
    return replace(
        group, name=f"{group.name}_{number + 1}", at=group.at + by, block=number + 1,
        items=tuple(replace(i, places=tuple(shifted(p, by) for p in i.places))
                    for i in group.items),
        checks=tuple(replace(c, over=tuple(a + by for a in c.over), place=shifted(c.place, by))
                     for c in group.checks))


def _there_when(table: CheckedTable, blocks: tuple[FixedGroup, ...],
                spot: Spot) -> Iterator[FixedGroup]:
    """Yield the blocks with the conditions of `when`; none, with a finding, if it is unsound."""
    if "when" not in table.values:
        yield from blocks
        return
    conditions = read_conditions(table, [block.at for block in blocks], spot.size)
    for block, condition in zip(blocks, conditions or (), strict=conditions is not None):
        yield replace(block, condition=condition)


def _copies(table: CheckedTable, group: FixedGroup) -> str | None:
    """Return the parameter with the sequence number of copies, "" if they have none, None if the
    blocks are no copies; a finding if they cannot be."""
    name = table.get("copies")
    if name is None:
        return None
    validator, span = table.validator, table.span("copies")
    number = next((i for i in group.items if i.name == name), None)
    if table.get("count", 2) < 2 or "count" not in table.data:
        validator.add("PS366", f"{table.what} has `copies`, but only one block", span,
                      help="add `count` and `every`, or take `copies` out")
    elif not group.checks and "check" not in table.data:
        validator.add("PS366", f"the copies of {table.what[6:]} have no checksum", span,
                      notes=("it tells which of them are right",),
                      help=f"describe it in `[{'.'.join(map(str, table.path))}.check]`")
    elif name and number is None and name not in table.get("parameter", {}):
        validator.add("PS366", f"{table.what} has no parameter `{name}`", span, help=did_you_mean(
            name, list(table.get("parameter", {})), "its parameters"))
    elif number is not None and not _counts(number):
        validator.add("PS366", f"`{name}` cannot be a sequence number", span,
                      help="name an unsigned whole number, neither scaled nor an array")
    elif number is not None and not _covered(group, number):
        validator.add("PS366", f"no checksum covers all of `{name}`", span,
                      notes=("a changed bit of it would make an old copy the newest",),
                      help="extend the range of the checksum, if it is over these bytes",
                      severity=Severity.WARNING)
    return str(name)


def _covered(group: FixedGroup, item: PlacedParameter) -> bool:
    own = {a for place in item.places for a in place_bytes(place)}
    return any(own <= set(check.over) for check in group.checks)


def _counts(item: PlacedParameter) -> bool:
    field = item.field
    return (field.kind is Kind.INTEGER and field.scalar.form is ScalarForm.UNSIGNED
            and not field.scaled and not field.array and item.scale_from is None
            and item.coding is Coding.PLAIN)
