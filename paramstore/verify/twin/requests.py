"""What a store asks of its port: a transfer, a wait, or whether the supply is good.

The store is written as generators. Each yields requests and is sent an `Answer` to each; its
result is what it returns. Whoever drives it owns the bus and the clock (see `rig.twin`).
"""

from __future__ import annotations

from collections.abc import Generator
from typing import NamedTuple, TypeAlias, TypeVar

from paramstore.core.status import Status

__all__ = ["Answer", "AskSupply", "Request", "Steps", "Transfer", "Wait"]


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
