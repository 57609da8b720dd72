"""Who is who: which group and which parameter of the last release each one of a schema was.

Tells what is not said, or said wrongly, about names; says nothing about values.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from paramstore.core.errors import Finding, Span
from paramstore.core.words import code_list, did_you_mean, near_words
from paramstore.layout.plan import Plan, Ring
from paramstore.schema.model import Group, Parameter, Schema

__all__ = ["Links", "Name", "link"]

Name = tuple[str, str]
"""Group and parameter."""


@dataclass(slots=True)
class Links:
    """`groups`: name in the schema to the ring of the last release that it goes on with.
    `parameters`: names in the schema to those of the last release. What is new is in neither.
    `between`: what a parameter was on the way, and in which ring, the earliest first, where links
    lead over several releases."""

    groups: dict[str, Ring] = field(default_factory=dict)
    parameters: dict[Name, Name] = field(default_factory=dict)
    between: dict[Name, tuple[tuple[Ring, Parameter], ...]] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)

    def before(self, last: Plan, group: Group, parameter: Parameter) -> Parameter | None:
        """Return what a parameter of the schema was in the `last` release; None if it is new."""
        name = self.parameters.get((group.name, parameter.name))
        return last.ring(name[0]).group.parameter(name[1]) if name else None


def link(releases: Sequence[Plan], schema: Schema) -> Links:
    """Return the links from `schema` to the last of `releases`, with the errors that hinder them
    (PS720 to PS726, PS734) in `findings`."""
    linker = _Linker(releases, schema)
    linker.link_groups()
    linker.link_parameters()
    linker.check_removed()
    linker.check_retired()
    return linker.links


class _Linker:
    def __init__(self, releases: Sequence[Plan], schema: Schema) -> None:
        self.releases = releases
        self.last = releases[-1]
        self.schema = schema
        self.links = Links()
        self.rings = {r.group.name: r for r in self.last.rings}

    def add(self, code: str, message: str, span: Span | None, help: str,
            notes: tuple[str, ...] = ()) -> None:
        self.links.findings.append(Finding(
            code, message, self.schema.source, span if self.schema.source else None,
            notes=notes, help=help))

    # ---- Groups ----

    def link_groups(self) -> None:
        owners: dict[str, Group] = {}
        for group in self.schema.groups:
            old = self._old_name("group", group.name, group.was, list(self.rings), group.span)
            if old is None:
                self._check_new_id(group)
                continue
            if old in owners:
                self._refuse_twice("group", old, owners[old].name, group.name, group.span)
                continue
            owners[old] = group
            ring = self.links.groups[group.name] = self.rings[old]
            if group.numbered and group.id != ring.group.id:
                self.add("PS734", f"group `{group.name}` has id {ring.group.id} in the units in "
                         f"the field, not {group.id}", group.span,
                         f"write `id = {ring.group.id}`, or leave `id` out")

    def _check_new_id(self, group: Group) -> None:
        used = {r.group.id: r.group.name for p in self.releases for r in (*p.rings, *p.retired)}
        if group.numbered and group.id in used:
            self.add("PS734", f"id {group.id} of the new group `{group.name}` is that of "
                     f"`{used[group.id]}`", group.span,
                     "leave `id` out, or give a number that was never used",
                     ("the id tells the records of groups apart, for ever",))

    def _old_name(self, what: str, name: str, was: str | None, known: list[str],
                  span: Span | None) -> str | None:
        """Return the name in the last release; None if it is new, or after a finding."""
        if was is None or was not in known:
            if was is not None and name not in known:
                self.add("PS724", f"the last release has no {what} `{was}`", span,
                         did_you_mean(was, known) or "leave `was` out if it is new",
                         (f"`was` names what `{name}` was called in release {self.last.release}",))
            return name if name in known else None
        if name in known and name != was:
            self.add("PS726", f"{what} `{name}` cannot have been `{was}`: the last release has "
                     "both", span, f"take a new name for what was `{was}`, or leave `was` out")
        return was

    def _refuse_twice(self, what: str, old: str, first: str, second: str,
                      span: Span | None) -> None:
        self.add("PS725", f"{what} `{second}` cannot have been `{old}`: `{first}` goes on with it",
                 span, "let one of the two go on with it; the other one is new, without `was`")

    # ---- Parameters ----

    def link_parameters(self) -> None:
        everything = {f"{r.group.name}.{p.name}": (r.group.name, p.name)
                      for r in self.last.rings for p in r.group.parameters}
        owners: dict[Name, Name] = {}
        for group in self.schema.groups:
            own = self.links.groups.get(group.name)
            for parameter in group.parameters:
                old = self._old_parameter(group, own, parameter, everything)
                if old is None:
                    continue
                if old in owners:
                    self._refuse_twice("parameter", ".".join(old), ".".join(owners[old]),
                                       f"{group.name}.{parameter.name}", parameter.span)
                    continue
                owners[old] = (group.name, parameter.name)
                self.links.parameters[group.name, parameter.name] = old

    def _old_parameter(self, group: Group, own: Ring | None, parameter: Parameter,
                       everything: dict[str, Name]) -> Name | None:
        home = own.group.name if own else ""
        names = [p.name for p in own.group.parameters] if own else []
        was = parameter.was
        if was is None or "." not in was:
            old = self._old_name("parameter", parameter.name, was, names, parameter.span)
            return (home, old) if old else None
        if was in everything:
            if parameter.name in names and everything[was] != (home, parameter.name):
                self.add("PS726", f"parameter `{parameter.name}` cannot have been `{was}`: the "
                         "last release has both", parameter.span,
                         f"take a new name for what was `{was}`, or leave `was` out")
            return everything[was]
        if parameter.name in names:
            return home, parameter.name  # `was` is of an earlier release, and has served
        self.add("PS724", f"the last release has no parameter `{was}`", parameter.span,
                 did_you_mean(was, list(everything)) or "leave `was` out if it is new",
                 (f"`was` names what `{parameter.name}` was called in release "
                  f"{self.last.release}",))
        return None

    # ---- What is gone ----

    def check_removed(self) -> None:
        kept = set(self.links.parameters.values())
        successors = {ring.group.id: name for name, ring in self.links.groups.items()}
        for ring in self.last.rings:
            name = ring.group.name
            if ring.group.id not in successors:
                if name not in self.schema.retired_groups:
                    self._refuse_lost_group(name)
                continue
            successor = self.schema.group(successors[ring.group.id])
            # Told there: PS723, PS726.
            told = {*successor.retired, *(p.name for p in successor.parameters)}
            lost = [p for p in ring.group.parameters
                    if (name, p.name) not in kept and p.name not in told]
            for parameter in lost:
                self._refuse_lost(successor, parameter)

    def _refuse_lost_group(self, name: str) -> None:
        new = [g.name for g in self.schema.groups if g.name not in self.links.groups]
        hint = did_you_mean(name, new)
        renamed = f'; or, if {code_list(new[:1])} is a new name for it, `was = "{name}"` there'
        self.add("PS721", f"group `{name}` is gone", None,
                 f'write `retired_groups = ["{name}"]` in [store]' + renamed * bool(hint or new),
                 ("units in the field have it, and its pages stay taken",))

    def _refuse_lost(self, group: Group, lost: Parameter) -> None:
        name = lost.name
        # A name of another kind, or in another unit, is no new name for the same.
        new = _near_first(name, [
            p.name for p in group.parameters
            if (group.name, p.name) not in self.links.parameters and p.kind is lost.kind
            and [f.unit for f in p.fields] == [f.unit for f in lost.fields]])
        renamed = f'; or, if {code_list(new[:1])} is a new name for it, `was = "{name}"` there'
        self.add("PS720", f"parameter `{name}` of group `{group.name}` is gone", group.span,
                 f'write `retired = ["{name}"]` in the group' + renamed * bool(new),
                 ("units in the field hold it, and its bytes stay taken",))

    def check_retired(self) -> None:
        ever_groups = {r.group.name for p in self.releases for r in p.rings}
        for name in self.schema.retired_groups:
            self._check_retired("group", name, ever_groups, {g.name for g in self.schema.groups},
                                self.schema.spans.get("retired_groups"))
        for group in self.schema.groups:
            ring = self.links.groups.get(group.name)
            ever = {p.name for plan in self.releases for r in plan.rings
                    if ring and r.group.id == ring.group.id for p in r.group.parameters}
            present = {p.name for p in group.parameters}
            for name in group.retired:
                self._check_retired("parameter", name, ever, present, group.span)

    def _check_retired(self, what: str, name: str, ever: set[str], present: set[str],
                       span: Span | None) -> None:
        if name in present:
            self.add("PS723", f"{what} `{name}` is there, and retired", span,
                     "take it out of one of the two places")
        elif name not in ever:
            self.add("PS722", f"no release has a {what} `{name}` to retire", span,
                     did_you_mean(name, sorted(ever - present)) or "take the name out")


def _near_first(name: str, others: list[str]) -> list[str]:
    """Return names, those that look like `name` before the others."""
    near = near_words(name, others)
    return [*near, *(n for n in others if n not in near)]
