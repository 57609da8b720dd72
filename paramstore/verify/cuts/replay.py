"""One history on the byte-level simulator, with the compiled C and with its Python twin.

The simulator plays every byte on the bus and knows nothing of the harness, and what is served is
judged a second time here, by a few lines that share nothing with `harness/oracle.c`.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from paramstore.core.status import Health, Status
from paramstore.layout.plan import Plan
from paramstore.verify.cuts.build import build_harness
from paramstore.verify.cuts.explorer import Explorer
from paramstore.verify.cuts.history import parse_history, steps_text
from paramstore.verify.cuts.pictures import Pictures
from paramstore.verify.cuts.results import (
    CutHistory,
    CutStep,
    Operation,
    Start,
    Verdict,
    Violation,
    operation_group,
)
from paramstore.verify.cuts.tears import LostWrite, TornWrite
from paramstore.verify.cuts.workers import Workers
from paramstore.verify.eeprom.bench import Bench
from paramstore.verify.eeprom.device import Device
from paramstore.verify.eeprom.faults import PowerCut
from paramstore.verify.rig.base import Rig
from paramstore.verify.rig.native import NativeRig, compile_native
from paramstore.verify.rig.toolchain import Compiler
from paramstore.verify.rig.twin import TwinRig

__all__ = ["Played", "Replayed", "ServedValues", "blank_bench", "play", "replay"]


@dataclass(frozen=True, slots=True)
class ServedValues:
    """What one boot gave: the status of the mount, and for each group the version served (0:
    defaults, None: values that were never committed). `wrong` says what must not be."""

    step: int
    status: Status
    versions: dict[str, int | None]
    wrong: str = ""


@dataclass(frozen=True, slots=True)
class Played:
    """A history played on the simulator: what each boot of it served, and the image left."""

    boots: tuple[ServedValues, ...]
    image: bytes

    @property
    def wrong(self) -> str:
        """What is wrong first; "" if nothing is."""
        return next((f"step {b.step}: {b.wrong}" for b in self.boots if b.wrong), "")


def play(rig: Rig, pictures: Pictures, history: CutHistory) -> Played:
    """Play a history on a rig with a new part."""
    player = _Player(rig, pictures)
    player.begin(history.start)
    for number, step in enumerate(history.steps, 1):
        player.step(number, step)
    return Played(tuple(player.boots), bytes(rig.bench.device.memory))


@dataclass
class _Expected:
    """What may be served of a group: `must`, or one of `may`."""

    must: int = 0
    may: set[int] = field(default_factory=set)
    tried: int = 0


class _Player:
    """Does operations on a rig and keeps a simple book of what each group may hold."""

    def __init__(self, rig: Rig, pictures: Pictures) -> None:
        self._rig = rig
        self._pictures = pictures
        self._expected = {ring.group.name: _Expected() for ring in rig.plan.rings}
        self._wiping = False
        self.boots: list[ServedValues] = []

    def begin(self, start: Start) -> None:
        """Bring a new part into the start state."""
        device = self._rig.bench.device
        if start.packed:
            device.memory[:] = self._pictures.images[0]
            for expected in self._expected.values():
                expected.must = expected.tried = 1
        self._rig.mount()
        if start.rounds and not start.packed:
            self._rig.format()
        for left in reversed(range(start.rounds)):
            for ring in self._rig.plan.rings:
                if start.passed and left == 0 and ring.slots > 2:
                    device.faults.append(LostWrite(device.cycles + 1))
                self._commit(ring.group.name)
                device.faults.clear()
        if start.rounds:
            self._rig.power_cycle()
            self._rig.mount()

    def step(self, number: int, step: CutStep) -> None:
        """Do one step, with its cut."""
        device = self._rig.bench.device
        if step.cut is not None:
            device.faults.append(TornWrite(device.cycles + 1 + step.cut.write, step.cut.tear))
        try:
            self._operate(number, step.operation)
        except PowerCut:
            pass
        finally:
            device.faults.clear()

    def _operate(self, number: int, operation: int) -> None:
        group = operation_group(operation)
        if group is not None:
            self._commit(self._rig.plan.rings[group].group.name)
        elif operation == Operation.FORMAT:
            self._rig.format()
        elif operation == Operation.WIPE:
            self._wiping = True
            if self._rig.wipe() is Status.OK:
                self._forget_all()
        else:
            self._rig.power_cycle()
            self.boots.append(self._boot(number, self._rig.mount()))

    def _commit(self, group: str) -> None:
        expected = self._expected[group]
        expected.tried += 1
        self._rig.unlock(group)
        for name, raws in self._values(group, expected.tried).items():
            self._rig.poke(group, name, 0, raws)
        self._rig.touch(group)
        begun = self._rig.bench.device.cycles
        try:
            done = self._rig.commit(group)
        except PowerCut:
            expected.may.add(expected.tried)
            raise
        if done is Status.OK:
            expected.must, expected.may = expected.tried, set()
        elif self._rig.bench.device.cycles > begun:
            expected.may.add(expected.tried)

    def _boot(self, number: int, status: Status) -> ServedValues:
        if status.failed:
            wrong = "" if self._wiping and status is Status.ERR_FOREIGN else (
                f"mount returned {status.name}")
            return ServedValues(number, status, {}, wrong)
        if status is Status.BLANK and self._wiping:
            self._forget_all()
        self._wiping = False
        versions = {group: self._served(group) for group in self._expected}
        reasons = [
            f"{group}: {_version_text(version)} served, not "
            f"{' or '.join(_version_text(v) for v in sorted({expected.must, *expected.may}))}"
            for group, version in versions.items() for expected in (self._expected[group],)
            if version is None or version not in {expected.must, *expected.may}]
        for group, version in versions.items():
            expected = self._expected[group]
            if version is not None:
                expected.must, expected.may = version, {v for v in expected.may if v > version}
        return ServedValues(number, status, versions, "; ".join(reasons))

    def _served(self, group: str) -> int | None:
        """The version that a group shows; of several that look alike, one that is allowed."""
        expected = self._expected[group]
        if self._rig.health(group) & (Health.DEFAULTS | Health.MIGRATED):
            return 0 if self._shows(group, 0) else None
        likely = [expected.must, *sorted(expected.may, reverse=True), *range(expected.tried, 0, -1)]
        return next((v for v in likely if v and self._shows(group, v)), None)

    def _shows(self, group: str, version: int) -> bool:
        """Whether the values are those of a version, bit by bit: -0.0 is not 0.0."""
        values = self._rig.values(group)
        wanted = self._values(group, version)
        return all(f.scalar.pack(a) == f.scalar.pack(b)
                   for f in self._rig.plan.ring(group).group.fields
                   for a, b in zip(values[f.name], wanted[f.name], strict=True))

    def _values(self, group: str, version: int) -> dict[str, tuple[int | float, ...]]:
        defaults = {f.name: f.default for f in self._rig.plan.ring(group).group.fields}
        return defaults | (self._pictures.of(group, version) if version else {})

    def _forget_all(self) -> None:
        self._wiping = False
        for expected in self._expected.values():
            expected.must, expected.may = 0, set()


def _version_text(version: int | None) -> str:
    if version is None:
        return "values never committed"
    return f"version {version}" if version else "defaults"


@dataclass(frozen=True, slots=True)
class Replayed:
    """One history on the byte-level simulator, under each engine by name, and on the harness,
    which names the `violation`. `steps` are the texts of its steps."""

    plan: Plan
    engines: dict[str, Played]
    steps: tuple[str, ...]
    violation: Violation | None
    same_image: bool

    @property
    def verdict(self) -> Verdict:
        """What the harness says of the history."""
        return Verdict.GOOD if self.violation is None else self.violation.verdict

    @property
    def sound(self) -> bool:
        """Whether nobody finds anything wrong, and all agree on the image."""
        return (self.same_image and self.verdict is Verdict.GOOD
                and not any(played.wrong for played in self.engines.values()))


def replay(plan: Plan, text: str, compiler: Compiler | None = None) -> Replayed:
    """Play a history with the compiled C and with its Python twin, and on the harness.

    ToolError if the text is no history, if there is no compiler or it fails, if the firmware
    crashes or a call of it does not come back.
    """
    history = parse_history(plan, text)
    with tempfile.TemporaryDirectory(prefix="paramstore-", ignore_cleanup_errors=True) as folder:
        harness = build_harness(plan, Path(folder), compiler)
        with Workers(harness) as worker:
            violation, image = worker.do(Explorer.judge, history)
        code = compile_native(plan, Path(folder) / "rig", compiler)
        rigs: dict[str, Callable[[Bench], Rig]] = {
            "compiled C": lambda bench: NativeRig(code, bench),
            "twin": lambda bench: TwinRig(plan, bench),
        }
        engines = {name: play(rig(blank_bench(plan)), harness.pictures, history)
                   for name, rig in rigs.items()}
    return Replayed(plan, engines, steps_text(plan, history), violation,
                    {image} == {p.image for p in engines.values()})


def blank_bench(plan: Plan) -> Bench:
    """Return a bench with a blank part."""
    return Bench(Device(plan.part, plan.schema.address), plan.schema.bus_khz)
