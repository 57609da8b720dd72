"""A schema with its releases: the one door to the plan of a schema file.

Reads the schema and the release files beside it, and lays the store out as these allow.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from paramstore.core.errors import Finding, FindingsError, Severity, SourceText, errors_in
from paramstore.core.words import plural
from paramstore.layout.demand import growth_of
from paramstore.layout.place import make_plan
from paramstore.layout.plan import Plan
from paramstore.record import Label
from paramstore.releases.history import ReleaseHistory, load_history, write_release
from paramstore.schema.model import Group, Parameter, Schema
from paramstore.schema.reader import read_schema

if TYPE_CHECKING:
    from paramstore.releases.changes import Change

__all__ = ["Project", "Review", "fixed_rooms", "freeze", "open_project", "review"]


class Project(NamedTuple):
    """`plan` is that of the schema as it stands: that of the last release if nothing changed
    since. `findings` are the warnings about the schema; those about the plan are in the plan."""

    plan: Plan
    history: ReleaseHistory
    changes: tuple[Change, ...] = ()
    findings: tuple[Finding, ...] = ()

    def release(self, number: int | None) -> Plan:
        """Return the plan of a release, that of the schema for None; ToolError if there is none."""
        return self.plan if number is None else self.history.release(number)

    def between(self, one: Plan, other: Plan) -> tuple[Plan, ...]:
        """Return the plans from the earlier to the later one of two states, both included."""
        line = (*self.history.plans, self.plan) if not self.plan.release else self.history.plans
        first, last = sorted(p.release or len(line) for p in (one, other))
        return line[first - 1:last]

    def earlier(self, plan: Plan) -> tuple[Plan, ...]:
        """Return the plans of the releases before a state that its firmware migrates: those of
        its series, the first one first."""
        return tuple(p for p in self.between(self.history.plans[0], plan)[:-1]
                     if p.series == plan.series) if self.history.plans else ()

    def plan_of(self, label: Label) -> Plan:
        """Return the plan that reads the part with this label: that of its release, if it is one of
        this store, else that of the schema."""
        for plan in self.history.plans:
            if (label.release, label.series, label.layout_id) == (
                    plan.release, plan.series, plan.layout_id):
                return plan
        return self.plan


class Review(NamedTuple):
    """Everything there is to say about a schema. `project` is None if there are errors."""

    findings: tuple[Finding, ...]
    history: ReleaseHistory
    changes: tuple[Change, ...] = ()
    schema: Schema | None = None
    project: Project | None = None


def open_project(source: SourceText) -> Project:
    """Return the schema in `source`, laid out after its releases.

    FindingsError with the mistakes of the schema, of its release files, and of the changes since.
    """
    found = review(source)
    if found.project is None:
        raise FindingsError(found.findings)
    return found.project


def review(source: SourceText) -> Review:
    """Return the same, with the errors as findings; changes are told beside errors too."""
    try:
        schema, warnings = read_schema(source)
        history = load_history(source.path)
    except FindingsError as error:
        return Review(error.findings, ReleaseHistory())
    if not history:
        return _unreleased(schema, warnings, history)
    from paramstore.releases.place import compare, next_plan  # not needed without releases

    try:
        following = next_plan(schema, history.plans)
    except FindingsError as error:
        made, found = compare(history.plans, schema)
        every = error.findings if not errors_in(found) else (*found, *(
            f for f in error.findings if f not in found))
        return Review((*warnings, *every), history, made, schema)
    plan = following.plan
    project = Project(plan, history, following.changes, warnings)
    return Review((*warnings, *plan.findings), history, following.changes, schema, project)


def _unreleased(schema: Schema, warnings: tuple[Finding, ...], history: ReleaseHistory) -> Review:
    """Return the review of a schema that was never released."""
    if early := tuple(_too_early(schema)):
        return Review((*warnings, *early), history, schema=schema)
    try:
        plan = make_plan(schema)
    except FindingsError as error:
        return Review((*warnings, *error.findings), history, schema=schema)
    project = Project(plan, history, (), warnings)
    return Review((*warnings, *plan.findings), history, (), schema, project)


def fixed_rooms(project: Project, path: Path) -> Iterator[Finding]:
    """Yield a warning for each group whose room the next release, in the file `path`, fixes
    without anybody having said how much it should be."""
    last = project.history.last if project.history else None
    known = {r.group.id for r in last.rings} if last and last.series == project.plan.series else ()
    for ring in project.plan.rings:
        if ring.group.id in known or ring.group.room is not None:
            continue
        growth = growth_of(ring)
        more = (f"`room = {growth.next_room}` takes {plural(growth.pages, 'page')} and "
                f"{plural(growth.page_writes, 'page write')} of a commit more")
        yield Finding(
            "PS715", f"group `{ring.group.name}` has {plural(growth.room, 'byte')} for parameters "
            "to come, from this release on", project.plan.schema.source, ring.group.span,
            notes=(more,), severity=Severity.WARNING,
            help=f"say `room = {growth.room}` if that will do; if not, say how much, take "
                 f"`{path}` away, and freeze again before a unit leaves")


def freeze(source: SourceText, project: Project, note: str = "") -> tuple[Path, Plan]:
    """Write the plan of a project as its next release; return the file and the released plan.

    FindingsError (PS716) if nothing changed since the last one, ToolError if it cannot be written.
    """
    history = project.history
    if history and not project.changes:
        raise FindingsError([Finding(
            "PS716", f"nothing changed since release {history.last.release}",
            project.plan.schema.source,
            help="the schema is that release: generate and pack from it as it is")])
    path = write_release(source.path, project.plan, history, note)
    return path, replace(project.plan, release=len(history.releases) + 1)


def _too_early(schema: Schema) -> Iterator[Finding]:
    """Yield an error for each word about releases while there are none: they may be elsewhere."""
    help = "take it out; or, if there are releases, bring their folder beside the schema"
    for name in schema.retired_groups:
        yield Finding("PS722", f"group `{name}` is retired, but nothing was released",
                      schema.source, schema.spans.get("retired_groups"), help=help)
    if schema.series:
        yield Finding("PS740", f"the schema is of series {schema.series}, but nothing was released",
                      schema.source, schema.spans.get("series"), help=help)
    for group in schema.groups:
        for name in group.retired:
            yield Finding("PS722", f"parameter `{name}` is retired, but nothing was released",
                          schema.source, group.span, help=help)
        owners: list[Group | Parameter] = [group, *group.parameters]
        for owner in owners:
            if owner.was is not None:
                yield Finding("PS724", f"`{owner.name}` was `{owner.was}`, but nothing was "
                              "released", schema.source, owner.span, help=help)
