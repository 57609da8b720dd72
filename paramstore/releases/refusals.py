"""What cannot be changed in a released store, and what should be tidied up after a change.

Each is a finding with a way out. What can be changed is in `changes`.
"""

from __future__ import annotations

from collections.abc import Iterator

from paramstore.core.errors import Finding, Severity
from paramstore.core.words import plural
from paramstore.layout.misfit import anew_help
from paramstore.layout.plan import Plan, Ring
from paramstore.releases.conversion import NoConversion, same_bytes
from paramstore.releases.links import Links
from paramstore.schema.model import Group, Schema
from paramstore.schema.part import Part

__all__ = ["built_otherwise", "refusals", "warnings"]


def refusals(old: Plan, new: Schema, links: Links) -> Iterator[Finding]:
    """Yield an error for every change of values, rings or part that units cannot follow."""
    if new.name != old.schema.name:
        yield _error("PS733", new, f"the store was released as `{old.schema.name}`",
                     f'write `name = "{old.schema.name}"`; another store needs a schema file of '
                     "its own", key="name",
                     notes=("the name marks every record of the units in the field",))
    anew = new.series == old.series + 1
    if not anew and new.series != old.series:
        yield _error("PS740", new, f"the last release is of series {old.series}, the schema of "
                     f"{new.series}", f"write `series = {old.series}`; {anew_help(old.schema)}",
                     key="series")
    if not anew and (differences := tuple(built_otherwise(old.part, new.part))):
        yield _error("PS732", new, f"the {new.part.name} is built in another way than the "
                     f"{old.part.name} of the released units", "take a part of the same geometry; "
                     + anew_help(old.schema), key="part", notes=differences)
    for group in new.groups:
        ring = links.groups.get(group.name)
        if ring is not None and not anew:
            yield from _ring_refusals(new, group, ring)
        for parameter in group.parameters:
            former = links.before(old, group, parameter)
            if former is not None:
                try:
                    same_bytes(former, parameter)
                except NoConversion as refused:
                    yield Finding(refused.code, str(refused), new.source, parameter.span,
                                  notes=refused.notes, help=refused.help)


def warnings(old: Plan, new: Schema, links: Links) -> Iterator[Finding]:
    """Yield a warning for every `convert` of no use now: a later change would take it for its own.
    None where names are not settled: what a parameter was is not known then."""
    for group in new.groups:
        for parameter in group.parameters:
            before = links.before(old, group, parameter)
            for index, field in enumerate(parameter.fields):
                convert = field.convert
                if convert is None:
                    continue
                former = before.fields[index] if before and index < len(before.fields) else None
                if former is None:
                    why = f"`{parameter.name}` is new: the last release has no values of it"
                    useless = before is None and not links.findings
                else:
                    why = "its unit and the names of its members are those of the last release"
                    useless = former.unit == field.unit and not (
                        {name for name, _ in former.members} & {name for name, _ in convert.names})
                if useless:
                    yield Finding(
                        "PS737", f"`convert` of `{field.name}` does nothing", new.source,
                        parameter.span, notes=(why,),
                        help="take it out, so that a later change does not use it by mistake",
                        severity=Severity.WARNING)


def built_otherwise(old: Part, new: Part) -> Iterator[str]:
    """Yield in words what keeps a layout for the `old` part off the `new` one."""
    for what, before, now in (
        ("bytes", old.capacity, new.capacity), ("bytes of a page", old.page, new.page),
        ("address bytes on the bus", old.address_bytes, new.address_bytes),
        ("block-select bits", old.block_bits, new.block_bits),
        ("first block-select bit", old.block_shift, new.block_shift),
    ):
        if before != now:
            yield f"{what}: {now} instead of {before}"


def _ring_refusals(schema: Schema, group: Group, ring: Ring) -> Iterator[Finding]:
    if group.slots is not None and group.slots != ring.slots:
        yield _error(
            "PS735", schema, f"group `{group.name}` has {ring.slots} slots in the units in the "
            f"field, not {group.slots}", f"write `slots = {ring.slots}`, or leave `slots` out; "
            + anew_help(schema), group)
    if group.copies >= ring.slots:
        yield _error(
            "PS735", schema, f"group `{group.name}` has {plural(ring.slots, 'slot')}, too few for "
            f"{group.copies} copies", f"write `copies = {ring.slots - 1}`; "
            + anew_help(schema), group)


def _error(code: str, schema: Schema, message: str, help: str, group: Group | None = None,
           key: str = "", notes: tuple[str, ...] = ()) -> Finding:
    """Return an error in a group, or at a key of `[store]`."""
    span = group.span if group else schema.spans.get(key)
    return Finding(code, message, schema.source, span, notes=notes, help=help)
