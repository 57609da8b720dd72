"""A dump read with what it is of, be that a store or a fixed layout.

A fixed layout has no label. Where there are several schemas to choose from, its constants and
checksums speak for it: all of them must be right, and there must be enough of them. Where neither
another layout nor a store is to be seen, constants alone do: a checksum may be what is damaged.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, TypeAlias

from paramstore.core.disk import names_in, read_text
from paramstore.core.errors import Finding, FindingsError, Severity, SourceText, ToolError
from paramstore.core.format import LABEL_MAGIC
from paramstore.files.runs import Reading
from paramstore.inspect.align import evidence
from paramstore.inspect.examine import Examination, examine
from paramstore.inspect.which import Candidate, candidates_of
from paramstore.schema.fixed.kind import is_fixed

if TYPE_CHECKING:
    from paramstore.inspect.differ import ByteRange, Difference
    from paramstore.inspect.fixed import FixedExamination
    from paramstore.schema.fixed.model import FixedLayout

__all__ = ["Found", "Known", "differences", "examine_either", "files_of", "known_in", "known_of",
           "recogniser"]

# What only fixed layouts need is imported when one comes: reading a dump of a store must not wait.

Known: TypeAlias = "Candidate | FixedLayout"
"""What a dump may be of."""

Found: TypeAlias = "Examination | FixedExamination"
"""What there is to say about a dump."""


def known_of(source: SourceText, release: int | None = None) -> tuple[Known, ...]:
    """Return what the schema in `source` describes: a fixed layout, or a store and its releases,
    or the one `release` of it that is asked for.

    FindingsError if the schema has mistakes; ToolError if there is no such release.
    """
    if not is_fixed(source):
        return candidates_of(source, release)
    if release is not None:
        raise ToolError("a fixed layout has no releases", "leave --release out")
    from paramstore.schema.fixed.reader import read_layout

    return (read_layout(source)[0],)


def known_in(folder: str | Path) -> tuple[tuple[Known, ...], tuple[str, ...]]:
    """Return the same of all schemas in a folder, and the TOML files that are none."""
    found: list[Known] = []
    passed = []
    for name in names_in(folder):
        if not name.endswith(".toml"):
            continue
        path = Path(folder) / name
        try:
            found += known_of(read_text(path))
        except FindingsError:
            passed.append(str(path))
    return tuple(found), tuple(passed)


def files_of(known: Sequence[Known]) -> tuple[str, ...]:
    """Return the files of the schemas."""
    sources = [k.plan.schema.source if isinstance(k, Candidate) else k.source for k in known]
    return tuple(dict.fromkeys(source.path for source in sources if source))


def recogniser(known: Sequence[Known]) -> Callable[[bytes], bool]:
    """Return what tells whether bytes hold something of what a dump may be: a label, a record, a
    fixed layout. It settles the order of words where nothing in a file tells it."""
    def holds(data: bytes) -> bool:
        return LABEL_MAGIC in data or any(shows(k, data) for k in known)

    def shows(of: Known, data: bytes) -> bool:
        if isinstance(of, Candidate):
            return evidence(of.plan, data) > 0
        from paramstore.inspect.fixed_align import lies_somewhere

        return lies_somewhere(of, data)

    return holds


def examine_either(reading: Reading, known: Sequence[Known], offset: int | None = None, *,
                   named: bool = True) -> Found:
    """Return everything about a dump, read with the one of `known` that it is of. `named`: a person
    says that it is of the one there is.

    FindingsError (PS657) if nothing tells which.
    """
    stores = [k for k in known if isinstance(k, Candidate)]
    layouts = [k for k in known if not isinstance(k, Candidate)]
    if not layouts:
        return examine(reading, stores, offset, named=named)
    from paramstore.inspect.fixed import examine_fixed, speaks_for_itself

    found = [examine_fixed(reading, layout, offset) for layout in layouts]
    if named and len(known) == 1:
        return found[0]
    fitting = [f for f in found if speaks_for_itself(f.contents)]
    if len(fitting) == 1:
        return _said(fitting[0], reading, "its constants and checksums are right")
    likely = [f for f in found if speaks_for_itself(f.contents, checksums=False)]
    if not fitting and stores:
        try:
            return examine(reading, stores, offset, named=False)
        except FindingsError as refused:
            if len(likely) != 1:
                there = f"fixed layouts: {', '.join(f'`{f.name}`' for f in found)}"
                raise FindingsError([
                    replace(f, notes=(*f.notes, there)) if f.code == "PS657" else f
                    for f in refused.findings]) from None
    if not fitting and len(likely) == 1:
        return _said(likely[0], reading, "its constants are right, but not every checksum")
    names = [f"`{f.name}`" for f in fitting or found]
    are = "is" if len(names) == 1 else "are"
    raise FindingsError([Finding(
        "PS657", "the dump fits several fixed layouts alike" if fitting else
        "nothing in the dump tells its fixed layout", reading.source,
        notes=(f"there {are} {', '.join(names)}",),
        help="give the file of the unit's schema instead of the folder")])


def _said(found: FixedExamination, reading: Reading, why: str) -> FixedExamination:
    said = Finding("PS672", f"the dump is of `{found.name}`: {why}", reading.source,
                   severity=Severity.WARNING, help="give that schema, and nothing is said")
    return replace(found, findings=(said, *found.findings))


def differences(before: Found, after: Found | SourceText,
                ) -> tuple[tuple[Difference, ...], tuple[ByteRange, ...]]:
    """Return what differs between two dumps, or a dump and a values file: parameters, and the
    bytes of two dumps.

    FindingsError for mistakes in the values file; ToolError if the dumps are not alike.
    """
    from paramstore.image.values import read_values

    if isinstance(before, Examination):
        from paramstore.inspect.differ import byte_differences, value_differences

        if isinstance(after, SourceText):
            given = read_values(before.plan.schema, after, partial=True).values
            return value_differences(before.plan, before.contents, given), ()
        if isinstance(after, Examination) and before.plan.layout_id == after.plan.layout_id:
            return (value_differences(before.plan, before.contents, after.contents),
                    byte_differences(before.plan, before.dump, after.dump))
    else:
        from paramstore.inspect.fixed_differ import fixed_byte_differences, fixed_differences

        if isinstance(after, SourceText):
            given = read_values(before.candidate, after, partial=True).values
            return fixed_differences(before.contents, given), ()
        if not isinstance(after, Examination) and before.candidate == after.candidate:
            return (fixed_differences(before.contents, after.contents),
                    fixed_byte_differences(before.contents, after.contents))
    raise ToolError("the two dumps have different layouts, so their bytes mean different things",
                    "`paramstore migrate` makes one image of the other's release")
