"""Protected, worn and silent parts, bad supplies and buses: what a store does about them.

Every call goes to both engines, which must not be told apart by anything (see `engines`).
"""

import pytest

from paramstore.core.status import Health, Status
from paramstore.verify.eeprom.faults import BusError, DeadPage, Fault, PageWrite
from tests.engines import Engines
from tests.record.plans import EXAMPLE
from tests.verify.rig.stores import LIMITS, USED, image, mounted, with_fault


def test_write_protect_is_noticed_and_costs_nothing() -> None:
    """The part acknowledges and writes nothing: ERR_VERIFY, and the next commit may succeed."""
    engines = mounted()
    engines.each(lambda bench: setattr(bench.device, "write_protect", True))
    engines.call("set", "user", "low", 0, [2])
    assert Status.ERR_VERIFY is engines.call("commit", "user")
    assert Health.WORN | Health.DIRTY == engines.twin.health("user")
    assert USED == engines.device.memory
    engines.each(lambda bench: setattr(bench.device, "write_protect", False))
    assert Status.OK is engines.call("commit", "user")


def test_worn_slot_is_passed_over() -> None:
    """The record goes to the next slot and its number with it; mount finds it."""
    engines = mounted()
    with_fault(engines, lambda: DeadPage(LIMITS.address(2) // 16))
    engines.call("unlock", "limits")
    engines.call("set", "limits", "current", 0, [99])
    assert Status.OK is engines.call("commit", "limits")
    assert (5, Health.WORN) == (engines.twin.sequence("limits"), engines.twin.health("limits"))
    engines.restart(power=True)
    engines.call("mount")
    assert (99,) == engines.twin.values("limits")["current"]


class StuckBit(Fault):
    """One bit of one cell takes nothing new."""

    def __init__(self, address: int) -> None:
        self.address = address

    def write(self, write: PageWrite) -> None:
        page = EXAMPLE.part.page
        at = self.address - write.page * page
        if 0 <= at < page:
            stuck = write.new[at] ^ 0x10
            write.new = write.new[:at] + bytes([stuck]) + write.new[at + 1:]


def test_read_back_sees_every_byte() -> None:
    """A single wrong bit at any place of a record: the next slot is taken."""
    for offset in range(LIMITS.record_bytes):
        engines = mounted()
        with_fault(engines, lambda offset=offset: StuckBit(LIMITS.address(2) + offset))
        engines.call("unlock", "limits")
        engines.call("set", "limits", "current", 0, [99])
        assert Status.OK is engines.call("commit", "limits")
        assert (5, Health.WORN) == (engines.twin.sequence("limits"),
                                    engines.twin.health("limits"))


def test_newest_record_is_never_written_over() -> None:
    """If no other slot takes the record the commit fails and the newest one stays."""
    engines = mounted()
    newest = LIMITS.address(1) // 16
    for page in range(LIMITS.first_page, LIMITS.first_page + LIMITS.pages):
        if page not in (newest, newest + 1):
            with_fault(engines, lambda page=page: DeadPage(page))
    engines.call("unlock", "limits")
    engines.call("set", "limits", "current", 0, [99])
    for _ in range(3):
        assert Status.ERR_VERIFY is engines.call("commit", "limits")
        assert 0 == engines.device.wear[newest] + engines.device.wear[newest + 1]
    engines.restart(power=True)
    engines.call("mount")
    assert (7,) == engines.twin.values("limits")["current"]


def test_bad_supply_stops_before_the_next_page() -> None:
    """The question comes before each page write, and no write follows a bad answer."""
    engines = mounted()
    engines.each(lambda bench: setattr(bench, "supply_good", False))
    engines.call("set", "user", "low", 0, [2])
    assert Status.ERR_SUPPLY is engines.call("commit", "user")
    assert (0, Health.DIRTY) == (engines.device.cycles, engines.twin.health("user"))
    engines.each(lambda bench: setattr(bench, "supply_good", True))
    assert Status.OK is engines.call("commit", "user")


class Silent(Fault):
    """The part acknowledges nothing. Whoever asks for ever is stopped."""

    def __init__(self) -> None:
        self.asked = 0

    def byte(self, number: int) -> bool:
        self.asked += 1
        assert self.asked < 1000
        return False


class Jammed(Fault):
    """Somebody holds the bus."""

    def byte(self, number: int) -> bool:
        raise BusError


@pytest.mark.parametrize(("fault", "expected"),
                         [(Silent, Status.ERR_NACK), (Jammed, Status.ERR_BUS)])
def test_part_that_is_gone_ends_every_call_in_time(fault: type[Fault], expected: Status) -> None:
    """Each call gives up within the timeout, and a commit can be tried again later."""
    engines = mounted()
    with_fault(engines, fault)
    engines.call("set", "user", "low", 0, [2])
    limit_us = EXAMPLE.part.timeout_us + EXAMPLE.part.poll_us + 42 * 11 * 2.5
    for call in (("commit", "user"), ("format",), ("mount",), ("wipe",)):
        begun = engines.twin.bench.now_us
        assert expected is engines.call(*call)
        assert engines.twin.bench.now_us - begun <= limit_us
    engines.each(lambda bench: bench.device.faults.clear())
    assert Status.OK is engines.call("mount")


class NackOnce(Fault):
    """One byte is not acknowledged; what was loaded before it is written at the STOP."""

    def __init__(self, number: int) -> None:
        self.number = number

    def byte(self, number: int) -> bool:
        return number != self.number


@pytest.mark.parametrize("call", [("mount",), ("commit", "user")])
def test_one_byte_without_acknowledge_is_made_good(call: tuple[str, ...]) -> None:
    """At whatever byte of a mount or a commit it happens, the call succeeds all the same."""
    whole = mounted()
    begun = whole.device.bytes_seen
    whole.call("set", "user", "low", 0, [2])
    whole.call(*call)
    for number in range(begun + 1, whole.device.bytes_seen + 1):
        engines = mounted()
        with_fault(engines, lambda number=number: NackOnce(number))
        engines.call("set", "user", "low", 0, [2])
        assert Status.OK is engines.call(*call)
        assert whole.device.memory == engines.device.memory
        assert whole.twin.values("user") == engines.twin.values("user")


def test_values_before_a_failed_mount_are_defaults() -> None:
    """A bus that fails in the middle of a mount leaves no half-read group."""

    class LateJam(Fault):
        def byte(self, number: int) -> bool:
            if number > self.after:
                raise BusError
            return True

        def __init__(self, after: int) -> None:
            self.after = after

    memory = image(("limits", 3, {"current": (7,)}), ("user", 1, {"low": (1,)}))
    whole = Engines(EXAMPLE, memory)
    whole.call("mount")
    for after in range(0, whole.device.bytes_seen, 3):
        engines = Engines(EXAMPLE, memory)
        with_fault(engines, lambda after=after: LateJam(after))
        assert Status.ERR_BUS is engines.call("mount")
        current = engines.twin.values("limits")["current"]
        assert current == ((7,) if engines.twin.sequence("limits") else (2500,))
        assert Status.ERR_STATE is engines.call("commit_begin", "user")


def test_mount_waits_for_a_write_from_before_a_reset() -> None:
    """A controller that restarts alone finds the part busy, and the write whole."""
    engines = mounted()
    engines.call("set", "user", "low", 0, [2])
    assert Status.PENDING is engines.call("commit_begin", "user")
    engines.call("step", 0)
    engines.restart(power=False)
    assert engines.device.busy
    assert Status.FLAGGED is engines.call("mount")
    assert not engines.device.busy
    assert (1,) == engines.twin.values("user")["low"]
