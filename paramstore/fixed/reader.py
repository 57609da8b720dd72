"""From TOML text to a `FixedLayout`, or to all of its mistakes at once.

Walks the file from the layout over the groups to parameters and checksums; a group of several
blocks becomes as many groups. Rules between them are in `rules`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from paramstore.errors import Finding, FindingsError, SourceText, errors_in
from paramstore.fixed.checks import read_check
from paramstore.fixed.keys import (
    FIXED_KEYS,
    FIXED_ROOT_KEYS,
    MAX_BYTES,
    ORDERS,
    SECTION_KEYS,
    WHEN_KEYS,
)
from paramstore.fixed.model import Condition, FixedGroup, FixedLayout, place_width
from paramstore.fixed.parameters import Spot, read_item, read_order, shifted
from paramstore.fixed.places import read_bits, refuse_outside
from paramstore.fixed.rules import check_groups, extent_of, place_of
from paramstore.schema.desk import Desk, Table
from paramstore.schema.identifiers import member_problem
from paramstore.schema.source import load_document
from paramstore.schema.words import plural

__all__ = ["read_layout"]


def read_layout(source: SourceText) -> tuple[FixedLayout, tuple[Finding, ...]]:
    """Return the layout in `source` and the warnings about it, sorted by place.

    FindingsError with every mistake (PS1xx, PS2xx, PS350 to PS363), and the warnings among them.
    """
    desk = Desk(load_document(source))
    root = desk.table((), FIXED_ROOT_KEYS, "the schema")
    assert root is not None
    head = desk.table(("fixed",), FIXED_KEYS, "the layout", example="[fixed]") if (
        "fixed" in root.values) else None
    name, size, order = _head(head)
    groups: list[FixedGroup] = []
    declared = root.get("group", {})
    if not declared and "group" not in root.spoilt:
        desk.add("PS362", "the layout has no groups", desk.key("fixed"),
                 help="add `[group.NAME]`, and its parameters under `[group.NAME.parameter]`")
    for each in declared:
        _check_name(desk, "group", each, ("group", each))
        groups += _read_group(desk, each, Spot(0, size, order))
    check_groups(desk, groups)
    if errors_in(desk.findings):
        raise FindingsError(desk.findings)
    groups.sort(key=place_of)
    layout = FixedLayout(name, size, tuple(groups), head.get("doc", "") if head else "", source)
    return layout, tuple(sorted(desk.findings, key=lambda f: f.sort_key))


def _head(head: Table | None) -> tuple[str, int, str]:
    """Return name, size and byte order; where they are wrong, such as give no more findings."""
    if head is None:
        return "", MAX_BYTES, ORDERS[0]
    if "name" in head.values:
        _check_name(head.desk, "layout", head.get("name"), ("fixed", "name"), value=True)
    order = read_order(head, ORDERS[0]) or ORDERS[0]
    return head.get("name", ""), head.get("size", MAX_BYTES), order


def _check_name(desk: Desk, what: str, name: str, path: tuple[str, ...], *,
                value: bool = False) -> None:
    problem = member_problem(what, name)
    if problem:
        span = desk.value(*path) if value else desk.key(*path)
        desk.add(problem.code, problem.message, span, help=problem.help, notes=(
            "a name begins with a letter a to z and goes on with letters a to z, digits and `_`",))


# ---- Groups -------------------------------------------------------------------------------------


def _read_group(desk: Desk, name: str, whole: Spot) -> Iterator[FixedGroup]:
    """Yield the blocks of a group, one if it is not repeated; none, with findings, if unsound."""
    path = ("group", name)

    def stray(_: str, value: Any) -> tuple[str, str] | None:
        return ("parameter", f"parameters of the group are in `[group.{name}.parameter]`") if (
            isinstance(value, dict)) else None

    table = desk.table(path, SECTION_KEYS, f"group `{name}`", example=f"[group.{name}]",
                       stray=stray)
    if table is None or table.spoilt:
        return
    spot = replace(whole, base=table.get("at", 0))
    condition = _condition(desk, name, spot) if "when" in table.values else None
    items = [read_item(desk, (*path, "parameter", each), each, spot)
             for each in _names(desk, name, table, "parameter")]
    checks = [read_check(desk, (*path, "check", each), each, spot)
              for each in _names(desk, name, table, "check")]
    if not items and not checks:
        desk.add("PS362", f"group `{name}` has neither parameters nor checks", desk.key(*path),
                 help=f'write `[group.{name}.parameter]`, and below it `level = {{ type = "u8", '
                 "at = 0 }`")
    unsound = condition is None and "when" in table.values
    if unsound or not (any(items) or any(checks)):
        return
    # What is sound is kept where something is not: its bits are held against those of others.
    group = FixedGroup(name, name, spot.base, tuple(i for i in items if i),
                       tuple(c for c in checks if c), condition, table.get("doc", ""))
    yield from _blocks(table, group, spot.size)


def _names(desk: Desk, group: str, table: Table, key: str) -> list[str]:
    names = list(table.get(key, {}))
    for name in names:
        _check_name(desk, key, name, ("group", group, key, name))
    return names


def _condition(desk: Desk, group: str, spot: Spot) -> Condition | None:
    before = len(desk.findings)
    table = desk.table(("group", group, "when"), WHEN_KEYS, f"`when` of group `{group}`")
    if table is None or table.spoilt:
        return None
    place = read_bits(table, spot.base, spot.size)
    if ("is" in table.values) == ("not" in table.values):
        desk.add("PS359", f"{table.what} must have one of `is` and `not`", table.span("when"),
                 help="write `is = VALUE` if the group is there with that value of the bits, "
                 "`not = VALUE` if it is there with any other")
    if place is None or len(desk.findings) > before:
        return None
    key = "is" if "is" in table.values else "not"
    number, width = table.get(key), place_width(place)
    if number < 1 << width:
        return Condition(place, number, key == "not")
    desk.add("PS359", f"`{key}` = {number} does not fit in {plural(width, 'bit')}",
             table.span(key), also=((table.span("bits"), ""),),
             help="name more bits, or give a smaller value")
    return None


def _blocks(table: Table, group: FixedGroup, size: int) -> Iterator[FixedGroup]:
    """Yield a group as often as `count` says; a finding if the blocks do not fit."""
    desk, count, every = table.desk, table.get("count"), table.get("every")
    if count is None:
        if every is not None:
            desk.add("PS355", f"{table.what} has `every`, but no `count`", table.span("every"),
                     help="add `count`, the number of blocks, or take `every` out")
        yield group
        return
    first, last = extent_of(group)
    if every is None:
        desk.add("PS355", f"{table.what} has `count`, but no `every`", table.span("count"),
                 help=f"add `every = {last + 1 - group.at}`, the bytes from block to block")
    elif count > 1 and last - first >= every:
        desk.add("PS355", f"the blocks of {table.what[6:]} overlap", table.span("every"),
                 notes=(f"a block takes {plural(last + 1 - first, 'byte')}",),
                 help=f"write `every = {last + 1 - first}`, or more")
    elif last + (count - 1) * every >= size:
        refuse_outside(table, f"block {count} of {table.what[6:]}", last + (count - 1) * every,
                       size, table.span("count"))
    else:
        for number in range(count):
            yield _moved(group, f"{group.name}_{number + 1}", number * every)


def _moved(group: FixedGroup, name: str, by: int) -> FixedGroup:
    condition = group.condition and replace(
        group.condition, place=shifted(group.condition.place, by))
    return replace(
        group, name=name, at=group.at + by, condition=condition,
        items=tuple(replace(i, places=tuple(shifted(p, by) for p in i.places))
                    for i in group.items),
        checks=tuple(replace(c, over=tuple(a + by for a in c.over), place=shifted(c.place, by))
                     for c in group.checks))
