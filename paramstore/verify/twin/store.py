"""The store: mount, format, values and commits, in step with the C runtime.

Every call does what the `ps_` call of the same name in paramstore.h does, with the same bus
transfers in the same order. Calls that use the bus are generators (see `wire`); those on
values alone are in `access`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum, auto

from paramstore.core.format import ERASED, SEQUENCE_FULL, skip_limit, slot_of
from paramstore.core.status import Health, Status
from paramstore.layout.figures import READ_BACK_BYTES
from paramstore.layout.plan import Plan
from paramstore.record import build_record, next_body, split_record
from paramstore.verify.twin.access import Access
from paramstore.verify.twin.group import GroupState, factory_bodies
from paramstore.verify.twin.label import LabelReader
from paramstore.verify.twin.migrate import migrate
from paramstore.verify.twin.newest import NO_RECORD, Found, RingReader
from paramstore.verify.twin.wire import BusFailure, PageJob, ReadJob, Steps, Wire

__all__ = ["Store"]


class _State(Enum):
    NONE = auto()  # not mounted
    BLANK = auto()
    UNLABELLED = auto()  # with records, or a label of an earlier release
    READY = auto()
    REFUSED = auto()  # the part is not ours


@dataclass(slots=True)
class _Commit:
    """A commit that goes on: `written` has the front of the record, up to the page at hand.

    A `ReadJob` reads that page from the newest record, for the bytes to be kept.
    """

    group: GroupState
    copies: int  # still to write
    sequence: int
    written: bytes
    job: PageJob | ReadJob


class Store(Access):
    """A store of `plan`. Before `mount` its values are defaults and commits are refused."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self._wire = Wire(plan)
        self._label = LabelReader(plan, self._wire)
        super().__init__({r.group.name: GroupState(plan, r, self._wire) for r in plan.rings})
        self._retired = {r.group.id: RingReader(plan, r, self._wire)
                         for r in plan.retired_sources}
        self._state = _State.NONE
        self._commit: _Commit | None = None

    # ---- Mount ----

    def mount(self) -> Steps[Status]:
        """Read the newest record of each group into the values; write nothing to the part."""
        self._reset_ram()
        try:
            return (yield from self._mount())
        except BusFailure as failure:
            self._reset_ram()
            return failure.status

    def _mount(self) -> Steps[Status]:
        first, label = yield from self._label.find()
        if label.failed:
            self._state = _State.REFUSED
            return label
        retired = {number: Found() for number in self._retired}
        try:
            for group in self._groups.values():
                yield from self._mount_group(group)
            if label is not Status.OK:  # of an earlier release, or nothing to say of which one
                for number, reader in self._retired.items():
                    yield from reader.find(retired[number])
                yield from migrate(self.plan, self._wire, self._groups.values(),
                                     self._retired, retired)
        finally:
            for group in self._groups.values():
                self._repair(group)
        flags = [group.health for group in self._groups.values()]
        if label is Status.OK:
            self._state = _State.READY
            return Status.FLAGGED if any(flags) or first is not Status.OK else Status.OK
        self._state = _State.UNLABELLED
        if label is Status.OLDER:
            return label
        # No label. Valid records can only be ours. A first copy that is erased over erased rings
        # is a blank part, or one whose very first format was cut.
        records = [*(g.sequence for g in self._groups.values()),
                   *(found.sequence for found in retired.values())]
        if any(number != NO_RECORD for number in records):
            return Status.FLAGGED
        if first is Status.BLANK and not any(Health.DAMAGE in health for health in flags):
            self._state = _State.BLANK
            return Status.BLANK
        self._state = _State.REFUSED
        return Status.ERR_FOREIGN

    def _mount_group(self, group: GroupState) -> Steps[None]:
        found = Found()
        try:
            yield from group.reader.find(found)
        finally:
            if found.body is not None:
                group.sequence, group.revision = found.sequence, found.revision
                group.values.load(found.body, found.revision)
                group.health = Health(0)
            if found.damage:
                group.health |= Health.DAMAGE
            if not found.copies:
                group.health |= Health.COPIES

    def _repair(self, group: GroupState) -> None:
        """Give defaults to what breaks limits or rules."""
        if group.values.check(repair=True) is not Status.OK:
            group.health |= Health.LIMIT

    def reload(self, group: str) -> Steps[Status]:
        """Read one group from the part again."""
        g = self._writable_group(group)
        if isinstance(g, Status):
            return g
        if self._state is not _State.READY:
            return Status.ERR_STATE
        g.reset_ram()
        self._wire.be_patient()
        try:
            yield from self._mount_group(g)
        except BusFailure as failure:
            self._state = _State.NONE
            return failure.status
        finally:
            self._repair(g)
        return Status.FLAGGED if g.health else Status.OK

    def format(self) -> Steps[Status]:
        """Write the label copies that are not whole; before, commit the migrated groups."""
        status = self._writable()
        if status is not Status.OK:
            return status
        try:
            if self._state is _State.BLANK:
                status = yield from self._begin_blank()
            else:
                status = yield from self._commit_migrated()
            if status is Status.OK:
                status = yield from self._write_labels()
            if status is Status.OK:
                self._state = _State.NONE
                _, status = yield from self._label.find()
                self._state = _State.NONE if status.failed else _State.READY
        except BusFailure as failure:
            status = failure.status
        if status.refuses:
            self._state = _State.REFUSED
        return status

    def _begin_blank(self) -> Steps[Status]:
        """Write copy 1 of a blank part. Its read-back proves that reads tell the truth; only then
        is it known that the part is blank, and not a bus that reads FF."""
        status = yield from self._check_blank()
        if status is Status.OK:
            status = yield from self._write_label(1)
        return (yield from self._check_blank()) if status is Status.OK else status

    def _check_blank(self) -> Steps[Status]:
        """Is the part as blank as mount found it? Copy 1 of the label may be torn, or ours."""
        first, label = yield from self._label.find()
        if label.failed:
            return label
        if first is not Status.BLANK or label is Status.OLDER:
            return Status.ERR_FOREIGN
        for piece in self._pieces():
            if not (yield from self._erased(piece)):
                return Status.ERR_FOREIGN
        return Status.OK

    def _pieces(self) -> Iterator[range]:
        """Yield the addresses of all rings in the pieces in which they are looked through."""
        step = min(self.plan.part.page, READ_BACK_BYTES)
        for reader in (*(g.reader for g in self._groups.values()), *self._retired.values()):
            for at in range(reader.ring.address(0), reader.ring.address(reader.ring.slots), step):
                yield range(at, at + step)

    def _erased(self, piece: range) -> Steps[bool]:
        data = yield from self._wire.read(piece.start, len(piece))
        return data == bytes([ERASED]) * len(piece)

    def _commit_migrated(self) -> Steps[Status]:
        """Commit the migrated groups; one that others take values from comes last."""
        groups = {group.ring.group.id: group for group in self._groups.values()}
        status = Status.OK
        for target in dict.fromkeys(migration.group for migration in self.plan.migrations):
            if status is Status.OK and Health.MIGRATED in groups[target].health:
                status = yield from self._finish(self._start(groups[target]))
        return status

    def _write_labels(self) -> Steps[Status]:
        """Never over the only whole copy: copy 1 comes first, unless that one is whole."""
        self._wire.be_patient()
        whole = (yield from self._label.read(1)) in (Status.OK, Status.OLDER)
        for copy in (0, 1) if whole else (1, 0):
            status = yield from self._write_label(copy)
            if status is not Status.OK:
                return status
        return Status.OK

    def _write_label(self, copy: int) -> Steps[Status]:
        """Write a label copy that is not whole."""
        if (yield from self._label.read(copy)) is Status.OK:
            return Status.OK
        return (yield from self._wire.write(self.plan.label_address(copy), self._label.ours))

    def wipe(self) -> Steps[Status]:
        """Mark the part as nobody's, erase every page of all rings, then the label."""
        if self._commit is not None:
            return Status.ERR_BUSY
        self._reset_ram()
        status = yield from self._mark_for_wipe()
        for piece in self._pieces():
            if status is Status.OK:
                status = yield from self._erase(piece)
        for copy in (1, 0):
            if status is Status.OK:
                blank = bytes([ERASED]) * self.plan.label_bytes
                status = yield from self._wire.write(self.plan.label_address(copy), blank)
        if status is Status.OK:
            self._state = _State.BLANK
        return status

    def _erase(self, piece: range) -> Steps[Status]:
        """Erase a piece, unless it reads erased twice."""
        try:
            if (yield from self._erased(piece)) and (yield from self._erased(piece)):
                return Status.OK
        except BusFailure as failure:
            return failure.status
        return (yield from self._wire.write(piece.start, bytes([ERASED]) * len(piece)))

    def _mark_for_wipe(self) -> Steps[Status]:
        """Let no later boot take the part for ours; a label that is not ours does that already."""
        self._wire.be_patient()
        try:
            status = yield from self._label.read(0)
        except BusFailure as failure:
            return failure.status
        if status.refuses:
            return Status.OK
        return (yield from self._wire.write(self.plan.label_address(0), self._label.wiping))

    def _reset_ram(self) -> None:
        self._state = _State.NONE
        self._commit = None
        for group in self._groups.values():
            group.reset_ram()

    # ---- Commit ----

    def _committing(self) -> GroupState | None:
        return None if self._commit is None else self._commit.group

    def commit(self, group: str) -> Steps[Status]:
        """Write a group and read it back, waiting as need be."""
        return (yield from self._finish(self.commit_begin(group)))

    def commit_all(self) -> Steps[Status]:
        """Write every changed group; go on behind an error that concerns its group only."""
        first = Status.OK
        for group in self._groups:
            status = yield from self.commit(group)
            first = status if first is Status.OK else first
            if status is not Status.OK and not status.concerns_group:
                break
        return first

    def refresh(self, group: str) -> Steps[Status]:
        """Commit a group although nothing changed."""
        g = self._writable_group(group)
        if isinstance(g, Status):
            return g
        if Health.DIRTY in g.health:
            return (yield from self.commit(group))
        if self._state is not _State.READY or g.sequence == NO_RECORD:
            return Status.ERR_STATE
        return (yield from self._finish(self._start(g)))

    def provision(self, image: bytes | None) -> Steps[Status]:
        """Commit the values of a factory image, or defaults, for each group without a record.

        The label goes first: mount takes a torn record without one for data of somebody else.
        """
        status = self._writable()
        bodies = factory_bodies(self.plan, image)
        if status is Status.OK and bodies is None:
            status = Status.ERR_LAYOUT
        if status is Status.OK and self._state is not _State.READY:
            status = yield from self.format()
        for name, group in self._groups.items():
            if status is not Status.OK:
                break
            if (bodies and name in bodies and group.sequence == NO_RECORD
                    and Health.MIGRATED not in group.health):
                group.values.load(bodies[name], group.ring.revision)
                group.health |= Health.DIRTY | Health.UNLOCKED
                status = yield from self.commit(name)
                group.health &= ~Health.UNLOCKED
        return status

    def commit_begin(self, group: str) -> Status:
        """Begin to write a group in steps. OK: there is nothing to write."""
        g = self._writable_group(group)
        if isinstance(g, Status):
            return g
        if Health.DIRTY not in g.health:
            return Status.OK
        if self._state is not _State.READY:
            return Status.ERR_STATE
        status = self._changeable(group)
        return self._start(g) if status is Status.OK else status

    def _start(self, group: GroupState) -> Status:
        full = group.sequence >= SEQUENCE_FULL
        status = Status.ERR_FULL if full else group.values.check()
        if status is not Status.OK:
            return status
        group.skipped = 0
        self._begin_record(group, group.ring.group.copies)
        return Status.PENDING

    def _finish(self, status: Status) -> Steps[Status]:
        """Do all steps of a commit, waiting between them."""
        while self._commit is not None and status is Status.PENDING:
            elapsed_us = yield from self._commit.job.wait()
            status = yield from self.step(elapsed_us)
        return status

    def step(self, elapsed_us: int) -> Steps[Status]:
        """Do the transfers of at most one page; never wait."""
        commit = self._commit
        if commit is None:
            return Status.OK
        status = yield from commit.job.step(elapsed_us)
        if status is Status.OK and isinstance(commit.job, ReadJob):
            self._fill_page(commit, commit.job.content)
            return Status.PENDING
        if status is Status.OK:
            return self._page_done(commit)
        if status is Status.ERR_VERIFY:
            group = commit.group
            group.health |= Health.WORN
            if group.skipped < skip_limit(group.ring.slots):
                group.skipped += 1
                self._begin_record(group, commit.copies)
                return Status.PENDING
        if status is not Status.PENDING:
            self._commit = None
        return status

    def _page_done(self, commit: _Commit) -> Status:
        """Go on with the record, with its copy, or end."""
        group = commit.group
        if len(commit.written) < group.ring.record_bytes:
            self._next_page(group, commit.copies, commit.sequence, commit.written)
            return Status.PENDING
        group.sequence = commit.sequence
        group.revision = max(group.revision, group.ring.revision)
        group.skipped = 0
        group.health &= ~(Health.DEFAULTS | Health.DAMAGE | Health.LIMIT)
        if commit.copies > 1:
            group.health |= Health.COPIES
            self._begin_record(group, commit.copies - 1)
            return Status.PENDING
        group.health &= ~(Health.DIRTY | Health.UNLOCKED | Health.MIGRATED | Health.COPIES)
        self._commit = None
        return Status.OK

    def _begin_record(self, group: GroupState, copies: int) -> None:
        self._next_page(group, copies, group.sequence + 1 + group.skipped, b"")

    def _next_page(self, group: GroupState, copies: int, sequence: int, written: bytes) -> None:
        """Begin with the next page: read it from the newest record if there is anything to keep."""
        ring = group.ring
        length = min(ring.page_bytes, ring.record_bytes - len(written))
        address = ring.address(slot_of(group.sequence, ring.slots)) + len(written)
        job = ReadJob(self._wire, address, length)
        self._commit = _Commit(group, copies, sequence, written, job)
        keeps = ring.reserved or group.revision > ring.revision
        if not keeps or group.sequence == NO_RECORD:
            self._fill_page(self._commit, b"")

    def _fill_page(self, commit: _Commit, old: bytes) -> None:
        """Take a page of the record from the values, what is not ours from the page `old`."""
        group, ring = commit.group, commit.group.ring
        begin = len(commit.written)
        end = min(begin + ring.page_bytes, ring.record_bytes)
        # Pages that were written have the kept bytes; what is not read yet, no page has so far.
        newest = (commit.written + old).ljust(ring.record_bytes, bytes([ERASED]))
        body = bytes(group.values.payload).ljust(ring.body_bytes, bytes([ERASED]))
        record = build_record(self.plan, ring, commit.sequence,
                              next_body(ring, body, group.revision, split_record(newest).body),
                              max(group.revision, ring.revision))[:end]
        address = ring.address(slot_of(commit.sequence, ring.slots)) + begin
        job = PageJob(self._wire, address, record[begin:])
        self._commit = _Commit(group, commit.copies, commit.sequence, record, job)

    def _writable(self) -> Status:
        """May anything be written to the part?"""
        if self._commit is not None:
            return Status.ERR_BUSY
        if self._state is _State.REFUSED:
            return Status.ERR_FOREIGN
        return Status.ERR_STATE if self._state is _State.NONE else Status.OK

    def _writable_group(self, name: str) -> GroupState | Status:
        """Return a group of a store that may be written, or why there is none."""
        status = self._writable()
        return self._groups.get(name, Status.ERR_ARGUMENT) if status is Status.OK else status
