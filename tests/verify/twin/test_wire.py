"""Reads and page writes, request by request: the answers are given by hand."""

from dataclasses import replace
from typing import Any

import pytest

from paramstore.core.status import Status
from paramstore.layout.plan import Plan
from paramstore.schema.catalogue import find
from paramstore.verify.twin.wire import (
    Answer,
    AskSupply,
    BusFailure,
    PageJob,
    Request,
    Steps,
    Transfer,
    Wait,
    Wire,
)
from tests.record.plans import EXAMPLE

NACK = Answer(Status.ERR_NACK)


def plan_on(name: str) -> Plan:
    part = find(name)
    assert part is not None
    return replace(EXAMPLE, schema=replace(EXAMPLE.schema, part=part))


def play(steps: Steps[Any], *answers: Answer) -> tuple[list[Request], Any]:
    """The requests of a generator that gets these answers, and what it returns."""
    asked = [next(steps)]
    for answer in answers:
        try:
            asked.append(steps.send(answer))
        except StopIteration as end:
            return asked, end.value
    raise AssertionError(f"{asked[-1]} is waiting for an answer")


@pytest.mark.parametrize(
    ("part", "address", "device", "out"),
    [
        ("24LC01B", 0x7F, 0x50, b"\x7f"),
        ("24LC16B", 0x7FF, 0x57, b"\xff"),
        ("24LC32A", 0xABC, 0x50, b"\x0a\xbc"),
        ("24LC1025", 0x1ABCD, 0x54, b"\xab\xcd"),
        ("M24M01-R", 0x1ABCD, 0x51, b"\xab\xcd"),
    ],
)
def test_address_bits_go_where_the_part_wants_them(
    part: str, address: int, device: int, out: bytes
) -> None:
    """Bits beyond the address bytes go into the device address (facts in the parts catalogue)."""
    assert Transfer(device, out + b"x", 0) == Wire(plan_on(part)).transfer(address, b"x", 0)


def patient() -> Wire:
    """The way to a part that has all its time to answer."""
    wire = Wire(EXAMPLE)
    wire.be_patient()
    return wire


def test_read_asks_a_busy_part_again() -> None:
    """A wait of one poll time between two tries."""
    read = Transfer(0x50, b"\x00\x20", 2)
    steps = patient().read(0x20, 2)
    assert ([read, Wait(250), read], b"ab") == play(
        steps, NACK, Answer(), Answer(Status.OK, b"ab"))


def test_read_gives_up_after_the_timeout() -> None:
    """Twice the write time: 10 ms are 40 waits of 250 us, and 41 tries. The reads that follow share
    it: they are made once."""
    wire = patient()
    for expected in (40, 0):
        steps = wire.read(0, 1)
        next(steps)
        waits = 0
        with pytest.raises(BusFailure) as failure:
            while True:
                request = steps.send(NACK)
                waits += isinstance(request, Wait)
        assert (expected, Status.ERR_NACK) == (waits, failure.value.status)


def test_read_does_not_ask_a_broken_bus_again() -> None:
    """ERR_BUS ends it at once."""
    steps = Wire(EXAMPLE).read(0, 1)
    next(steps)
    with pytest.raises(BusFailure):
        steps.send(Answer(Status.ERR_BUS))


def test_page_is_asked_for_sent_and_read_back_in_runs_of_32() -> None:
    """The supply first, then the page, then as many reads as it takes."""
    content = bytes(range(40))
    job = PageJob(Wire(plan_on("24LC256")), 0x40, content)
    asked, status = play(job.step(0), Answer(), Answer())
    assert [AskSupply(), Transfer(0x50, b"\x00\x40" + content, 0)] == asked
    assert Status.PENDING is status
    asked, status = play(job.step(250), Answer(Status.OK, content[:32]),
                         Answer(Status.OK, content[32:]))
    assert [Transfer(0x50, b"\x00\x40", 32), Transfer(0x50, b"\x00\x60", 8)] == asked
    assert Status.OK is status


def test_page_that_reads_back_otherwise_fails_at_the_first_difference() -> None:
    """No second run is read once the first one differs, twice: one bad read does not count."""
    wrong = Answer(Status.OK, bytes(31) + b"\x01")
    for second in (wrong, Answer(Status.OK, bytes(32))):
        job = PageJob(Wire(plan_on("24LC256")), 0, bytes(40))
        play(job.step(0), Answer(), Answer())
        right = [Answer(Status.OK, bytes(8)), Answer(Status.OK, bytes(32)),
                 Answer(Status.OK, bytes(8))]  # a page that was wrong once must be right twice
        answers = [wrong, second] + right * (second is not wrong)
        asked, status = play(job.step(250), *answers)
        expected = Status.ERR_VERIFY if second is wrong else Status.OK
        assert (len(answers), expected) == (len(asked), status)


def test_step_too_early_asks_for_nothing() -> None:
    """The time since the part took the page counts, over several steps."""
    job = PageJob(Wire(EXAMPLE), 0, b"x")
    play(job.step(0), Answer(), Answer())
    for us in (100, 149):
        with pytest.raises(StopIteration) as end:
            next(job.step(us))
        assert Status.PENDING is end.value.value
    assert ([Transfer(0x50, b"\x00\x00", 1)], Status.PENDING) == play(job.step(1), NACK)


def test_part_that_does_not_come_back_is_given_up() -> None:
    """ERR_NACK once the timeout has passed since the part took the page."""
    job = PageJob(Wire(EXAMPLE), 0, b"x")
    play(job.step(0), Answer(), Answer())
    assert Status.PENDING is play(job.step(9999), NACK)[1]
    assert Status.ERR_NACK is play(job.step(250), NACK)[1]
