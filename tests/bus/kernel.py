"""The kernel's side of /dev/i2c-3 as i2c-dev gives it: ioctls, errno values, limits of adapters.

The real smbus2 runs on it. Numbers are those of linux/i2c.h and linux/i2c-dev.h, what drivers
answer is from memory of the kernel's i2c/fault-codes and of drivers.
"""

from __future__ import annotations

import ctypes
import errno
import fcntl
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import smbus2.smbus2
from smbus2 import I2cFunc

from paramstore.bus.i2cdev import LinuxBus
from paramstore.verify.eeprom.bench import Bench

__all__ = ["ADAPTERS", "Adapter", "plug_in"]

I2C_SLAVE, I2C_FUNCS, I2C_RDWR, I2C_SMBUS = 0x0703, 0x0705, 0x0707, 0x0720
READ = 1
PLAIN = int(I2cFunc.I2C | I2cFunc.SMBUS_EMUL)
CALLS = I2cFunc.SMBUS_BYTE | I2cFunc.SMBUS_BYTE_DATA | I2cFunc.SMBUS_WORD_DATA
_NEEDS = {  # size of an SMBus call: what the adapter must be able to do to write and to read
    1: (I2cFunc.SMBUS_WRITE_BYTE, I2cFunc.SMBUS_READ_BYTE),
    2: (I2cFunc.SMBUS_WRITE_BYTE_DATA, I2cFunc.SMBUS_READ_BYTE_DATA),
    3: (I2cFunc.SMBUS_WRITE_WORD_DATA, I2cFunc.SMBUS_READ_WORD_DATA),
    8: (I2cFunc.SMBUS_WRITE_I2C_BLOCK, I2cFunc.SMBUS_READ_I2C_BLOCK),
}


class Adapter:
    """One adapter, its driver, and what hangs on its bus.

    `nack` is what the driver says to a byte that is not acknowledged, `most_out` and `most_in` the
    longest messages, `restart` whether it can make a repeated START. `owned` are the addresses that
    a driver of the kernel has. `before` is called with the number of each transfer, from 1, and may
    raise OSError or anything else.
    """

    def __init__(self, *, can: int = PLAIN, nack: int = errno.EREMOTEIO, most_out: int = 8192,
                 most_in: int = 8192, restart: bool = True,
                 owned: tuple[int, ...] = ()) -> None:
        self.can, self.nack, self.restart, self.owned = int(can), nack, restart, owned
        self.most_out, self.most_in = most_out, most_in
        self.bench: Bench | None = None
        self.transfers = 0
        self.before: Callable[[int], None] = lambda number: None
        self._address = 0

    def ioctl(self, request: int, argument: Any) -> int:
        """One call of the kernel."""
        match request:
            case _ if request == I2C_FUNCS:
                argument.value = self.can
            case _ if request == I2C_SLAVE:
                if argument in self.owned:
                    raise failure(errno.EBUSY)
                self._address = argument
            case _ if request == I2C_RDWR:
                self._messages([argument.msgs[i] for i in range(argument.nmsgs)])
            case _ if request == I2C_SMBUS:
                self._call(argument)
            case _:
                raise failure(errno.ENOTTY)
        return 0

    def _messages(self, messages: list[Any]) -> None:
        if not self.can & I2cFunc.I2C:
            raise failure(errno.EOPNOTSUPP)
        if len(messages) > 1 and not self.restart:
            raise failure(errno.EOPNOTSUPP)
        for message in messages:
            if message.len > (self.most_in if message.flags & READ else self.most_out):
                raise failure(errno.EOPNOTSUPP)
        into = messages[-1] if messages[-1].flags & READ else None
        out = bytes(messages[0]) if not messages[0].flags & READ else b""
        assert len(messages) == bool(out) + (into is not None)
        reply = self._transfer(messages[0].addr, out, into.len if into is not None else 0)
        for index, byte in enumerate(reply):
            into.buf[index] = bytes([byte])

    def _call(self, call: Any) -> None:
        needs = _NEEDS[call.size][call.read_write]
        if not self.can & needs:
            raise failure(errno.EOPNOTSUPP)
        block = call.data.contents.block
        reads = call.read_write == READ
        count = {1: 0, 2: 1, 3: 2}.get(call.size, block[0] if call.size == 8 else 0)
        command = bytes([call.command])
        if reads:
            out, into = (b"", 1) if call.size == 1 else (command, count)
        else:
            start = 1 if call.size == 8 else 0
            out, into = command + bytes(block[start:start + count]), 0
        for index, byte in enumerate(self._transfer(self._address, out, into)):
            block[index + (call.size == 8)] = byte

    def _transfer(self, address: int, out: bytes, into: int) -> bytes:
        self.transfers += 1
        self.before(self.transfers)
        reply = self.bench.transfer(address, out, into) if self.bench else None
        if reply is None:
            raise failure(self.nack)
        return reply


def failure(number: int) -> OSError:
    """The exception of an errno."""
    return OSError(number, os.strerror(number))


ADAPTERS: dict[str, Callable[[], Adapter]] = {
    "plain": Adapter,
    "plain, NACK is ENXIO": lambda: Adapter(nack=errno.ENXIO),
    "plain, NACK is EIO": lambda: Adapter(nack=errno.EIO),
    "plain, NACK is ETIMEDOUT": lambda: Adapter(nack=errno.ETIMEDOUT),
    "messages of 64": lambda: Adapter(most_out=64, most_in=64),
    "messages of 32": lambda: Adapter(most_out=32, most_in=32),
    "no repeated START": lambda: Adapter(restart=False),
    "SMBus with blocks": lambda: Adapter(can=CALLS | I2cFunc.SMBUS_I2C_BLOCK),
    "SMBus, bytes and words": lambda: Adapter(can=CALLS),
}
"""The kinds of adapters that there are."""


def plug_in(patch: pytest.MonkeyPatch, tmp_path: Path, adapter: Adapter, bench: Bench) -> None:
    """Let /dev/i2c-3 be this adapter, with the part of a bench on its bus; time is that of the
    bench."""
    node = tmp_path / "i2c-3"
    node.write_bytes(b"")
    adapter.bench = bench
    really = os.open, fcntl.ioctl
    descriptors: set[int] = set()

    def open_it(path: Any, flags: int, *more: Any, **named: Any) -> int:
        if not str(path).startswith("/dev/i2c-"):
            return really[0](path, flags, *more, **named)
        if path != "/dev/i2c-3":
            raise failure(errno.ENOENT)
        descriptors.add(there := really[0](node, flags))
        return there

    def ask(file: Any, request: int, argument: Any = 0, *more: Any) -> Any:
        return adapter.ioctl(request, argument) if file in descriptors else really[1](
            file, request, argument, *more)

    patch.setattr(os, "open", open_it)
    patch.setattr(fcntl, "ioctl", ask)
    patch.setattr(smbus2.smbus2, "ioctl", ask)
    patch.setattr(LinuxBus, "wait", lambda self, us: bench.wait(us))
    assert ctypes.sizeof(smbus2.smbus2.i2c_msg) in (12, 16)
