"""A part made equal to an image byte by byte, or erased: in an order that a cut does no harm to.

For each group the part serves its old values or those of the image at every moment. What the image
wants newest is written first, what the part has newest goes last; where both are in the same slot,
a record with the values of the image stands in between. If the rings lie elsewhere in the image
there is no such order: then the part names no store until all is written (FORMAT.md, 2), so that
firmware serves nothing from it.
"""

from __future__ import annotations

from collections.abc import Iterable

from paramstore.bus.changes import Changes, changes_of_group
from paramstore.bus.recognise import being_erased
from paramstore.bus.steps import Put, put_labels
from paramstore.core.errors import Finding, FindingsError, SourceText
from paramstore.core.format import ERASED, slot_of
from paramstore.core.words import code_list
from paramstore.image.contents import Contents, gaps_in, unpack
from paramstore.image.pack import used_ranges
from paramstore.layout.plan import Plan, Ring
from paramstore.record import build_record, erasing_label, newest_of

__all__ = ["erase_changes", "exact_changes", "protected_groups", "refuse_protected"]


def exact_changes(contents: Contents, image: Contents, name: str, *,
                  unlock: bool = False) -> Changes:
    """Return what makes a part hold `image` byte by byte, a backup of it for one. What the image
    does not have stays.

    The image may be of another release than the part. FindingsError (PS964) if it is, or if a
    protected group that has a record changes, unless `unlock`.
    """
    plan = image.plan
    moved = not _same_rings(contents.plan, plan)
    ended = not being_erased(contents)
    if contents.plan != plan:
        _refuse_other(contents, plan, name, unlock=unlock)
        contents = unpack(plan, contents.image, contents.gaps)
    pairs = list(zip(contents.groups, image.groups, strict=True))
    diff = [c for mine, other in pairs for c in changes_of_group(mine, other.stored)]
    erased = tuple(mine.ring.group.name for mine, other in pairs
                   if mine.newest is not None and other.newest is None)
    locked = [g.name for g in (mine.ring.group for mine, _ in pairs)
              if g.role.protected and contents.group(g.name).newest is not None
              and (g.name in erased or any(c.group is g for c in diff))]
    if locked and not unlock and ended:
        raise FindingsError([Finding(
            "PS964", f"the image changes {code_list(locked)}", SourceText(name, ""),
            notes=("identity and calibration belong to a unit",),
            help="give --unlock to write them; or leave --exact out, and they are kept")])
    groups = tuple(mine.ring.group.name for mine, other in pairs
                   if _ring_bytes(contents, mine.ring) != _ring_bytes(image, mine.ring))
    first = tuple(mine.ring.group.name for mine, other in pairs
                  if mine.newest is None and other.newest is not None)
    return Changes(plan, contents, tuple(_steps(contents, image, moved or not ended)), tuple(diff),
                   groups=groups, first_written=first, erased_groups=erased,
                   label=contents.labels != image.labels)


def _refuse_other(contents: Contents, plan: Plan, name: str, *, unlock: bool) -> None:
    here, there = contents.plan.part, plan.part
    if (here.capacity, here.page) != (there.capacity, there.page):
        raise FindingsError([Finding(
            "PS962", f"the image is for a part of {there.capacity} bytes with {there.page}-byte "
            f"pages, this one has {here.capacity} and {here.page}", SourceText(name, ""),
            help="fit the part that the image was made for")])
    if contents.readable and not unlock:
        raise FindingsError([Finding(
            "PS964", f"the image is of release {plan.release}, the part of release "
            f"{contents.plan.release}", SourceText(name, ""),
            notes=("all that the part holds is replaced",),
            help="give --unlock if the image was made from this very part")])


def erase_changes(contents: Contents) -> Changes:
    """Return what makes a part blank that was read whole; until the end it names no store."""
    plan, size = contents.plan, contents.plan.part.capacity
    labels = 2 * plan.label_pages * plan.part.page
    blank = bytes([ERASED]) * size
    steps = []
    if contents.readable or any(contents.labels):
        steps.append(_mark(plan))
    steps.append(Put(labels, blank[labels:], "erased"))
    steps += [Put(plan.label_address(copy), blank[:plan.label_pages * plan.part.page],
                  f"label copy {copy} erased") for copy in (1, 0)]
    return Changes(plan, contents, tuple(steps), label=any(contents.labels),
                   groups=tuple(g.ring.group.name for g in contents.groups if not g.blank))


