"""One history: as a line of text, on the byte-level simulator, and with as little in it as can be.

The simulator plays every byte on the bus and knows nothing of the harness, and what it serves is
judged a second time here, by a few lines that share nothing with `harness/oracle.c`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace

from paramstore.cuts.pictures import Pictures
from paramstore.cuts.results import (
    FIRST_GROUP,
    Cut,
    History,
    Operation,
    Start,
    Step,
    operation_group,
)
from paramstore.cuts.tears import KINDS, LostWrite, PageTear, TornWrite
from paramstore.eeprom.faults import PowerCut, Torn
from paramstore.errors import ToolError
from paramstore.layout.plan import Plan
from paramstore.rig.base import Rig
from paramstore.schema.words import did_you_mean
from paramstore.status import Health, Status

__all__ = ["Played", "Served", "history_text", "parse_history", "play", "shrink"]

# ---- Text ----------------------------------------------------------------------------------------

_WITH_PLACE = (Torn.PREFIX, Torn.SUFFIX, Torn.ERASED_PREFIX)
_HELP = ("write a start (BLANK, FACTORY or FACTORY+ROUNDS, with a p behind it if slots were passed "
         "over) and steps (BOOT, FORMAT, WIPE or a group), with commas between; a cut as "
         "@WRITE.TEAR, such as `FACTORY+4,settings@0.prefix.5,BOOT`")


def history_text(plan: Plan, history: History) -> str:
    """Return a history as one word without blanks, such as `FACTORY+4,settings@0.prefix.5,BOOT`."""
    start = history.start
    words = ["FACTORY" if start.packed else "BLANK"]
    if start.rounds:
        words[0] += f"+{start.rounds}" + "p" * start.passed
    for step in history.steps:
        group = operation_group(step.operation)
        word = (Operation(step.operation).name if group is None
                else plan.rings[group].group.name)
        words.append(word + (f"@{_cut_text(step.cut)}" if step.cut else ""))
    return ",".join(words)


def _cut_text(cut: Cut) -> str:
    tear = cut.tear
    words = [str(cut.write), tear.kind.value.replace(" ", "-")]
    if tear.kind in _WITH_PLACE:
        words.append(str(tear.at))
    if tear.random:
        words.append(f"x{tear.seed:x}")
    if tear.rest:
        words.append("rest")
    return ".".join(words)


def parse_history(plan: Plan, text: str) -> History:
    """Return the history that a text describes; ToolError with a hint if it is none."""
    first, *rest = text.strip().split(",")
    steps: list[Step] = []
    for word in rest:
        if steps and steps[-1].cut and word != Operation.BOOT.name:
            raise ToolError(f"`{word}` follows a cut", "after a cut comes BOOT")
        steps.append(_parse_step(plan, word))
    return History(_parse_start(first), tuple(steps))


def _parse_start(word: str) -> Start:
    name, plus, rounds = word.partition("+")
    passed = rounds.endswith("p")
    digits = rounds.removesuffix("p")
    if name not in ("BLANK", "FACTORY") or bool(plus) != digits.isdecimal() or len(digits) > 6:
        raise ToolError(f"`{word}` is no start of a history", _HELP)
    return Start(name == "FACTORY", int(digits or 0), passed)


def _parse_step(plan: Plan, word: str) -> Step:
    name, at, cut = word.partition("@")
    groups = {ring.group.name: FIRST_GROUP + g for g, ring in enumerate(plan.rings)}
    names = {**{op.name: int(op) for op in Operation}, **groups}
    if name not in names:
        raise ToolError(f"`{name}` is no step of a history",
                        did_you_mean(name, list(names), "the steps"))
    return Step(names[name], _parse_cut(cut) if at else None)


def _parse_cut(text: str) -> Cut:
    write, _, rest = text.partition(".")
    kind, *details = rest.split(".")
    kinds = {k.value.replace(" ", "-"): k for k in KINDS}
    tear = PageTear(kinds[kind]) if kind in kinds else None
    try:
        for detail in details:
            match detail[:1]:
                case "r" if detail == "rest" and tear:
                    tear = replace(tear, rest=True)
                case "x" if tear:
                    tear = replace(tear, seed=int(detail[1:], 16) & 0xFFFF_FFFF)
                case _ if tear:
                    tear = replace(tear, at=int(detail) & 0xFFFF)
        number = int(write)
    except ValueError:
        tear = None
    if tear is None or not write.isdecimal():
        raise ToolError(f"`@{text}` is no cut", f"the tears are {', '.join(kinds)}; {_HELP}")
    return Cut(number, tear)


# ---- The byte-level simulator --------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Served:
    """What one boot gave: the status of the mount, and for each group the version served (0:
    defaults, None: values that were never committed). `wrong` says what must not be."""

    step: int
    status: Status
    versions: dict[str, int | None]
    wrong: str = ""


@dataclass(frozen=True, slots=True)
class Played:
    """A history played on the simulator: what each boot of it served, and the image left."""

    boots: tuple[Served, ...]
    image: bytes

    @property
    def wrong(self) -> str:
        """What is wrong first; "" if nothing is."""
        return next((f"step {b.step}: {b.wrong}" for b in self.boots if b.wrong), "")


def play(rig: Rig, pictures: Pictures, history: History) -> Played:
    """Play a history on a rig with a new part."""
    player = _Player(rig, pictures)
    player.begin(history.start)
    for number, step in enumerate(history.steps, 1):
        player.step(number, step)
    return Played(tuple(player.boots), bytes(rig.bench.device.memory))


@dataclass
class _Known:
    """What may be served of a group: `must`, or one of `may`."""

    must: int = 0
    may: set[int] = field(default_factory=set)
    tried: int = 0


class _Player:
    """Does operations on a rig and keeps a simple book of what each group may hold."""

    def __init__(self, rig: Rig, pictures: Pictures) -> None:
        self._rig = rig
        self._pictures = pictures
        self._known = {ring.group.name: _Known() for ring in rig.plan.rings}
        self._wiping = False
        self.boots: list[Served] = []

    def begin(self, start: Start) -> None:
        """Bring a new part into the start state."""
        device = self._rig.bench.device
        if start.packed:
            device.memory[:] = self._pictures.images[0]
            for known in self._known.values():
                known.must = known.tried = 1
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

    def step(self, number: int, step: Step) -> None:
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
        known = self._known[group]
        known.tried += 1
        self._rig.unlock(group)
        for name, raws in self._values(group, known.tried).items():
            self._rig.poke(group, name, 0, raws)
        self._rig.touch(group)
        begun = self._rig.bench.device.cycles
        try:
            done = self._rig.commit(group)
        except PowerCut:
            known.may.add(known.tried)
            raise
        if done is Status.OK:
            known.must, known.may = known.tried, set()
        elif self._rig.bench.device.cycles > begun:
            known.may.add(known.tried)

    def _boot(self, number: int, status: Status) -> Served:
        if status.failed:
            wrong = "" if self._wiping and status is Status.ERR_FOREIGN else (
                f"mount returned {status.name}")
            return Served(number, status, {}, wrong)
        if status is Status.BLANK and self._wiping:
            self._forget_all()
        self._wiping = False
        versions = {group: self._served(group) for group in self._known}
        reasons = [
            f"{group}: {_version_text(version)} served, not "
            f"{' or '.join(_version_text(v) for v in sorted({known.must, *known.may}))}"
            for group, version in versions.items() for known in (self._known[group],)
            if version is None or version not in {known.must, *known.may}]
        for group, version in versions.items():
            known = self._known[group]
            if version is not None:
                known.must, known.may = version, {v for v in known.may if v > version}
        return Served(number, status, versions, "; ".join(reasons))

    def _served(self, group: str) -> int | None:
        """The version that a group shows; of several that look alike, one that is allowed."""
        known = self._known[group]
        if Health.DEFAULTS in self._rig.health(group):
            return 0 if self._shows(group, 0) else None
        likely = [known.must, *sorted(known.may, reverse=True), *range(known.tried, 0, -1)]
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
        for known in self._known.values():
            known.must, known.may = 0, set()


def _version_text(version: int | None) -> str:
    if version is None:
        return "values never committed"
    return f"version {version}" if version else "defaults"


# ---- Fewest steps --------------------------------------------------------------------------------


def shrink(history: History, still_wrong: Callable[[History], bool]) -> History:
    """Return a history with as little in it as possible that is still wrong.

    Steps are left out, cuts taken away, the start and the tears made plainer, one after another,
    for as long as that works.
    """
    smaller = True
    while smaller:
        smaller = False
        for candidate in _simpler(history):
            if still_wrong(candidate):
                history, smaller = candidate, True
                break
    return history


def _simpler(history: History) -> Iterator[History]:
    steps = history.steps
    for i, step in enumerate(steps):
        yield replace(history, steps=steps[:i] + steps[i + 1 + (step.cut is not None):])
    for start in _plainer_starts(history.start):
        yield replace(history, start=start)
    for i, step in enumerate(steps):
        if step.cut is not None:
            for cut in (None, *_plainer_cuts(step.cut)):
                yield replace(history, steps=(*steps[:i], replace(step, cut=cut), *steps[i + 1:]))


def _plainer_starts(start: Start) -> Iterator[Start]:
    if start.passed:
        yield replace(start, passed=False)
    for rounds in (0, start.rounds // 2, start.rounds - 1):
        if 0 <= rounds < start.rounds:
            yield Start(start.packed, rounds, start.passed and rounds > 0)


def _plainer_cuts(cut: Cut) -> Iterator[Cut]:
    """Yield plainer tears only, in one order, so that shrinking comes to an end."""
    tear = cut.tear
    if tear.rest:
        yield Cut(cut.write, PageTear(tear.kind, tear.at))
    plainest = [PageTear(kind) for kind in (Torn.OLD, Torn.NEW, Torn.ERASED, Torn.ZEROS)]
    yield from (Cut(cut.write, p) for p in plainest[:_rank(tear)])
    if tear.kind in _WITH_PLACE:
        yield from (Cut(cut.write, replace(tear, at=at))
                    for at in sorted({1, tear.at // 2, tear.at - 1}) if 0 < at < tear.at)
    if cut.write > 0:
        yield replace(cut, write=cut.write - 1)


def _rank(tear: PageTear) -> int:
    order = (Torn.OLD, Torn.NEW, Torn.ERASED, Torn.ZEROS)
    return order.index(tear.kind) if tear.kind in order and not tear.rest else len(order)
