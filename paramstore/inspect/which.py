"""Which schema a dump is of, among several: by its label, else by the records that are whole.

Must not judge what a dump holds beyond that.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple, TypeAlias

from paramstore.core.disk import names_in, read_text
from paramstore.core.errors import Finding, FindingsError, Severity, SourceText, ToolError
from paramstore.core.format import LABEL_MAGIC, NO_STORE
from paramstore.files.runs import Reading
from paramstore.inspect.align import Alignment, align
from paramstore.layout.layout_id import layout_text
from paramstore.layout.plan import Plan
from paramstore.record import Label, read_label
from paramstore.releases.project import Project, open_project
from paramstore.schema.keys import is_fixed

if TYPE_CHECKING:
    from paramstore.schema.fixed.model import FixedLayout

__all__ = ["Candidate", "Choice", "Layout", "SchemaFolder", "candidates_of", "choose", "files_of",
           "layouts_of", "project_candidates", "release_doubt"]

_LABEL_BYTES = 32  # the longest, whatever the part


class Candidate(NamedTuple):
    """A plan that a dump may be of, and what it is called: a file, and a release of it."""

    name: str
    plan: Plan


Layout: TypeAlias = "Candidate | FixedLayout"
"""What a dump may be of."""


class Choice(NamedTuple):
    """The candidate a dump is of, how it lies on its part, and what speaks for it."""

    candidate: Candidate
    alignment: Alignment
    findings: tuple[Finding, ...] = ()


def candidates_of(source: SourceText, release: int | None = None) -> tuple[Candidate, ...]:
    """Return the plan of a schema, and those of its releases, the latest first; with `release`
    that one only.

    FindingsError if the schema has mistakes, ToolError if there is no such release.
    """
    return project_candidates(open_project(source), source.path, release)


def project_candidates(project: Project, path: str,
                       release: int | None = None) -> tuple[Candidate, ...]:
    """Return the same of a project whose schema is in the file `path`."""
    if release is not None:
        return (Candidate(f"{path}, release {release}", project.release(release)),)
    return (Candidate(path, project.plan), *(
        Candidate(f"{path}, release {plan.release}", plan)
        for plan in reversed(project.history.plans)
    ))


def layouts_of(source: SourceText, release: int | None = None) -> tuple[Layout, ...]:
    """Return what the schema in `source` describes: a fixed layout, or a store and its releases,
    or the one `release` of it that is asked for.

    FindingsError if the schema has mistakes; ToolError if there is no such release.
    """
    if not is_fixed(source):
        return candidates_of(source, release)
    if release is not None:
        raise ToolError("a fixed layout has no releases", "leave --release out")
    from paramstore.schema.fixed.reader import read_layout  # reading a store must not wait for it

    return (read_layout(source)[0],)


class SchemaFolder:
    """The schemas of a folder: stores and their releases, and unless `stores_only` fixed layouts.

    Each is read when it is needed, and once: the schema that a label names is found by the name in
    its text, so the others need not be read. On 8-byte pages a label has no name.
    """

    def __init__(self, folder: str | Path, *, stores_only: bool = False) -> None:
        self.path = str(folder)
        self._read = candidates_of if stores_only else layouts_of
        self._sources: dict[str, SourceText] = {}
        self._found: dict[str, tuple[Layout, ...]] = {}
        self.passed: list[str] = []  # files that are no schema without mistakes
        for name in names_in(folder):
            if name.endswith(".toml"):
                path = str(Path(folder) / name)
                try:
                    self._sources[path] = read_text(path)
                except FindingsError:
                    self.passed.append(path)

    def layouts(self) -> tuple[Layout, ...]:
        """Return all that the schemas describe."""
        return tuple(of for path in self._sources for of in self._layouts(path))

    def layouts_for(self, reading: Reading) -> tuple[Layout, ...]:
        """Return what a dump may be of: the schema of its label, else all."""
        for label in _labels(reading):
            for path, source in self._sources.items():
                if not label.name or label.name not in source.text or is_fixed(source):
                    continue
                found = self._layouts(path)
                if any(isinstance(of, Candidate) and _matches(label, of.plan) for of in found):
                    return found
        return self.layouts()

    def _layouts(self, path: str) -> tuple[Layout, ...]:
        if path not in self._found:
            try:
                self._found[path] = self._read(self._sources[path])
            except FindingsError:
                self._found[path] = ()
                self.passed.append(path)
        return self._found[path]


def files_of(layouts: Sequence[Layout]) -> tuple[str, ...]:
    """Return the files of the schemas."""
    sources = [of.plan.schema.source if isinstance(of, Candidate) else of.source for of in layouts]
    return tuple(dict.fromkeys(source.path for source in sources if source))


def choose(reading: Reading, candidates: Sequence[Candidate], offset: int | None = None, *,
           named: bool = True, what: str = "dump") -> Choice:
    """Return the candidate that a dump is of. `named`: a person says that it is of the one store
    of the candidates, so that only the release is to be found; `what` was read, for people.

    FindingsError (PS657) if nothing tells, with what there is to choose from.
    """
    labels = [label for label in _labels(reading) if label.store_id != NO_STORE]
    for label in labels:
        for candidate in candidates:
            if _matches(label, candidate.plan):
                return Choice(candidate, align(reading, candidate.plan, offset))
    if named and len({c.plan.store_id for c in candidates}) == 1:
        return _of_store(reading, candidates, offset, what)
    near = [c for c in candidates if c.plan.store_id in {label.store_id for label in labels}]
    if labels and not near:
        raise _doubt(reading, f"the dump is of the store `{labels[0].called}`, and no schema is",
                     candidates)
    ranked = _ranked(reading, near or candidates, offset)
    if not ranked:
        raise _doubt(reading, "no schema has a part that is large enough for the file", candidates)
    score, best = ranked[0]
    tied = [c.candidate for s, c in ranked if s == score]
    if score == 0:
        raise _doubt(reading, "nothing in the dump tells its schema", tied)
    if len({c.plan.store_id for c in tied}) > 1:
        raise _doubt(reading, "the dump fits several schemas alike", tied)
    store = best.candidate.plan.store_id
    choice = _of_store(reading, [c for c in candidates if c.plan.store_id == store], offset)
    if _labels_in(choice):
        return choice
    said = Finding(
        "PS656", f"the dump is of `{choice.candidate.name}`: {score} of its records are whole",
        reading.source, notes=tuple(
            f"`{c.candidate.name}`: {s}" for s, c in ranked
            if s and c.candidate.plan.store_id != store)[:4],
        severity=Severity.WARNING)
    return choice._replace(findings=(said, *choice.findings))


def release_doubt(read_with: Plan, plans: Iterable[Plan], source: SourceText, what: str,
                  help: str) -> tuple[Finding, ...]:
    """Return a warning (PS658) that no label tells of which one of `plans` something is, if that
    makes a difference."""
    alike = [plan for plan in plans if plan.series == read_with.series]
    if len({_places(plan) for plan in alike}) == 1:
        return ()
    releases = sorted({plan.release for plan in alike if plan.release})
    read_as = f"release {read_with.release}" if read_with.release else "the schema as it stands"
    return (Finding(
        "PS658", f"no label tells which release wrote the {what}: it is read by {read_as}",
        source, notes=(f"there are releases {', '.join(map(str, releases))}",), help=help,
        severity=Severity.WARNING),)


def _of_store(reading: Reading, candidates: Sequence[Candidate], offset: int | None,
              what: str = "dump") -> Choice:
    """Return which candidate of one store a dump is of: the first one of the series for which most
    records speak, unless a label shows once the dump lies right."""
    first = candidates[0]
    if len({c.plan.series for c in candidates}) > 1:
        ranked = _ranked(reading, candidates, offset)
        if ranked and ranked[0][0]:
            series = ranked[0][1].candidate.plan.series
            first = next(c for c in candidates if c.plan.series == series)
    choice = Choice(first, align(reading, first.plan, offset))
    labels = _labels_in(choice)
    named = [c for label in labels for c in candidates if _matches(label, c.plan)]
    if named:
        return Choice(named[0], align(reading, named[0].plan, offset))
    if labels or not choice.alignment.score:
        return choice
    return choice._replace(findings=release_doubt(
        first.plan, (c.plan for c in candidates), reading.source, what,
        "give the release of the unit: --release" + ", of `migrate` --from" * (what == "dump")))


def _labels(reading: Reading) -> list[Label]:
    """Return the labels that are whole anywhere in a file, in order."""
    labels = []
    joined = _joined(reading)
    for data in joined:
        at = data.find(LABEL_MAGIC)
        while at >= 0:
            label = read_label(data[at:at + _LABEL_BYTES])
            if label is not None:
                labels.append(label)
            at = data.find(LABEL_MAGIC, at + 1)
    return labels


def _labels_in(choice: Choice) -> list[Label]:
    """Return the labels of the store that are whole at their places, the dump read as it lies."""
    plan, data = choice.candidate.plan, choice.alignment.dump.data
    places = (plan.label_address(copy) for copy in (0, 1))
    read = (read_label(data[at:at + plan.label_bytes]) for at in places)
    return [label for label in read if label is not None and label.store_id == plan.store_id]


def _joined(reading: Reading) -> Iterable[bytes]:
    """Yield stretches of a file without gaps."""
    stretch, end = bytearray(), None
    for run in sorted(reading.runs, key=lambda r: r.address):
        if end != run.address and stretch:
            yield bytes(stretch)
            stretch = bytearray()
        stretch += run.data
        end = run.end
    yield bytes(stretch)


def _matches(label: Label, plan: Plan) -> bool:
    return (label.store_id, label.layout_id, label.release, label.series) == (
        plan.store_id, plan.layout_id, plan.release, plan.series)


def _places(plan: Plan) -> str:
    """Return what is the same for all releases that keep everything in the same places."""
    return layout_text(plan.part, plan.rings, before=0)


def _ranked(reading: Reading, candidates: Sequence[Candidate],
            offset: int | None) -> list[tuple[int, Choice]]:
    """Return the candidates with the most evidence first; one for each layout."""
    ranked: list[tuple[int, Choice]] = []
    seen = set()
    for candidate in candidates:
        key = candidate.plan.store_id, _places(candidate.plan)
        if key in seen:
            continue
        seen.add(key)
        try:
            alignment = align(reading, candidate.plan, offset)
        except FindingsError:
            continue  # its part is too small
        ranked.append((alignment.score, Choice(candidate, alignment)))
    return sorted(ranked, key=lambda r: -r[0])


def _doubt(reading: Reading, message: str, candidates: Sequence[Candidate]) -> FindingsError:
    names = list(dict.fromkeys(f"`{c.name}`" for c in candidates))
    return FindingsError([Finding(
        "PS657", message, reading.source,
        notes=(f"there {'is' if len(names) == 1 else 'are'} {', '.join(names[:8])}"
               + " and more" * (len(names) > 8),),
        help="give the file of the unit's schema instead of the folder")])
