"""What the templates print: the rows of a Plan with C names and C numbers, comments included.

`view_of` turns a Plan into frozen data; the templates only put it into lines. Knows the model,
`record` for bytes, and `spelling` and `names` for text.
"""

from __future__ import annotations

from collections.abc import Iterator
from textwrap import shorten

from paramstore.core.errors import Finding, FindingsError
from paramstore.firmware.describe import group_words
from paramstore.firmware.history import (
    converters_of,
    earlier_label_rows,
    later_releases,
    migration_rows,
    retired_rows,
)
from paramstore.firmware.names import Names
from paramstore.firmware.parameters import LimitPool, c_type_of, parameter_view
from paramstore.firmware.rows import Bytes, GroupView, ReservedRow, RuleRow, StoreView
from paramstore.firmware.spelling import comment_lines, comment_text, hex_bytes
from paramstore.layout.memory import page_bytes
from paramstore.layout.plan import Plan, Reserved, Ring
from paramstore.record import build_label, crc_start, default_payload
from paramstore.schema.breaches import rules_of
from paramstore.schema.from_raw import format_value
from paramstore.schema.model import Group

__all__ = ["view_of"]

_SIZES = (("bool", 1), ("float", 4), ("double", 8))
"""C types whose size C leaves open, and the one that the tables rely on."""


def view_of(plan: Plan) -> StoreView:
    """Return what the templates need.

    Raises FindingsError: PS701 where two things would get the same name, PS702 where a number
    does not fit in the tables.
    """
    names = Names(plan.schema)
    pool = LimitPool()
    store = plan.schema.name
    common = {
        "guard": names.common_macro("params_h", "include guard"),
        "group_count": names.common_macro("group_count", "number of groups"),
        "c_type": names.common("t", "type of the store"),
        "values_type": names.common("values_t", "type of the values"),
        "layout": names.common("layout", "layout table"),
        "init": names.common("init", "function that begins"),
    }
    groups: tuple[GroupView, ...] = ()
    for ring in plan.rings:
        first_row = sum(len(g.rows) for g in groups)
        groups += (_group(names, pool, plan, ring, first_row),)
    names.check()
    if findings := list(_misfits(plan, groups)):
        raise FindingsError(findings)
    retired = retired_rows(plan)
    converters = converters_of(names, plan)
    names.check()
    used = {c_type_of(field) for ring in plan.rings for field in ring.group.fields}
    if any("double" in line for c in converters.values() for line in c.lines):
        used.add("double")
    return StoreView(
        **common,
        plan=plan,
        name=store,
        header=f"{store}_params.h",
        source=f"{store}_params.c",
        page_bytes=page_bytes(plan),
        comment=tuple(comment_lines([plan.schema.doc])),
        groups=groups,
        limits=pool.rows,
        converters=tuple(converters.values()),
        migrations=migration_rows(plan, groups, retired, converters),
        earlier_labels=earlier_label_rows(plan),
        later=later_releases(plan),
        retired=retired,
        label=(Bytes("FORMAT.md, 2", tuple(hex_bytes(build_label(plan)))),),
        sizes=tuple((name, size) for name, size in _SIZES if name in used),
    )


def _group(names: Names, pool: LimitPool, plan: Plan, ring: Ring, first_row: int) -> GroupView:
    group = ring.group
    index = names.group_index(group)
    placed = {p.field.name: p for p in ring.fields}
    parameters = tuple(parameter_view(names, pool, group, p, placed) for p in group.parameters)
    row_of = {f.name: row for p, v in zip(group.parameters, parameters, strict=True)
              for f, row in zip(p.fields, v.fields, strict=True)}
    index_of = {name: row.index for name, row in row_of.items()}
    return GroupView(
        ring=ring,
        index=index,
        c_type=names.group_type(group),
        name=group.name,
        comment=tuple(comment_lines(group_words(group))),
        parameters=parameters,
        defaults_name=names.claim(f"defaults_{group.name}", f"group `{group.name}`", group.span),
        defaults=tuple(_default_rows(ring)),
        rules_name=names.claim(f"rules_{group.name}", f"group `{group.name}`", group.span),
        rules=tuple(_rules(group, index_of)),
        crc_start=crc_start(plan, ring),
        first_row=first_row,
        rows=tuple(
            ReservedRow(comment_text(f"{group.name}: {s.name}, retired"), s.offset, s.size,
                        s.since)
            if isinstance(s, Reserved) else row_of[s.field.name] for s in ring.stretches),
    )


def _rules(group: Group, index_of: dict[str, str]) -> Iterator[RuleRow]:
    for rule in rules_of(group):
        low, high = rule.low.name, rule.high.name
        yield RuleRow(index_of[low], index_of[high],
                      f"{low} rising" if low == high else f"{low} below {high}")


def _default_rows(ring: Ring) -> Iterator[Bytes]:
    payload = default_payload(ring)
    for stretch in ring.stretches:
        if isinstance(stretch, Reserved):
            size, shown = stretch.size, f"{stretch.name}, retired"
        else:
            field = stretch.field
            size, shown = field.size, f"{field.name}: {format_value(field, field.default)}"
        data = payload[stretch.offset:stretch.offset + size]
        yield Bytes(shorten(comment_text(shown), 88, placeholder=" ..."), tuple(hex_bytes(data)))


# ---- What must fit ------------------------------------------------------------------------------


def _misfits(plan: Plan, groups: tuple[GroupView, ...]) -> Iterator[Finding]:
    """Numbers that the tables of the runtime have no room for."""

    def misfit(what: str, most: int, help: str, group: Group | None = None) -> Finding:
        source = plan.schema.source if group and group.span else None
        return Finding("PS702", f"{what}, the tables of the firmware hold {most}", source,
                       group.span if source and group else None, help=help)

    for view in groups:
        group, ring = view.ring.group, view.ring
        if len(view.rules) > 0xFF:
            yield misfit(f"group `{group.name}` has {len(view.rules)} rules between fields", 0xFF,
                         "split the group", group)
        for row in view.fields:
            if row.range_count > 0xFF:
                yield misfit(f"`{row.comment}` allows {row.range_count} separate ranges", 0xFF,
                             "number the members without gaps", group)
        if max(ring.record_bytes, ring.slot_pages * plan.part.page) > 0xFFFF:
            yield misfit(f"a record of group `{group.name}` has {ring.record_bytes} bytes", 0xFFFF,
                         "split the group", group)
    total = sum(ring.group.payload_bytes for ring in plan.rings)
    if total > 0xFFFF:
        yield misfit(f"the values have {total} bytes", 0xFFFF, "make the store smaller")
