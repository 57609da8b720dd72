"""Every page write of every kind of work on a part, cut in every way; then the same work again.

A cut takes the power of part and computer alike, so the program never hears of it. Six parts, one
for each way of addressing; the store is small and invented. `Work.check` is the oracle: it reads
the bytes with the decoder of images and lets the twin of the firmware mount them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from paramstore.bus.changes import Changes, value_changes
from paramstore.bus.exact import erase_changes, exact_changes
from paramstore.bus.look import read_part
from paramstore.bus.programmer import Programmer
from paramstore.bus.recognise import being_erased, recognise
from paramstore.bus.work import write_changes
from paramstore.core.errors import SourceText
from paramstore.core.status import Health, Status
from paramstore.image.contents import Contents, unpack
from paramstore.image.pack import complete, pack
from paramstore.layout.plan import Plan
from paramstore.production.held import read_held
from paramstore.production.journal import Journal
from paramstore.production.records import VERIFY, Batch, NewUnit, Records
from paramstore.releases.history import ReleaseHistory
from paramstore.releases.project import Project, open_project
from paramstore.verify.eeprom.bench import Bench
from paramstore.verify.eeprom.device import Device
from paramstore.verify.eeprom.faults import CutAtWrite, PowerCut, Tear, Torn
from paramstore.verify.rig.twin import TwinRig
from tests.bus.buses import BenchBus

__all__ = ["PARTS", "TEARS", "WORKS", "Campaign", "Cut"]

PARTS = ("24LC02B", "24LC04B", "24LC16B", "24LC32A", "M24M01-R", "24LC1025")
TEARS = (Tear(Torn.OLD), Tear(Torn.NEW), Tear(Torn.MIX, 0, 7), Tear(Torn.PREFIX, 3),
         Tear(Torn.SUFFIX, 4), Tear(Torn.ERASED), Tear(Torn.ZEROS), Tear(Torn.AND), Tear(Torn.OR),
         Tear(Torn.ERASED_PREFIX, 5), Tear(Torn.NOISE, 0, 3))
SCHEMA = """
[store]
name = "pump"
part = "{part}"
[group.identity]
role = "identity"
writes = "2 per life"
room = 0
[group.identity.parameter]
serial = {{ type = "text", size = 6 }}
[group.trim]
role = "calibration"
writes = "1 per year"
room = 0
[group.trim.parameter]
gain = {{ type = "u16", default = 100 }}
[group.user]
role = "setting"
writes = "1 per year"
room = 0
[group.user.parameter]
limit = {{ type = "u32", default = 7 }}
"""
SERIAL = {"serial": (0x41, 0x31, 0, 0, 0, 0)}
OLD = {"identity": SERIAL, "trim": {"gain": (111,)}, "user": {"limit": (70000,)}}
NEW = {"identity": SERIAL, "trim": {"gain": (99,)}, "user": {"limit": (5,)}}
AT = "2026-03-01T08:00:00Z"

Values = dict[str, dict[str, tuple[int | float, ...]]]
Cut = tuple[int, Tear]
"""Which page write is cut, from 1, and how."""


def plan_of(part: str) -> Plan:
    return open_project(SourceText("pump.toml", SCHEMA.format(part=part))).plan


@dataclass(frozen=True)
class Work:
    """One kind of work: from which image it starts, what it does to contents, how the part is read
    for it, and which values groups may have on the way and must have at the end."""

    name: str
    start: Callable[[Plan], bytes]
    changes: Callable[[Plan, Contents], Changes]
    whole: bool = False
    end: Callable[[Plan], bytes | None] = lambda plan: None
    wanted: Values | None = None


def used(plan: Plan) -> bytes:
    """A unit that has been in use: its rings have gone round."""
    image = pack(plan, OLD)
    for turn in range(4):
        values = {**OLD, "user": {"limit": (turn,)}, "trim": {"gain": (turn,)}}
        image = value_changes(unpack(plan, image), values, "", unlock=True).image_after
    return value_changes(unpack(plan, image), OLD, "", unlock=True).image_after


def backup(plan: Plan) -> bytes:
    """What the same unit held earlier: the numbers of its records are lower."""
    return value_changes(unpack(plan, pack(plan, OLD)), NEW, "", unlock=True).image_after


def blank(plan: Plan) -> bytes:
    return b"\xff" * plan.part.capacity


def junk(plan: Plan) -> bytes:
    """A unit in use with something on its free pages, as far as it has any."""
    image = bytearray(used(plan))
    image[-1] &= 0x5A
    return bytes(image)


WORKS = {work.name: work for work in (
    Work("write a blank part", blank, lambda plan, c: value_changes(c, NEW, ""), wanted=NEW),
    Work("write", used, lambda plan, c: value_changes(c, NEW, ""),
         wanted={**NEW, "trim": OLD["trim"]}),
    Work("write with --unlock", used, lambda plan, c: value_changes(c, NEW, "", unlock=True),
         wanted=NEW),
    Work("write --exact", used, lambda plan, c: exact_changes(
        c, unpack(plan, backup(plan)), "", unlock=True), True, backup, NEW),
    Work("write --exact, numbers that grow", backup, lambda plan, c: exact_changes(
        c, unpack(plan, used(plan)), "", unlock=True), True, used, OLD),
    Work("write --exact, a blank part", blank, lambda plan, c: exact_changes(
        c, unpack(plan, used(plan)), ""), True, used, OLD),
    Work("erase", junk, lambda plan, c: erase_changes(c), True, blank, None),
)}


class Campaign:
    """One kind of work on one part. `noted`: with records, which are looked at after each cut."""

    def __init__(self, part: str, work: Work, folder: Path, *, noted: bool = False) -> None:
        self.plan, self.work = plan_of(part), work
        self.project = Project(self.plan, ReleaseHistory())
        self.image = work.start(self.plan)
        self.folder, self.noted, self.records = folder, noted, ""
        before = self.values(self.image)
        self.may = [{name: [before[name], after] for name, after in complete(
            self.plan, work.wanted or {}).items()}, before]

    def values(self, image: bytes) -> Values:
        return {g.ring.group.name: g.values for g in unpack(self.plan, image).groups}

    def points(self) -> int:
        """How many page writes the work makes if nothing happens."""
        device = self.begin()
        self.do(device)
        self.check_end(bytes(device.memory))
        return device.cycles

    def run(self, tears: tuple[Tear, ...]) -> int:
        """Cut each page write in each way; return how many cuts that were."""
        points = self.points()
        return sum(self.cut((number, tear)) for tear in tears for number in range(1, points + 1))

    def cut(self, *cuts: Cut) -> int:
        """Do the work, which is cut, then again for each further cut, then to its end; look at what
        is there each time. Return how many cuts there were: a repeat may have fewer pages."""
        device = self.begin()
        made = 0
        for number, tear in cuts:
            device.faults.append(CutAtWrite(number, tear))
            try:
                self.do(device)
                break
            except PowerCut:
                made += 1
            self.check_torn(bytes(device.memory))
            device = Device(self.plan.part, 0x50, bytes(device.memory))
        else:
            self.do(device)
        self.check_end(bytes(device.memory))
        return made

    def begin(self) -> Device:
        """The part as it is before the work; with new records, if any, of the unit that it is."""
        if self.noted:
            self.records = str(self.folder / "units.db")
            Path(self.records).unlink(missing_ok=True)
            with Records(self.records, create=True) as records:
                records.begin_batch(Batch("lot", 0, "{}", "identity.serial", ""))
                records.allot("lot", [NewUnit(1, "", "A1")], AT)
            Journal(self.records, lambda: AT).end(
                VERIFY, True, "", unpack(self.plan, self.image))
        return Device(self.plan.part, 0x50, self.image)

    def do(self, device: Device) -> None:
        """What the commands do, without options and words."""
        programmer = Programmer(BenchBus(device), self.plan.part, 0x50)
        contents = read_part(programmer, self.project, whole=self.work.whole)
        if self.work.wanted is not None and not being_erased(contents):
            recognise(contents, "part")
        changes = self.work.changes(self.plan, contents)
        journal = Journal(self.records, lambda: AT) if self.records else None
        if not changes.pages:
            return
        if journal:
            journal.begin(contents, "")
        done = write_changes(programmer, changes)
        if journal:
            journal.end("erase" if self.work.wanted is None else "change", True, "", done.contents)

    # ---- The oracle ----------------------------------------------------------------------------

    def check_torn(self, image: bytes) -> None:
        """Each group has its old values or the new ones, for the decoder and for firmware, unless
        firmware refuses the part; and the records claim nothing that is not so."""
        allowed = self.may[0]
        rig = TwinRig(self.plan, Bench(Device(self.plan.part, 0x50, image)))
        status = rig.mount()
        assert status in (Status.OK, Status.FLAGGED, Status.BLANK) or (
            status == Status.ERR_FOREIGN and self.work.wanted is None), status
        if status != Status.ERR_FOREIGN:
            for name, values in self.values(image).items():
                assert values in allowed[name], (name, values)
                assert rig.values(name) in allowed[name], name
        self.check_records(image)

    def check_end(self, image: bytes) -> None:
        """The values are there, in all their copies; or the bytes, to the last one."""
        expected = self.work.end(self.plan)
        if expected is not None:
            assert expected == image
        if self.work.wanted is not None:
            assert complete(self.plan, self.work.wanted) == self.values(image)
            if expected is None:
                assert all(g.copies >= g.ring.group.copies
                           for g in unpack(self.plan, image).groups)
            rig = TwinRig(self.plan, Bench(Device(self.plan.part, 0x50, image)))
            assert rig.mount() in (Status.OK, Status.FLAGGED)
            if expected is None:
                assert not any(Health.COPIES in rig.health(name) for name in self.work.wanted)
        self.check_records(image)

    def check_records(self, image: bytes) -> None:
        """What the records say that the part holds, it holds; for a work that began and did not
        end they say nothing."""
        if not self.records:
            return
        with Records(self.records) as records:
            unit = records.unit("A1")
        assert unit is not None
        if unit.last_reading is None:
            return
        held = read_held(unit.last_reading.held)
        for group in unpack(self.plan, image).groups:
            there = held[group.ring.group.name]
            assert there.copies == group.copies
            assert there.raws == (group.stored if group.newest else {})
