"""A bus of Linux, /dev/i2c-N, and the only use of smbus2."""

from __future__ import annotations

import errno
import time
from importlib.util import find_spec
from pathlib import Path

from paramstore.errors import ToolError

__all__ = ["LinuxBus"]

_NOT_ACKNOWLEDGED = (errno.ENXIO, errno.EREMOTEIO)
"""Of the address, and of a byte in many drivers (from memory of the kernel's i2c/fault-codes)."""


class LinuxBus:
    """The bus /dev/i2c-`number`. ToolError if it or smbus2 is not there."""

    def __init__(self, number: int) -> None:
        if find_spec("smbus2") is None:
            raise ToolError("a part on a bus needs smbus2, which is not installed",
                            'install it: pip install "paramstore[bus]"; or try --part-file')
        from smbus2 import SMBus, i2c_msg

        self.name = f"/dev/i2c-{number}"
        self._message = i2c_msg
        try:
            self._bus = SMBus(number)
        except OSError as error:
            raise ToolError(f"cannot open `{self.name}`: {error.strerror or error}",
                            _hint(error)) from error

    def transfer(self, address: int, out: bytes, in_count: int) -> bytes | None:
        """See `Bus`."""
        messages = [self._message.write(address, out)]
        if in_count:
            messages.append(self._message.read(address, in_count))
        try:
            self._bus.i2c_rdwr(*messages)
        except OSError as error:
            if error.errno in _NOT_ACKNOWLEDGED:
                return None
            raise ToolError(f"the bus {self.name} failed: {error.strerror or error}",
                            "check the wires, the pull-ups and the supply") from error
        return bytes(messages[-1]) if in_count else b""

    def wait(self, us: int) -> None:
        """See `Bus`."""
        time.sleep(us / 1e6)

    def close(self) -> None:
        """See `Bus`."""
        self._bus.close()


def _hint(error: OSError) -> str:
    if isinstance(error, PermissionError):
        return "your user needs the right to it; many systems have a group i2c for that"
    there = sorted(p.name.removeprefix("i2c-") for p in Path("/dev").glob("i2c-*"))
    if there:
        return f"there is --bus {' and --bus '.join(there)}"
    return "load the kernel module i2c-dev, or try --part-file: a simulated part"
