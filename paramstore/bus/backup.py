"""The copy of what a part held before it is written to, and how it is found again."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import groupby
from pathlib import Path
from typing import NamedTuple

from paramstore.bus.changes import Changes
from paramstore.bus.recognise import unlabelled
from paramstore.bus.steps import Put, Step, pages_of
from paramstore.core.errors import ParamstoreError, ToolError
from paramstore.core.format import skip_limit, slot_of
from paramstore.files.forms import Dump, WriteOptions, decode_image, encode_dump, form_of
from paramstore.image.contents import Contents, Gaps, LabelState, gaps_in, unpack
from paramstore.layout.plan import Plan

__all__ = ["Backup", "backup_name", "keep_backup", "needs_all"]

_MOST_BACKUPS = 10_000

Again = Callable[[Contents], Changes]
"""What the same command would do to a part with other contents."""


Read = Callable[[bytes, Gaps], Contents]
"""How an image is decoded: with the release that its label names."""


class Backup(NamedTuple):
    """Where the old content of a part is. `labelled`: it can be written back; `other`: it is of
    another release than what is written; `blank`: an erasing brings it back. `before`: it is from
    before a try of this write that did not end; `same`: it is an earlier copy, and holds the same
    bytes."""

    path: str
    labelled: bool
    other: bool = False
    blank: bool = False
    before: bool = False
    same: bool = False


def needs_all(path: str | None) -> bool:
    """Whether a backup of this name needs the whole part, since its form cannot leave bytes out.
    ToolError if the name does not tell the form."""
    return path is not None and not form_of(path, choice=False).gaps


def backup_name(path: str | None, stem: str) -> str:
    """Return where the next backup goes: `path`, or the next free `STEM.before-NNNN.hex` here."""
    if path is not None:
        return path
    for n in range(1, _MOST_BACKUPS):
        if not Path(name := f"{stem}.before-{n:04}.hex").exists():
            return name
    return name


def keep_backup(changes: Changes, path: str | None, stem: str, again: Again,
                read: Read) -> Backup:
    """Write what a part held to a new file, unless the last copy holds the same bytes, or is from
    before a try of the same write that did not end: that one stays the way back.

    ToolError if it cannot be written, or is there already with something else: a backup is never
    written over.
    """
    name = backup_name(path, stem)
    earlier = path if path is not None else _last(name, stem)
    if earlier is not None and Path(earlier).exists():
        old = _origin(earlier, changes, again, read)
        if old is not None:
            same = not _unlike(old, changes.before)
            return _backup(earlier, old, changes.plan)._replace(before=not same, same=same)
    contents = changes.before
    content = encode_dump(Dump(contents.image, contents.gaps), form_of(name, choice=False),
                          WriteOptions(), None)
    try:
        with Path(name).open("xb") as file:
            file.write(content)
    except FileExistsError as error:
        raise ToolError(f"`{name}` is there already, and a backup is never written over",
                        "give another name with --backup; nothing was written to the part"
                        ) from error
    except OSError as error:
        raise ToolError(f"cannot write the backup `{name}`: {error.strerror}",
                        "nothing was written to the part") from error
    return _backup(name, read(contents.image, contents.gaps), changes.plan)


def _backup(path: str, contents: Contents, plan: Plan) -> Backup:
    return Backup(path, contents.label_state is LabelState.OURS, contents.plan != plan,
                  unlabelled(contents))


def _last(name: str, stem: str) -> str | None:
    number = int(name.rpartition("-")[2].partition(".")[0]) - 1
    return f"{stem}.before-{number:04}.hex" if number else None


def _origin(path: str, made: Changes, again: Again, read: Read) -> Contents | None:
    """Return the contents of a backup if this very write, begun on them, can have led to what the
    part holds now, or nothing has changed since."""
    now = made.before
    try:
        dump = decode_image(Path(path).read_bytes(), form_of(path, choice=False), path,
                            made.plan.part.capacity)
        old = read(dump.data, dump.gaps)
        if len(dump.data) != len(now.image) or any(
                not _inside(gap, now.gaps) for gap in dump.gaps):
            return None
        unlike = _unlike(old, now)
        if not unlike:
            return old
        changes = again(old)
        led = _begun(changes, unlike) and not _others(
            changes.before, unpack(changes.plan, now.image, now.gaps),
            unpack(changes.plan, changes.image_after, old.gaps))
    except (ParamstoreError, OSError):
        return None
    return old if led else None


def _unlike(old: Contents, now: Contents) -> set[int]:
    """Return the pages that differ, of those that are there."""
    page = now.plan.part.page
    return {at // page for at in range(0, len(now.image), page)
            if _there(now, at, page) and now.image[at:at + page] != old.image[at:at + page]}


def _others(old: Contents, now: Contents, target: Contents) -> bool:
    """Whether a part has a whole record or label that it did not have and is not given."""
    if any(label not in (None, *old.labels, *target.labels) and label.store_id
           for label in now.labels):
        return True
    for group, before, after in zip(now.groups, old.groups, target.groups, strict=True):
        wanted = after.newest.record.body if after.newest else None
        for slot in group.slots:
            record = slot.record
            if record.valid and record.body != wanted and record not in (
                    before.slots[slot.number].record, after.slots[slot.number].record):
                return True
    return False


def _inside(gap: tuple[int, int], gaps: tuple[tuple[int, int], ...]) -> bool:
    return any(a <= gap[0] and gap[1] <= b for a, b in gaps)


def _there(contents: Contents, at: int, page: int) -> bool:
    return gaps_in(contents.gaps, at, at + page) != ((at, at + page),)


def _begun(changes: Changes, unlike: set[int]) -> bool:
    """Whether the `unlike` pages are those of a beginning of a write: what comes later in its order
    is as it was. The order inside a ring may be another one in a repeat."""
    begun: set[int] = set()
    for _, steps in groupby(changes.steps, lambda step: _place(changes.plan, step)):
        pages = {page for step in steps for page in _reach(changes, step)}
        if pages and not pages & unlike:
            break
        begun |= pages
    return unlike <= begun


def _place(plan: Plan, step: Step) -> str:
    """Return the ring of a step, or what it is."""
    if not isinstance(step, Put):
        return step.ring.group.name
    return next((ring.group.name for ring in (*plan.rings, *plan.retired)
                 if 0 <= step.address - ring.address(0) < ring.pages * ring.page_bytes), step.what)


def _reach(changes: Changes, step: Step) -> Iterator[int]:
    """Yield the pages that a step changes, with the slots that it may pass over."""
    size = changes.plan.part.page
    if isinstance(step, Put):
        for put in pages_of(step, size):
            if changes.before.image[put.address:put.address + len(put.data)] != put.data:
                yield put.address // size
        return
    ring = step.ring
    most = min(step.copies * (1 + skip_limit(ring.slots)), ring.slots)
    for sequence in range(step.newest + 1, step.newest + 1 + most):
        first = ring.first_page + slot_of(sequence, ring.slots) * ring.slot_pages
        yield from range(first, first + ring.slot_pages)
