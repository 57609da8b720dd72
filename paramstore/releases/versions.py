"""Any two states of a store side by side: schema files, releases, or one of each.

Over several releases who was who is followed step by step, as each release wrote it down.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from paramstore.core.disk import read_text
from paramstore.core.errors import Finding, FindingsError, ToolError, errors_in
from paramstore.layout.place import make_plan
from paramstore.layout.plan import Plan
from paramstore.releases.changes import Change, Impact, changes
from paramstore.releases.history import ReleaseHistory, load_history, release_folder
from paramstore.releases.links import Links, link
from paramstore.releases.migrations import ancestor_group, ancestor_parameter
from paramstore.releases.project import review
from paramstore.releases.refusals import refusals
from paramstore.schema.model import Schema

__all__ = ["Comparison", "Version", "changes_along", "compare_versions", "find_former",
           "find_version"]


@dataclass(frozen=True, slots=True)
class Version:
    """A state of a store. `release` is 0 for a schema as it stands; `findings` are its errors."""

    name: str
    schema: Schema
    history: ReleaseHistory
    folder: Path  # of its releases, whether there are any or not
    release: int = 0
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True)
class Comparison:
    """What leads from one state to another. `verdict` is the worst of all."""

    old: Version
    new: Version
    changes: tuple[Change, ...]
    findings: tuple[Finding, ...]

    @property
    def verdict(self) -> Impact:
        """What the whole means for units in the field."""
        if errors_in(self.findings):
            return Impact.REFUSED
        order = list(Impact)
        return max((c.impact for c in self.changes), key=order.index, default=Impact.SAFE)


def find_version(name: str, release: int | None = None) -> Version:
    """Return what `name` says, a schema file or a release file; or a `release` of the schema file.

    FindingsError if mistakes leave no schema, ToolError if there is no such thing.
    """
    path = name
    if _is_release_file(name):
        if release is not None:
            raise ToolError(f"`{name}` is a release, and has none of its own",
                            "give its schema file, or leave --from and --to out")
        path, release = _schema_of(name), int(Path(name).stem)
    if release is not None:
        history = load_history(path)
        plan = history.release(release)
        return Version(f"release {plan.release}", plan.schema, history, _folder(path), plan.release)
    found = review(read_text(name))
    if found.schema is None:
        raise FindingsError(found.findings)
    return Version(name, found.schema, found.history, _folder(name), 0, found.findings)


def _is_release_file(name: str) -> bool:
    return name.endswith(".json") and Path(name).stem.isdecimal()


def _schema_of(name: str) -> str:
    """Return the schema file that a schema or release file is of."""
    return str(Path(name).parent.with_suffix(".toml")) if _is_release_file(name) else name


def find_former(version: Version, name: str) -> Version:
    """Return what a single state, found as `name`, is compared with: a release with the one before
    it, a schema with its last release. ToolError if there is none."""
    if version.release == 1:
        raise ToolError("release 1 is the first one", "name two states to compare")
    former = version.release - 1 if version.release else len(version.history.releases)
    return find_version(_schema_of(name), former)


def compare_versions(old: Version, new: Version) -> Comparison:
    """Return what leads from `old` to `new`; ToolError if `old` is the later one of the two."""
    if old.folder == new.folder and old.release:
        if new.release and new.release < old.release:
            raise ToolError(f"release {old.release} is later than release {new.release}",
                            "name the older one first")
        return _along(old, new)
    if apart := _apart(old, new):
        return Comparison(old, new, (), (apart,))
    before = old.history.plans or (make_plan(old.schema),)
    if old.release:
        before = before[:old.release]
    links = link(before, new.schema)
    wrong = (*links.findings, *refusals(before[-1], new.schema, links))
    if new.schema.name != before[-1].schema.name:  # nothing else says anything of another store
        return Comparison(old, new, (), tuple(f for f in wrong if f.code == "PS733"))
    made = () if links.findings else tuple(changes(before[-1], new.schema, links))
    return Comparison(old, new, made, wrong)


def _apart(old: Version, new: Version) -> Finding | None:
    """Return an error if a release that `old` is, or follows from, is another one in the history of
    `new`: firmware of the one branch refuses units of the other."""
    for mine, other in zip(old.history.plans[:old.release], new.history.plans, strict=False):
        same_store = mine.store_id == other.store_id and mine.series == other.series
        if same_store and mine.layout_id != other.layout_id:
            return Finding(
                "PS717", f"release {mine.release} is another one in each of the two histories",
                new.schema.source,
                notes=tuple(f"layout {plan.layout_id:08X} in `{state.folder}`"
                            for plan, state in ((mine, old), (other, new))),
                help="compare states of one folder of releases; a unit of the other branch can "
                "only be given its values anew")
    return None


def _along(old: Version, new: Version) -> Comparison:
    """Compare two states of one history."""
    plans = old.history.plans
    line = plans[old.release - 1:new.release or len(plans)]
    if new.release:
        return Comparison(old, new, changes_along(line), new.findings)
    made = _along_links(line, new.schema, [*_steps(line), link(plans, new.schema)])
    return Comparison(old, new, made, new.findings)


def changes_along(line: Sequence[Plan]) -> tuple[Change, ...]:
    """Return what leads from the first of consecutive plans to the last, as a comparison of the two
    tells it."""
    return _along_links(line, line[-1].schema, _steps(line))


def _steps(line: Sequence[Plan]) -> list[Links]:
    return [_stored_links(before, plan) for before, plan in pairwise(line)]


def _along_links(line: Sequence[Plan], schema: Schema,
                 steps: Sequence[Links]) -> tuple[Change, ...]:
    """Return the changes from the first plan of a line to `schema`, to which the links lead step by
    step."""
    if not steps:
        return ()
    links, *later = steps
    for middle, step in zip(line[1:], later, strict=False):
        links = _joined(links, middle, step)
    return tuple(changes(line[0], schema, links))


def _stored_links(before: Plan, plan: Plan) -> Links:
    """Return the links from a release to the one before it."""
    step = Links()
    for ring in plan.rings:
        if home := ancestor_group(before, ring):
            step.groups[ring.group.name] = home
        for parameter in ring.group.parameters:
            if former := ancestor_parameter(before, ring, parameter):
                step.parameters[ring.group.name, parameter.name] = (
                    former[0].group.name, former[1].name)
    return step


def _joined(older: Links, middle: Plan, newer: Links) -> Links:
    """Return the links that lead through both, by way of the release in the `middle`."""
    joined = Links({name: older.groups[ring.group.name] for name, ring in newer.groups.items()
                    if ring.group.name in older.groups})
    for name, (group, parameter) in newer.parameters.items():
        if first := older.parameters.get((group, parameter)):
            joined.parameters[name] = first
            ring = middle.ring(group)
            joined.between[name] = (*older.between.get((group, parameter), ()),
                                    (ring, ring.group.parameter(parameter)))
    return joined


def _folder(path: str) -> Path:
    return release_folder(path).absolute()
