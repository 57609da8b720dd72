"""The plan of a schema whose store was released before: what was released stays where it is.

A ring of a released group keeps its pages, its slots and its body. A field whose bytes mean the
same keeps its offset; any other one, and every new one, is appended behind all that a release ever
put there; bytes of what is gone stay reserved. A group's revision grows by one in each release in
which its fields change place. In a new series nothing stays, and everything is placed as at first.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from paramstore.core.errors import Finding, FindingsError
from paramstore.core.words import plural
from paramstore.layout.misfit import anew_help
from paramstore.layout.place import make_plan
from paramstore.layout.plan import PlacedField, Plan, Reserved, Ring
from paramstore.record import default_payload
from paramstore.releases.changes import Change, changes
from paramstore.releases.conversion import NoConversion, Via, same_bytes, via_of
from paramstore.releases.links import Links, link
from paramstore.releases.migrations import ancestors, lineage_of, with_migrations
from paramstore.releases.refusals import refusals, warnings
from paramstore.schema.model import Field, Group, Kind, Parameter, Schema

__all__ = ["Next", "compare", "next_plan"]

LAST_REVISION = 255
_GONE = ("PS754", "PS755")


@dataclass(frozen=True, slots=True)
class Next:
    """A schema beside the last release: its plan, and what changed since."""

    plan: Plan
    changes: tuple[Change, ...]


def compare(releases: Sequence[Plan], schema: Schema) -> tuple[tuple[Change, ...],
                                                               tuple[Finding, ...]]:
    """Return the changes from the last release to `schema`, and errors and warnings about them.

    A parameter or group with an error has no changes.
    """
    links = link(releases, schema)
    last = releases[-1]
    refused = (*links.findings, *refusals(last, schema, links))
    guilty = {finding.span for finding in refused}
    fine = {f"{g.name}.{p.name}" for g in schema.groups for p in g.parameters
            if p.span not in guilty}
    fine |= {g.name for g in schema.groups if g.span not in guilty} | {""}
    made = tuple(c for c in changes(last, schema, links)
                 if (_retired_by_schema(schema, links, c.where) if c.code in _GONE
                     else c.where in fine))
    return made, (*refused, *warnings(last, schema, links))


def _retired_by_schema(schema: Schema, links: Links, where: str) -> bool:
    """Return whether the schema names what is gone, GROUP or GROUP.PARAMETER of the last release,
    as retired."""
    group, _, parameter = where.partition(".")
    successors = [g for g in schema.groups if g.name in links.groups
             and links.groups[g.name].group.name == group]
    return parameter in successors[0].retired if successors else group in schema.retired_groups


def next_plan(schema: Schema, releases: Sequence[Plan]) -> Next:
    """Return the plan of `schema` after `releases`, the first one first; there is at least one.

    The plan has the number of the last release if nothing changed, else 0. FindingsError with all
    that cannot be done (PS7xx), or that does not fit (PS4xx, PS731).
    """
    links = link(releases, schema)
    last = releases[-1]
    wrong = [*links.findings, *refusals(last, schema, links)]
    if wrong:
        raise FindingsError(wrong)
    settled = _settled(_with_ids(schema, links, releases), last, links)
    kept: list[Ring] = []
    anew = schema.series != last.series
    for group in settled.groups:
        if group.name in links.groups and not anew:
            ring, finding = _grown(settled, group, links)
            kept.append(ring)
            wrong += [finding] if finding else []
    if wrong:
        raise FindingsError(wrong)
    living = {r.group.id for r in kept}
    retired = [*last.retired, *(r for r in last.rings if r.group.id not in living)]
    plan = make_plan(settled, kept, [] if anew else retired,
                     lineage_of(releases, settled.series))
    made = tuple(changes(last, schema, links))
    if made:
        plan = _with_migrations(plan, releases)
        if wrong := [*_overlong_defaults(plan), *_reused_members(plan, releases)]:
            raise FindingsError(wrong)
    else:
        plan = replace(plan, release=last.release, layout_id=last.layout_id,
                       migrations=last.migrations, lineage=last.lineage)
    found = tuple(warnings(last, schema, links))
    return Next(replace(plan, findings=(*found, *plan.findings)), made)


def _overlong_defaults(plan: Plan) -> Iterator[Finding]:
    """Yield an error for each text that has grown and whose default needs what it has grown by:
    migrated, an old text would end in the rest of it."""
    for migration in plan.migrations:
        ring = next(r for r in plan.rings if r.group.id == migration.group)
        for parameter in ring.group.parameters:
            field = parameter.first
            if (field.kind is Kind.TEXT and field.name == migration.field
                    and any(field.default[migration.count:])):
                yield Finding(
                    "PS729", f"the default of `{field.name}` is longer than the {migration.count} "
                    "bytes of an earlier release", plan.schema.source, parameter.span,
                    help=f"give it a default of at most {migration.count} bytes")


def _reused_members(plan: Plan, releases: Sequence[Plan]) -> Iterator[Finding]:
    """Yield an error for each member with a number that named another one in the same bytes, in
    whatever release; those of the last one were compared before."""
    same = [p for p in releases if p.series == plan.series]
    for ring in plan.rings:
        for parameter in ring.group.parameters:
            field = parameter.first
            if field.members:
                yield from _reused(plan, ring, parameter, same)


def _reused(plan: Plan, ring: Ring, parameter: Parameter,
            same: Sequence[Plan]) -> Iterator[Finding]:
    new = later = parameter.first
    offset, via, reported = ring.placed(new).offset, Via(), set[int]()
    for release, (home, former) in zip(reversed(same), ancestors(plan, ring, parameter, same),
                                       strict=False):
        field = former.first
        via, later = via_of(field, later).then(via), field
        if home.group.id != ring.group.id or home.placed(field).offset != offset:
            return
        before = {number: via.names.get(name, name) for name, number in field.members}
        for name, number in new.members:
            if before.get(number, name) != name and number not in reported:
                reported.add(number)
                what = "bit" if new.kind is Kind.FLAGS else "number"
                yield Finding(
                    "PS730", f"{what} {number} of `{new.name}` was `{before[number]}` in release "
                    f"{release.release} and cannot become `{name}`", plan.schema.source,
                    parameter.span, notes=("units in the field may still hold the old meaning",),
                    help=f"give `{name}` a {what} that was never used")


def _with_migrations(plan: Plan, releases: Sequence[Plan]) -> Plan:
    try:
        return with_migrations(plan, releases)
    except NoConversion as refused:
        raise FindingsError([Finding(refused.code, str(refused), plan.schema.source,
                                     help=refused.help, notes=refused.notes)]) from refused


def _with_ids(schema: Schema, links: Links, releases: Sequence[Plan]) -> Schema:
    """Give released groups their ids, and new ones without an own id numbers never used."""
    used = {r.group.id for p in releases for r in (*p.rings, *p.retired)}
    used |= {g.id for g in schema.groups if g.numbered}
    free = (n for n in range(1, 256) if n not in used)
    groups = []
    for group in schema.groups:
        if group.name in links.groups:
            group = replace(group, id=links.groups[group.name].group.id)
        elif not group.numbered:
            group = replace(group, id=next(free, group.id))
        groups.append(group)
    return replace(schema, groups=tuple(groups))


def _grown(schema: Schema, group: Group, links: Links) -> tuple[Ring, Finding | None]:
    """Return the ring of a released group with its fields of today; an error if they do not fit."""
    old = links.groups[group.name]
    staying = _staying(group, links, old)
    revision = old.revision + 1
    placed = {f.name: PlacedField(f, staying[f.name].offset, staying[f.name].since)
              for f in group.fields if f.name in staying}
    end = old.payload_bytes
    for field in group.fields:
        if field.name not in placed:
            placed[field.name] = PlacedField(field, end, revision)
            end += field.size
    taken = {p.offset for p in placed.values()}
    defaults = default_payload(old)
    left = tuple(
        Reserved(p.field.name, p.offset, defaults[p.offset:p.offset + p.field.size], p.since)
        for p in old.fields if p.offset not in taken)
    if not left and end == old.payload_bytes:
        revision = old.revision
    reserved = tuple(sorted((*old.reserved, *left), key=lambda r: r.offset))
    fields = tuple(sorted(placed.values(), key=lambda p: p.offset))
    grown = replace(old, group=group, revision=revision, fields=fields, reserved=reserved)
    return grown, _too_much(schema, old, grown)


def _staying(group: Group, links: Links, old: Ring) -> dict[str, PlacedField]:
    """Return the old places by new field name of all fields whose bytes mean the same."""
    places = {p.field.name: p for p in old.fields}
    staying: dict[str, PlacedField] = {}
    for parameter in group.parameters:
        home, name = links.parameters.get((group.name, parameter.name), ("", ""))
        if home == old.group.name:
            before = old.group.parameter(name)
            if same_bytes(before, parameter):
                staying |= {new.name: places[was.name] for was, new in zip(
                    before.fields, parameter.fields, strict=True)}
    return staying


def _too_much(schema: Schema, old: Ring, grown: Ring) -> Finding | None:
    group = grown.group
    if grown.payload_bytes > old.body_bytes:
        over = grown.payload_bytes - old.body_bytes
        new = [p.field.name for p in grown.fields if p.since == grown.revision]
        return Finding(
            "PS731", f"group `{group.name}` has no room for {plural(over, 'byte')} more",
            schema.source, group.span,
            label=f"{old.body_bytes - old.payload_bytes} bytes of room, "
                  f"{grown.payload_bytes - old.payload_bytes} needed",
            notes=("a released record keeps its length, and retired bytes stay taken",
                   f"appended: {', '.join(f'`{n}`' for n in new)}"),
            help="put the new parameters into a new group; one that moves there says "
                 f'`was = "{old.group.name}.NAME"`; ' + anew_help(schema))
    if grown.revision > LAST_REVISION:
        return Finding("PS738", f"group `{group.name}` has had {LAST_REVISION} revisions",
                       schema.source, group.span, help="put what changes into a new group")
    return None


def _settled(schema: Schema, last: Plan, links: Links) -> Schema:
    """Return the schema as a release keeps it: who was who in full, and no `convert` that served.
    """
    def field(new: Field, before: Parameter | None, index: int) -> Field:
        former = before.fields[index] if before else None
        used = former is not None and new.convert is not None and (
            former.unit != new.unit or bool(new.convert.names))
        return new if used else replace(new, convert=None)

    def parameter(group: Group, new: Parameter) -> Parameter:
        old = links.parameters.get((group.name, new.name))
        home = links.groups.get(group.name)
        same = old is None or (home and (home.group.name, new.name) == old)
        before = last.ring(old[0]).group.parameter(old[1]) if old else None
        fields = tuple(field(f, before, i) for i, f in enumerate(new.fields))
        return replace(new, was=None if same or old is None else ".".join(old), fields=fields)

    def group(new: Group) -> Group:
        home = links.groups.get(new.name)
        was = home.group.name if home and home.group.name != new.name else None
        return replace(new, was=was, parameters=tuple(parameter(new, p) for p in new.parameters))

    return replace(schema, groups=tuple(group(g) for g in schema.groups))
