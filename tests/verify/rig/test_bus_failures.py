"""A bus that fails in any one transfer of a call: the call says so, and the next try ends it.

Every call goes to both engines, which must not be told apart by anything (see `engines`).
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from typing import Any

import pytest

from paramstore.core.status import Status
from paramstore.layout.plan import Plan
from paramstore.verify.eeprom.bench import Bench
from paramstore.verify.eeprom.faults import BusError, Fault
from tests.engines import Engines
from tests.record.plans import EXAMPLE
from tests.releases.histories import tank_probe
from tests.verify.rig.stores import USED

BLANK = b"\xff" * EXAMPLE.part.capacity
LABELS_TORN = b"\x00" * 4 + USED[4:]


class Fails(Fault):
    """The bus fails in one transfer, the `number`-th from now."""

    def __init__(self, bench: Bench, number: int) -> None:
        self._bench = bench
        self.left = number
        self._seen = -1

    def byte(self, number: int) -> bool:
        if len(self._bench.log) != self._seen:  # the first byte of a transfer
            self._seen = len(self._bench.log)
            self.left -= 1
            if self.left == 0:
                return self.strike()
        return True

    def strike(self) -> bool:
        raise BusError


class FallsSilent(Fails):
    """From one transfer on the part acknowledges nothing."""

    def byte(self, number: int) -> bool:
        return self.left > 0 and super().byte(number)

    def strike(self) -> bool:
        return False


@cache
def earlier(release: int) -> bytes:
    """A part of an earlier release of the example, with a record in each group."""
    plan = tank_probe().plan(release)
    engines = Engines(plan)
    for call in ("mount", "format"):
        engines.call(call)
    for ring in plan.rings:
        for call in ("unlock", "touch", "commit"):
            engines.call(call, ring.group.name)
    return bytes(engines.device.memory)


LAST = tank_probe().plans[-1]
FORMER = tank_probe().plans[-2]
KEEPS = next(r.group.name for r in FORMER.rings  # a commit keeps what the later release added
             if LAST.ring(r.group.name).payload_bytes > r.payload_bytes)
CHANGES = (("unlock", "limits"), ("set", "limits", "current", 0, (8,)),
           ("set", "user", "low", 0, (2,)))
CASES: dict[str, tuple[Plan, Callable[[], bytes], tuple[tuple[Any, ...], ...]]] = {
    "mount": (EXAMPLE, lambda: USED, (("mount",),)),
    "reload": (EXAMPLE, lambda: USED, (("mount",), ("reload", "limits"))),
    "refresh": (EXAMPLE, lambda: USED, (("mount",), ("refresh", "limits"))),
    "commit all": (EXAMPLE, lambda: USED, (("mount",), *CHANGES, ("commit_all",))),
    "wipe": (EXAMPLE, lambda: USED, (("mount",), ("wipe",))),
    "format, blank": (EXAMPLE, lambda: BLANK, (("mount",), ("format",))),
    "format, torn label": (EXAMPLE, lambda: LABELS_TORN, (("mount",), ("format",))),
    "provision": (EXAMPLE, lambda: BLANK, (("mount",), ("provision", None))),
    "mount, earlier release": (LAST, lambda: earlier(1), (("mount",),)),
    "format, earlier release": (LAST, lambda: earlier(1), (("mount",), ("format",))),
    "commit, later release": (FORMER, lambda: earlier(len(tank_probe().plans)), (
        ("mount",), ("unlock", KEEPS), ("touch", KEEPS), ("commit", KEEPS))),
}


def served(engines: Engines) -> dict[str, Any]:
    """What a store serves, group by group."""
    return {ring.group.name: engines.twin.values(ring.group.name) for ring in engines.plan.rings}


def places(transfers: int) -> list[int]:
    """The transfers to fail in: all of a short call; of a long one the first, last and some."""
    return sorted({*range(1, min(12, transfers) + 1), *range(max(1, transfers - 5), transfers + 1),
                   *range(12, transfers + 1, max(1, transfers // 10))})


@pytest.mark.parametrize(("fault", "says"), [(Fails, Status.ERR_BUS),
                                             (FallsSilent, Status.ERR_NACK)])
@pytest.mark.parametrize("case", CASES)
def test_a_call_tells_of_a_bus_that_fails_and_can_be_repeated(
    case: str, fault: type[Fails], says: Status
) -> None:
    """The call says what failed; after another mount it succeeds, and serves what it would have
    served."""
    plan, memory, calls = CASES[case]
    whole = Engines(plan, memory())
    before = [whole.call(*call) for call in calls[:-1]]
    counter = Fails(whole.twin.bench, -1)
    whole.twin.bench.device.faults.append(counter)
    last = whole.call(*calls[-1])
    transfers = -1 - counter.left
    assert transfers > 5
    for number in places(transfers):
        engines = Engines(plan, memory())
        assert before == [engines.call(*call) for call in calls[:-1]]
        engines.each(lambda bench, at=number: bench.device.faults.append(fault(bench, at)))
        assert says is engines.call(*calls[-1])
        engines.each(lambda bench: bench.device.faults.clear())
        *_, again = [engines.call(*call) for call in calls]
        assert last is again
        assert served(whole) == served(engines)
