"""Bytes on the part: reading with patience, and writing one page with its read-back.

Knows addresses, pages and how a busy part behaves. Knows no record and no label.

The twin does no I/O itself: its calls are generators. Each yields requests to its port (a transfer,
a wait, or whether the supply is good) and is sent an `Answer` to each; its result is what it
returns. Whoever drives it owns the bus and the clock (see `rig.twin`).
"""

from __future__ import annotations

from collections.abc import Generator
from typing import NamedTuple, TypeAlias, TypeVar

from paramstore.core.errors import ParamstoreError
from paramstore.core.status import Status
from paramstore.layout.figures import READ_BACK_BYTES, READ_TRIES
from paramstore.layout.plan import Plan

__all__ = ["Answer", "AskSupply", "BusFailure", "PageJob", "ReadJob", "Request", "Steps",
           "Transfer", "Wait", "Wire"]

_LONGEST_US = 0xFFFF


class Transfer(NamedTuple):
    """Send `out` to the 7-bit `address`, then read `in_count` bytes.

    Answered with OK and the bytes read, ERR_NACK or ERR_BUS.
    """

    address: int
    out: bytes
    in_count: int


class Wait(NamedTuple):
    """Let `us` microseconds pass. Answered with OK."""

    us: int


class AskSupply(NamedTuple):
    """Is there supply for one page write? Answered with OK or ERR_SUPPLY."""


class Answer(NamedTuple):
    """The answer to any request; `data` only after a transfer that read."""

    status: Status = Status.OK
    data: bytes = b""


Request: TypeAlias = Transfer | Wait | AskSupply
_Result = TypeVar("_Result")
Steps: TypeAlias = Generator[Request, Answer, _Result]


class BusFailure(ParamstoreError):
    """A read came to nothing; `status` says why."""

    def __init__(self, status: Status) -> None:
        super().__init__(status.name)
        self.status = status


class Wire:
    """The way to one part: its addresses and its times."""

    def __init__(self, plan: Plan) -> None:
        self.part = plan.part
        self._left_us = 0
        self._base = plan.schema.address

    def transfer(self, address: int, data: bytes, in_count: int) -> Transfer:
        """Return the transfer that sends a memory address and `data`, then reads."""
        width = self.part.address_bytes
        block = address >> 8 * width
        low = address & ((1 << 8 * width) - 1)
        device = self._base | (block << self.part.block_shift)
        return Transfer(device, low.to_bytes(width, "big") + data, in_count)

    def be_patient(self) -> None:
        """From here on the part may take its whole time, once, to answer the reads that follow.

        A write may be going on from before a reset of the controller; no other one begins.
        """
        self._left_us = self.part.timeout_us

    def read(self, address: int, count: int) -> Steps[bytes]:
        """Read `count` bytes, asking again while the part is busy. Raises BusFailure."""
        while True:
            status, data = yield self.transfer(address, b"", count)
            if status is Status.OK:
                return data
            if status is not Status.ERR_NACK or self._left_us <= 0:
                raise BusFailure(status)
            yield Wait(self.part.poll_us)
            self._left_us -= self.part.poll_us

    def read_twice(self, address: int) -> Steps[bytes]:
        """Read a byte that no CRC vouches for. Raises BusFailure too if no two in a row agree."""
        byte = yield from self.read(address, 1)
        for _ in range(READ_TRIES + 1):
            before, byte = byte, (yield from self.read(address, 1))
            if before == byte:
                return byte
        raise BusFailure(Status.ERR_BUS)

    def write(self, address: int, content: bytes) -> Steps[Status]:
        """Write and read back `content` page by page; `address` begins a page."""
        page = self.part.page
        for offset in range(0, len(content), page):
            job = PageJob(self, address + offset, content[offset:offset + page])
            status = yield from job.finish()
            self.be_patient()
            if status is not Status.OK:
                return status
        return Status.OK


class _PageSteps:
    """Transfers of one page, in steps that do not wait.

    `since_us` is the time since the first try; a step before `due_us` does nothing.
    """

    def __init__(self, wire: Wire, address: int) -> None:
        self._wire = wire
        self._address = address
        self._since_us = 0
        self._due_us = 0

    def wait(self) -> Steps[int]:
        """Wait until the next step is due; return how long that was."""
        us = self._due_us - self._since_us
        if us <= 0:
            return 0
        yield Wait(us)
        return us

    def _too_early(self, elapsed_us: int) -> bool:
        self._since_us = min(self._since_us + elapsed_us, _LONGEST_US)
        return self._since_us < self._due_us

    def _compare(self, content: bytes) -> Steps[Status]:
        """Compare the page with `content`, again if it is unlike: one bad read must not pass for a
        worn page. Then it must be right twice: bad reads must not hide a write that was lost. This
        is the acknowledge poll too, as a busy part does not answer."""
        status = yield from self._compare_once(content)
        if status is Status.ERR_VERIFY:
            status = yield from self._compare_once(content)
            if status is Status.OK:
                status = yield from self._compare_once(content)
        return status

    def _compare_once(self, content: bytes) -> Steps[Status]:
        for at in range(0, len(content), READ_BACK_BYTES):
            part = content[at:at + READ_BACK_BYTES]
            status, data = yield self._wire.transfer(self._address + at, b"", len(part))
            if status is not Status.OK:
                return status
            if data != part:
                return Status.ERR_VERIFY
        return Status.OK

    def _again(self, status: Status) -> Status:
        """PENDING if the part may only be busy, else `status`."""
        part = self._wire.part
        if status is Status.ERR_NACK and self._since_us < part.timeout_us:
            self._due_us = self._since_us + part.poll_us
            return Status.PENDING
        return status


class ReadJob(_PageSteps):
    """One page being read, then compared with itself; its bytes are in `content` then.

    ERR_BUS: two readings differ.
    """

    def __init__(self, wire: Wire, address: int, length: int) -> None:
        super().__init__(wire, address)
        self._length = length
        self._taken = False
        self.content = b""

    def step(self, elapsed_us: int) -> Steps[Status]:
        """Try once. PENDING: call again; OK: it is read."""
        if self._too_early(elapsed_us):
            return Status.PENDING
        if self._taken:
            status = self._again((yield from self._compare(self.content)))
            return Status.ERR_BUS if status is Status.ERR_VERIFY else status
        status, self.content = yield self._wire.transfer(self._address, b"", self._length)
        if status is Status.OK:
            self._taken = True
            self._since_us, self._due_us = 0, 0
            return Status.PENDING
        return self._again(status)


class PageJob(_PageSteps):
    """One page being written and read back. Time counts anew from when the part took it."""

    def __init__(self, wire: Wire, address: int, content: bytes) -> None:
        super().__init__(wire, address)
        self._content = content
        self._taken = False

    def step(self, elapsed_us: int) -> Steps[Status]:
        """Try once. PENDING: call again; OK: the page reads back as written."""
        if self._too_early(elapsed_us):
            return Status.PENDING
        if self._taken:
            return self._again((yield from self._compare(self._content)))
        status = yield from self._send()
        if status is Status.OK:
            self._taken = True
            self._since_us, self._due_us = 0, self._wire.part.poll_us
            return Status.PENDING
        return self._again(status)

    def finish(self) -> Steps[Status]:
        """Do all steps, waiting between them."""
        elapsed_us = 0
        while (status := (yield from self.step(elapsed_us))) is Status.PENDING:
            elapsed_us = yield from self.wait()
        return status

    def _send(self) -> Steps[Status]:
        status, _ = yield AskSupply()
        if status is Status.OK:
            status, _ = yield self._wire.transfer(self._address, self._content, 0)
        return status

