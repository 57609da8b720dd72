"""What a later release loses of a stored value, a comparison of the two releases has announced.

Units of each earlier release (`edges`) are booted by the firmware of the present one, in C and as
its twin. Every stored value that is not served as it was has to be named by the changes between the
two, as `check`, `freeze` and `compare` print them. Knows no wording of reports.
"""

from __future__ import annotations

import re
import tempfile
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import NamedTuple

from paramstore.core.errors import ToolError
from paramstore.core.scalars import GroupRaws, Raw, StoreRaws
from paramstore.image.contents import unpack
from paramstore.image.migrate import turned
from paramstore.image.pack import pack
from paramstore.layout.plan import Plan
from paramstore.layout.raw_conversion import rounded
from paramstore.releases.changes import Change, Impact
from paramstore.releases.successors import Counterpart, predecessors, successors
from paramstore.releases.values import ValueOrigin
from paramstore.releases.versions import changes_along
from paramstore.schema.from_raw import boundless, format_value
from paramstore.schema.model import Kind, Parameter
from paramstore.verify.cuts.build import build_harness
from paramstore.verify.cuts.edges import UnitMaker
from paramstore.verify.cuts.explorer import Explorer
from paramstore.verify.cuts.results import Verdict
from paramstore.verify.cuts.workers import Workers
from paramstore.verify.eeprom.bench import Bench
from paramstore.verify.eeprom.device import Device
from paramstore.verify.rig.toolchain import Compiler
from paramstore.verify.rig.twin import TwinRig

__all__ = ["Announced", "Became", "Unannounced", "UnitCase", "judge_units", "parse_unit",
           "replay_unit", "unit_text"]


class Became(StrEnum):
    """What a later release makes of a stored value."""

    SAME = "same"  # converted, if it is stored in another way now
    ROUNDED = "rounded"
    CUT = "cut"  # elements at the end are gone
    DEFAULT = "default"  # replaced
    GONE = "gone"  # the later release has no such parameter


class UnitCase(NamedTuple):
    """One unit of an earlier release, by its number."""

    release: int
    number: int
    seed: int = 1


@dataclass(frozen=True, slots=True)
class Unannounced:
    """What broke the promise. `verdict` is UNTOLD, or DIFFERENT where an `engine`, C or twin,
    serves something else than the host says. `where` is GROUP.PARAMETER of the earlier release, the
    group if the twin differs, "" if the C does; `before` and `after` are its values in words."""

    verdict: Verdict
    case: UnitCase
    where: str = ""
    before: str = ""
    after: str = ""
    engine: str = ""


@dataclass(frozen=True, slots=True)
class Announced:
    """What came of units of an earlier release: how many, and what became of the `values` that they
    had stored; `named` are the GROUP.PARAMETERs that the announcement says may lose one."""

    release: int
    units: int
    became: Mapping[Became, int]
    named: tuple[str, ...]
    violations: int = 0
    first: Unannounced | None = None

    @property
    def values(self) -> int:
        """Stored values that were looked at."""
        return sum(self.became.values())

    def __add__(self, other: Announced) -> Announced:
        """Return both together, of the same release."""
        return Announced(
            self.release, self.units + other.units,
            {b: n + other.became[b] for b, n in self.became.items()}, self.named,
            self.violations + other.violations, self.first or other.first)


@dataclass
class _Judge:
    """Judges units of the release `line[0]` under firmware of `line[-1]`."""

    explorer: Explorer
    line: Sequence[Plan]
    changes: tuple[Change, ...] = ()
    became: Counter[Became] = field(default_factory=Counter)

    def __post_init__(self) -> None:
        self.changes = changes_along(self.line)
        self._successors = successors(self.line)
        self._predecessors = predecessors(self.line)

    def breaches(self, image: bytes, case: UnitCase) -> Iterator[Unannounced]:
        """Yield every value of a unit that is lost unsaid, and every engine that serves something
        else than the host says."""
        former, plan = self.line[0], self.line[-1]
        served: StoreRaws = {g.ring.group.name: g.values for g in unpack(plan, image).groups}
        as_said, _ = self.explorer.see(pack(plan, served, defaults=True))
        if self.explorer.see(image)[0] != as_said:
            yield Unannounced(Verdict.DIFFERENT, case, engine="C")
        twin = TwinRig(plan, Bench(Device(plan.part, plan.schema.address, image),
                                   plan.schema.bus_khz))
        twin.mount()
        for ring in plan.rings:
            if twin.values(ring.group.name) != served[ring.group.name]:
                yield Unannounced(Verdict.DIFFERENT, case, ring.group.name, engine="twin")
        for group in unpack(former, image).groups:
            for parameter in group.ring.group.parameters:
                if group.origins[parameter.name] is not ValueOrigin.DEFAULT:
                    yield from self._parameter(group.ring.group.name, parameter, group.values,
                                               served, case)

    def _parameter(self, group: str, parameter: Parameter, stored: GroupRaws,
                   served: StoreRaws, case: UnitCase) -> Iterator[Unannounced]:
        successor = self._successors.get((group, parameter.name))
        where = f"{group}.{parameter.name}"
        values = served[successor.ring.group.name] if successor else {}
        became = self._became(successor, dict(stored), values)
        self.became[became] += 1
        if not _is_announced(self.changes, where, successor, became):
            yield Unannounced(
                Verdict.UNTOLD, case, where, _words(parameter, stored),
                _words(successor.parameter, values) if successor else "")

    def _became(self, successor: Counterpart | None, stored: dict[str, tuple[Raw, ...]],
                values: GroupRaws) -> Became:
        if successor is None:
            return Became.GONE
        source = self._predecessors[successor.ring.group.name, successor.parameter.name]
        wanted = turned(successor.parameter, source, stored)
        if wanted is None or any(values[name] != raws for name, raws in wanted.items()):
            return Became.DEFAULT
        worst = Became.SAME
        for new, old, c in zip(successor.parameter.fields, source.parameter.fields,
                               source.conversions, strict=True):
            raws = stored[old.name]
            if new.kind not in (Kind.TEXT, Kind.BYTES) and (
                    raws[new.count:] != old.default[new.count:]):
                return Became.CUT
            if any(rounded(c, a, b) for a, b in zip(raws, values[new.name], strict=False)):
                worst = Became.ROUNDED
        return worst


