"""A dump read with what it is of: the way in where that may be a store or a fixed layout.

A fixed layout has no label. Where there are several schemas to choose from, its constants and
checksums speak for it: all of them must be right, and there must be enough of them. Where neither
another layout nor a store is to be seen, constants alone do: a checksum may be what is damaged.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from paramstore.core.errors import Finding, FindingsError, Severity
from paramstore.core.format import LABEL_MAGIC
from paramstore.files.runs import Reading
from paramstore.inspect.align import evidence
from paramstore.inspect.examination import Examination
from paramstore.inspect.store import StoreExamination, examine_store
from paramstore.inspect.which import Candidate, Layout

if TYPE_CHECKING:
    from paramstore.inspect.fixed import FixedExamination
    from paramstore.inspect.regions import Places

__all__ = ["examine", "places_of", "recogniser"]

# What only fixed layouts need is imported when one comes: reading a dump of a store must not wait.


def recogniser(layouts: Callable[[], Sequence[Layout]]) -> Callable[[bytes], bool]:
    """Return what tells whether bytes hold something of what a dump may be: a label, a record, a
    fixed layout. It settles the order of words where nothing in a file tells it; `layouts` are
    asked for where that is so."""
    def holds(data: bytes) -> bool:
        return LABEL_MAGIC in data or any(shows(k, data) for k in layouts())

    def shows(of: Layout, data: bytes) -> bool:
        if isinstance(of, Candidate):
            return evidence(of.plan, data) > 0
        from paramstore.inspect.fixed_align import lies_somewhere

        return lies_somewhere(of, data)

    return holds


def examine(reading: Reading, layouts: Sequence[Layout], offset: int | None = None, *,
            named: bool = True) -> Examination:
    """Return everything about a dump, read with the one of `layouts` that it is of. `named`: a
    person says that it is of the one there is.

    FindingsError (PS657) if nothing tells which.
    """
    stores = [k for k in layouts if isinstance(k, Candidate)]
    fixed = [k for k in layouts if not isinstance(k, Candidate)]
    if not fixed:
        return examine_store(reading, stores, offset, named=named)
    from paramstore.inspect.fixed import examine_fixed, speaks_for_itself

    found = [examine_fixed(reading, layout, offset) for layout in fixed]
    if named and len(layouts) == 1:
        return found[0]
    fitting = [f for f in found if speaks_for_itself(f.contents)]
    if len(fitting) == 1:
        return _with_finding(fitting[0], reading, "its constants and checksums are right")
    likely = [f for f in found if speaks_for_itself(f.contents, checksums=False)]
    if not fitting and stores:
        try:
            return examine_store(reading, stores, offset, named=False)
        except FindingsError as refused:
            if len(likely) != 1:
                there = f"fixed layouts: {', '.join(f'`{f.name}`' for f in found)}"
                raise FindingsError([
                    replace(f, notes=(*f.notes, there)) if f.code == "PS657" else f
                    for f in refused.findings]) from None
    if not fitting and len(likely) == 1:
        return _with_finding(likely[0], reading, "its constants are right, but not every checksum")
    names = [f"`{f.name}`" for f in fitting or found]
    are = "is" if len(names) == 1 else "are"
    raise FindingsError([Finding(
        "PS657", "the dump fits several fixed layouts alike" if fitting else
        "nothing in the dump tells its fixed layout", reading.source,
        notes=(f"there {are} {', '.join(names)}",),
        help="give the file of the unit's schema instead of the folder")])


def _with_finding(found: FixedExamination, reading: Reading, why: str) -> FixedExamination:
    finding = Finding("PS672", f"the dump is of `{found.name}`: {why}", reading.source,
                   severity=Severity.WARNING, help="give that schema, and nothing is said")
    return replace(found, findings=(finding, *found.findings))


def places_of(of: Layout | Examination) -> Places:
    """Return what lies where by a layout; of an examination also what stands there."""
    if isinstance(of, Candidate | StoreExamination):
        from paramstore.inspect.store_places import StorePlaces

        return StorePlaces(of.plan, of if isinstance(of, StoreExamination) else None)
    from paramstore.inspect.fixed import FixedExamination
    from paramstore.inspect.fixed_places import FixedPlaces

    if isinstance(of, FixedExamination):
        return FixedPlaces(of.schema, of)
    assert not isinstance(of, Examination), "there are two readers"
    return FixedPlaces(of)
