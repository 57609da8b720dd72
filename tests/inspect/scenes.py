"""Dumps whose history is known: the twin commits on a simulated part until its power is cut."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache, lru_cache

from paramstore.core.errors import SourceText
from paramstore.core.scalars import Raw
from paramstore.core.status import Status
from paramstore.layout.place import make_plan
from paramstore.layout.plan import Plan, Ring
from paramstore.schema.reader import read_schema
from paramstore.verify.eeprom.bench import Bench
from paramstore.verify.eeprom.device import Device
from paramstore.verify.eeprom.faults import CutAtWrite, PowerCut, Tear
from paramstore.verify.rig.twin import TwinRig

__all__ = ["PLAN", "SCHEMA", "Scene", "change", "cut_commit", "page_writes", "used_unit"]

SCHEMA = """\
[store]
name = "bench_unit"
doc = "Invented"
part = "24LC32A"

[group.identity]
role = "identity"
writes = "4 per life"
[group.identity.parameter]
serial = { type = "u32", default = 1 }
made = { type = "date" }

[group.settings]
role = "setting"
writes = "10 per day"
slots = 4
[group.settings.parameter]
interval = { type = "u16", unit = "s", min = 1, max = 3600, default = 10 }
gain = { type = "i16", scale = 0.01, unit = "dB", default = 0 }
mode = { type = "enum", members = ["off", "auto", "manual"] }
alarms = { type = "flags", members = ["low", "high"] }

[group.curve]
role = "calibration"
writes = "4 per year"
copies = 1
slots = 3
[group.curve.parameter]
steps = { type = "u16", count = 40, unit = "mV" }
"""


@cache
def _plan() -> Plan:
    schema, warnings = read_schema(SourceText("bench_unit.toml", SCHEMA))
    assert warnings == ()
    return make_plan(schema)


PLAN = _plan()

Change = Callable[[TwinRig], Status]


@dataclass(frozen=True)
class Scene:
    """A unit whose last commit was cut. `old` and `new` are what the slot held before, and would
    hold after it; `committed` the values that were acknowledged last, in record `sequence`."""

    plan: Plan
    image: bytes
    ring: Ring
    slot: int
    old: bytes
    new: bytes
    committed: dict[str, tuple[Raw, ...]]
    sequence: int

    @property
    def address(self) -> int:
        """Where the slot begins."""
        return self.ring.address(self.slot)

    @property
    def torn(self) -> bytes:
        """What the slot holds."""
        return self.image[self.address:self.address + len(self.old)]


def change(group: str, chance: random.Random) -> Change:
    """Return a change of one value of a group of `PLAN`, or of none: a commit of the same."""
    raws = {"identity": ("serial", 0, chance.randrange(1 << 32)),
            "curve": ("steps", chance.randrange(40), chance.randrange(1 << 16)),
            "settings": chance.choice([
                ("interval", 0, chance.randrange(1, 3601)),
                ("gain", 0, chance.randrange(-32768, 32768)), ("mode", 0, chance.randrange(3)),
                ("alarms", 0, chance.randrange(4))])}
    field, first, raw = raws[group]

    def apply(rig: TwinRig) -> Status:
        if rig.plan.ring(group).group.role.protected:
            rig.unlock(group)
        rig.touch(group)
        return rig.set(group, field, first, [raw])

    return apply


def on_part(image: bytes) -> TwinRig:
    """A twin that has just mounted a part with this content."""
    device = Device(PLAN.part, PLAN.schema.address, image)
    rig = TwinRig(PLAN, Bench(device, PLAN.schema.bus_khz))
    if rig.mount() is Status.BLANK:
        assert rig.format() is Status.OK
    return rig


def used_unit(group: str, commits: int, chance: random.Random) -> TwinRig:
    """A unit on which one group was committed so often, with another value each time."""
    rig = on_part(b"")
    for _ in range(commits):
        assert change(group, chance)(rig) is Status.OK
        assert rig.commit(group) is Status.OK
    return rig


def page_writes(group: str) -> int:
    """Page writes of one commit of a group."""
    ring = PLAN.ring(group)
    return ring.group.copies * len(list(ring.writes()))


@dataclass(frozen=True)
class _Commit:
    """A commit on a used unit: the memory before and after it, values and number before, values
    after, and the change that it stores."""

    before: bytes
    after: bytes
    committed: dict[str, tuple[Raw, ...]]
    sequence: int
    stored: dict[str, tuple[Raw, ...]]
    change: Change


@lru_cache(maxsize=64)
def _commit(group: str, commits: int, seed: int) -> _Commit:
    chance = random.Random(seed)
    rig = used_unit(group, commits, chance)
    before = bytes(rig.bench.device.memory)
    last = change(group, chance)
    whole = on_part(before)
    assert last(whole) is Status.OK and whole.commit(group) is Status.OK
    return _Commit(before, bytes(whole.bench.device.memory), rig.values(group),
                   rig.sequence(group), whole.values(group), last)


def cut_commit(group: str, commits: int, page: int, tear: Tear, seed: int = 0) -> Scene:
    """Commit a group so often, then once more with a cut in page write `page` (from 0) of that."""
    of, ring = _commit(group, commits, seed), PLAN.ring(group)
    cut = on_part(of.before)
    assert of.change(cut) is Status.OK
    cut.bench.device.faults = [CutAtWrite(cut.bench.device.cycles + page + 1, tear)]
    try:
        cut.commit(group)
    except PowerCut:
        pass
    else:
        raise AssertionError("the commit has fewer page writes")
    committed, sequence = of.committed, of.sequence
    copy, _ = divmod(page, len(list(ring.writes())))
    if copy:  # the first copy is whole: its values are there, acknowledged or not
        committed, sequence = of.stored, sequence + copy
    slot = sequence % ring.slots
    at, size = ring.address(slot), ring.slot_pages * ring.page_bytes
    return Scene(PLAN, bytes(cut.bench.device.memory), ring, slot, of.before[at:at + size],
                 of.after[at:at + size], committed, sequence)