def _is_announced(changes: Sequence[Change], where: str, successor: Counterpart | None,
                  became: Became) -> bool:
    """Return whether the changes name what became of a parameter. `where` it was; they call it by
    its successor's name."""
    if successor is None:
        return any((c.code, c.where) == ("PS754", where) for c in changes)
    now = f"{successor.ring.group.name}.{successor.parameter.name}"
    codes = {c.code for c in changes if c.where == now and c.impact is not Impact.SAFE}
    match became:
        case Became.ROUNDED:
            return "PS762" in codes
        case Became.CUT:
            return "PS765" in codes
        case Became.DEFAULT:
            unbounded = any(boundless(f) for f in successor.parameter.fields)
            return (bool(codes & {"PS758", "PS760"}) or (unbounded and "PS762" in codes)
                    or now in _lost_by_rules(changes))
        case _:
            return True


def _lost_by_rules(changes: Sequence[Change]) -> set[str]:
    return {where for c in changes if c.impact is not Impact.SAFE for where in c.loses}


def _named(changes: Sequence[Change]) -> tuple[str, ...]:
    own = {c.where for c in changes
           if c.impact is not Impact.SAFE and c.code in ("PS758", "PS760", "PS762", "PS765")}
    return tuple(sorted(own | _lost_by_rules(changes)))


def _words(parameter: Parameter, values: GroupRaws) -> str:
    return ", ".join(format_value(f, values[f.name]) for f in parameter.fields)


def judge_units(explorer: Explorer, earlier: Sequence[Plan], at: int, numbers: Sequence[int],
                seed: int = 1) -> Announced:
    """Let the explorer's firmware boot units of the release `earlier[at]`, by their numbers.

    `earlier` are all releases of its series before that of the explorer, in their order.
    """
    following = (*earlier[at + 1:], explorer.plan)
    maker = UnitMaker.of(earlier[:at + 1], following)
    judge = _Judge(explorer, (earlier[at], *following))
    violations, first = 0, None
    for number in numbers:
        case = UnitCase(earlier[at].release, number, seed)
        for found in judge.breaches(maker.unit(number, seed), case):
            violations += 1
            first = first or found
    return Announced(earlier[at].release, len(numbers),
                     {b: judge.became[b] for b in Became}, _named(judge.changes), violations, first)


# ---- One unit again -----------------------------------------------------------------------------


def unit_text(case: UnitCase) -> str:
    """Return a single unit as one word, such as `RELEASE2,UNIT=17.x1`."""
    return f"RELEASE{case.release},UNIT={case.number}.x{case.seed:x}"


def parse_unit(text: str) -> UnitCase | None:
    """Return the unit that a text describes, None if it describes none."""
    found = re.fullmatch(r"RELEASE([1-9]\d{0,3}),UNIT=(\d{1,9})\.x([0-9a-f]{1,8})", text.strip())
    return UnitCase(int(found[1]), int(found[2]), int(found[3], 16)) if found else None


def replay_unit(plan: Plan, earlier: Sequence[Plan], case: UnitCase,
                compiler: Compiler | None = None) -> Announced:
    """Build the harness of a plan and boot one unit; ToolError if there is no such release, or no
    compiler."""
    releases = [former.release for former in earlier]
    if case.release not in releases:
        raise ToolError(f"there is no earlier release {case.release} in this series",
                        f"the releases before are {', '.join(map(str, releases)) or 'none'}")
    with (tempfile.TemporaryDirectory(prefix="paramstore-", ignore_cleanup_errors=True) as folder,
          Workers(build_harness(plan, Path(folder), compiler)) as worker):
        return worker.do(judge_units, earlier, releases.index(case.release), (case.number,),
                         case.seed)