def protected_groups(contents: Contents) -> tuple[str, ...]:
    """Return the groups of identity and calibration that a part has, which only --unlock erases;
    none once an erasing began."""
    return () if being_erased(contents) else tuple(
        g.ring.group.name for g in contents.groups
        if g.newest is not None and g.ring.group.role.protected)


def refuse_protected(contents: Contents, name: str) -> None:
    """Refuse to erase a part that has an identity or a calibration (PS964), unless that began."""
    if there := protected_groups(contents):
        raise FindingsError([Finding(
            "PS964", f"the part has {code_list(there)}", SourceText(name, ""),
            notes=("identity and calibration belong to a unit",),
            help="give --unlock to erase them as well")])


def _mark(plan: Plan) -> Put:
    return Put(plan.label_address(0), erasing_label(plan), "the part names no store for now")


def _same_rings(one: Plan, other: Plan) -> bool:
    """Whether records of one layout mean the same to the other: in the same places, of the same
    size, and of the same series of releases."""
    def places(plan: Plan) -> dict[int, tuple[int, int, int, int]]:
        return {r.group.id: (r.first_page, r.slots, r.slot_pages, r.body_bytes)
                for r in (*plan.rings, *plan.retired)}

    here, there = places(one), places(other)
    series = one.release and other.release and one.series == other.series
    return one.layout_id == other.layout_id or bool(series and all(
        here[group] == there[group] for group in here.keys() & there.keys()))


def _steps(contents: Contents, image: Contents, moved: bool) -> Iterable[Put]:
    plan = image.plan
    labels = 2 * plan.label_pages * plan.part.page
    names_none = moved and any(contents.labels)
    if names_none:
        yield _mark(plan)
    elif contents.label is None:
        yield from put_labels(plan, contents)
    rings = (*plan.rings, *plan.retired)
    for ring in rings:
        yield from _ring_steps(plan, ring, contents, image)
    taken = used_ranges(plan)
    at = labels
    for first, end in sorted((*taken, (plan.part.capacity, plan.part.capacity))):
        for a, b in _given(image, at, first):
            yield Put(a, image.image[a:b], "free pages")
        at = max(at, end)
    order = (1, 0) if names_none or contents.labels[1] is None or (
        contents.labels[0] is not None and image.labels[0] is None) else (0, 1)
    for copy in order:
        start = plan.label_address(copy)
        yield Put(start, image.image[start:start + plan.label_pages * plan.part.page],
                  f"label copy {copy}")


def _given(image: Contents, first: int, end: int) -> Iterable[tuple[int, int]]:
    """Yield the parts of a stretch that the image has."""
    at = first
    for a, b in gaps_in(image.gaps, first, end):
        if at < a:
            yield at, a
        at = b
    if at < end:
        yield at, end


def _ring_steps(plan: Plan, ring: Ring, contents: Contents, image: Contents) -> Iterable[Put]:
    old, new = (newest_of(plan, ring, c.image) for c in (contents, image))
    first = slot_of(new.sequence, ring.slots) if new else None
    last = slot_of(old.sequence, ring.slots) if old else None
    name = ring.group.name

    def put(slot: int) -> Put:
        at, size = ring.address(slot), ring.slot_pages * ring.page_bytes
        return Put(at, image.image[at:at + size], f"{name}: slot {slot}")

    if old and new and first == last and _slot(contents, ring, first) != _slot(image, ring, first):
        last = slot_of(old.sequence + 1, ring.slots)
        yield Put(ring.address(last), build_record(plan, ring, old.sequence + 1, new.body,
                                                   new.revision),
                  f"{name}: record {old.sequence + 1} for now, slot {last}")
    if first is not None:
        yield put(first)
    yield from (put(slot) for slot in range(ring.slots) if slot not in (first, last))
    if last is not None and last != first:
        yield put(last)


def _slot(contents: Contents, ring: Ring, slot: int | None) -> bytes:
    assert slot is not None
    at = ring.address(slot)
    return contents.image[at:at + ring.slot_pages * ring.page_bytes]


def _ring_bytes(contents: Contents, ring: Ring) -> bytes:
    first = ring.address(0)
    return contents.image[first:first + ring.pages * ring.page_bytes]
