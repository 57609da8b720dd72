"""What a bus is to the rest of this room."""

from __future__ import annotations

from typing import Protocol

__all__ = ["Bus"]


class Bus(Protocol):
    """An I2C bus of which this computer is the controller. `name` is for people."""

    name: str

    def transfer(self, address: int, out: bytes, in_count: int) -> bytes | None:
        """Send `out` to the 7-bit `address`; then, if `in_count` is not 0, read that many bytes
        after a repeated START. A STOP ends it.

        Return the bytes read, None if a byte was not acknowledged. ToolError if the bus fails.
        """
        ...

    def wait(self, us: int) -> None:
        """Let at least `us` microseconds pass."""
        ...

    def close(self) -> None:
        """Let go of the bus."""
        ...
