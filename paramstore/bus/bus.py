"""What a bus is to the rest of this package, and how it fails."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple, Protocol

from paramstore.core.errors import ToolError

__all__ = ["UNLIMITED", "Bus", "BusTrouble", "NotReady", "TooLong", "TransferLimits"]


class TransferLimits(NamedTuple):
    """The most bytes that one transfer can send, those of the memory address included, and read."""

    out: int
    into: int


UNLIMITED = TransferLimits(1 << 13, 1 << 13)
"""What the kernel takes in one message: 8192 bytes (from memory of its i2c-dev.c)."""


class BusTrouble(ToolError):
    """A transfer failed, and not by a byte that was not acknowledged, as far as the bus can tell.
    Another try may succeed."""


class TooLong(BusTrouble):
    """The adapter does not do transfers of this size; nothing was sent. `Bus.limits` are tighter
    now."""


class NotReady(BusTrouble):
    """A part acknowledged the bytes of a transfer, and was gone when it was to be read after the
    STOP that this bus makes in between: as if it had taken them for data."""


class Bus(Protocol):
    """An I2C bus of which this computer is the controller. `name` is for people."""

    name: str

    @property
    def limits(self) -> TransferLimits:
        """How long transfers may be; tighter after `TooLong`."""
        ...

    def claim(self, addresses: Sequence[int], writes: bool) -> None:
        """Keep others from the parts at these addresses until the bus is closed: from writing, and
        with `writes` from reading too. ToolError if somebody uses them already."""
        ...

    def transfer(self, address: int, out: bytes, in_count: int) -> bytes | None:
        """Send `out` to the 7-bit `address`; then, if `in_count` is not 0, read that many bytes
        after a repeated START. A STOP ends it. Without `out` it only reads.

        Return the bytes read, None if a byte was not acknowledged. BusTrouble if it fails.
        """
        ...

    def wait(self, us: int) -> None:
        """Let at least `us` microseconds pass."""
        ...

    def close(self) -> None:
        """Let go of the bus."""
        ...
