"""A bus of Linux, /dev/i2c-N, and the only use of smbus2.

Most adapters do plain I2C messages. Some refuse long ones, which shows only when they are asked;
some do nothing but SMBus calls, which are enough for an EEPROM, in smaller pieces.
"""

from __future__ import annotations

import errno
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, nullcontext
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

from paramstore.bus.bus import UNLIMITED, BusTrouble, NotReady, TooLong, TransferLimits
from paramstore.core.errors import ToolError

if TYPE_CHECKING:
    from smbus2 import SMBus

__all__ = ["LinuxBus"]

_NOT_ACKNOWLEDGED = (errno.ENXIO, errno.EREMOTEIO)
"""Of the address, and of a byte in many drivers (from memory of the kernel's i2c/fault-codes)."""

_REFUSED = (errno.EOPNOTSUPP, errno.EMSGSIZE, errno.EINVAL)
"""What drivers say to a message that is too long for their adapter (from memory)."""

_WHY = {
    errno.EAGAIN: "another controller on the bus won",
    errno.EBUSY: "a line of the bus is held low",
    errno.ETIMEDOUT: "a transfer did not end in time",
    errno.EIO: "the adapter says no more than that it failed",
}
"""In words (from memory of the kernel's i2c/fault-codes)."""

_SET_ADDRESS = 0x0703  # I2C_SLAVE of linux/i2c-dev.h
_LEAST = TransferLimits(3, 1)
"""An address of two bytes and one byte of data."""


class LinuxBus:
    """The bus /dev/i2c-`number`, with messages of at most `most` bytes if that is given. ToolError
    if it or smbus2 is not there."""

    def __init__(self, number: int, most: int | None = None) -> None:
        if find_spec("smbus2") is None:
            raise ToolError("a part on a bus needs smbus2, which is not installed",
                            'install it: pip install "paramstore[bus]"; or try --part-file')
        from smbus2 import SMBus

        self.name = f"/dev/i2c-{number}"
        try:
            self._bus = SMBus(number)
        except OSError as error:
            raise ToolError(f"cannot open `{self.name}`: {error.strerror or error}",
                            _hint(error)) from error
        self._way: _Messages | _Calls = (
            _Messages(self._bus) if self._bus.funcs & 1 else _Calls(self._bus, self.name))
        if most is not None:
            there = self._way.limits
            self._way.limits = TransferLimits(min(max(most, _LEAST.out), there.out),
                                              min(most, there.into))

    @property
    def limits(self) -> TransferLimits:
        """See `Bus`."""
        return self._way.limits

    def claim(self, addresses: Sequence[int], writes: bool) -> None:
        """See `Bus`. A driver of the kernel that owns an address is somebody, too."""
        import fcntl  # only where there is a Linux

        file = self._bus.fd
        assert file is not None, "the bus is open"
        for address in addresses:
            try:
                fcntl.ioctl(file, _SET_ADDRESS, address)
            except OSError as error:
                if error.errno == errno.EBUSY:
                    raise self._owned(address) from error
                raise ToolError(f"{self.name} does not do address 0x{address:02X}: "
                                f"{error.strerror or error}") from error
            try:
                # Parts beside it on the bus are free for others: one byte of the file each.
                fcntl.lockf(file, (fcntl.LOCK_EX if writes else fcntl.LOCK_SH)
                            | fcntl.LOCK_NB, 1, address)
            except OSError as error:
                if error.errno not in (errno.EAGAIN, errno.EACCES):
                    continue  # there are no locks here
                raise ToolError(f"another program works on 0x{address:02X} of {self.name}",
                                "let it end, then repeat") from error

    def _owned(self, address: int) -> ToolError:
        device = f"{self.name.removeprefix('/dev/i2c-')}-{address:04x}"
        driver = Path(f"/sys/bus/i2c/devices/{device}/driver")
        name = f" `{driver.resolve().name}`" if driver.exists() else ""
        return ToolError(
            f"the kernel driver{name} owns 0x{address:02X} on {self.name}",
            f"take the part from it: echo {device} > {driver}/unbind (as root); what it keeps "
            "there, such as the serial numbers of a board, is not for this program")

    def transfer(self, address: int, out: bytes, in_count: int) -> bytes | None:
        """See `Bus`."""
        try:
            return self._way.transfer(address, out, in_count)
        except _Gone as error:
            raise NotReady(f"the part on {self.name} does not answer after its address") from error
        except OSError as error:
            if error.errno in _NOT_ACKNOWLEDGED:
                return None
            if error.errno in _REFUSED and self._way.tighten(len(out), in_count):
                raise TooLong(f"{self.name} refuses a message of {max(len(out), in_count)} bytes"
                              ) from error
            why = _WHY.get(error.errno or 0, "")
            raise BusTrouble(
                f"the bus {self.name} failed: {error.strerror or error}" + (why and f", {why}"),
                "check the wires, the pull-ups and the supply") from error

    def wait(self, us: int) -> None:
        """See `Bus`."""
        time.sleep(us / 1e6)

    def close(self) -> None:
        """See `Bus`."""
        self._bus.close()


class _Gone(Exception):
    """A part acknowledged an address, and not its own in the transfer after that."""


@contextmanager
def _after_address() -> Iterator[None]:
    try:
        yield
    except OSError as error:
        if error.errno in (*_NOT_ACKNOWLEDGED, errno.EIO, errno.ETIMEDOUT):
            raise _Gone from error
        raise


class _Messages:
    """Transfers as plain I2C messages."""

    def __init__(self, bus: SMBus) -> None:
        from smbus2 import i2c_msg

        self._bus, self._message = bus, i2c_msg
        self._apart = False
        self.limits = UNLIMITED

    def transfer(self, address: int, out: bytes, in_count: int) -> bytes | None:
        send = [self._message.write(address, out)] if out else []
        into = [self._message.read(address, in_count)] if in_count else []
        if self._apart and send and into:
            self._bus.i2c_rdwr(*send)  # the part keeps the address over a STOP
            with _after_address():
                self._bus.i2c_rdwr(*into)
        else:
            self._bus.i2c_rdwr(*send, *into)
        return bytes(into[0]) if into else b""

    def tighten(self, out: int, into: int) -> bool:
        """Ask for less after a refusal; False if there is nothing less to ask for."""
        less = TransferLimits(max(_below(out), _LEAST.out) if out > into else self.limits.out,
                      max(_below(into), _LEAST.into) if out <= into else self.limits.into)
        if less != self.limits and max(out, into) > max(_LEAST):
            self.limits = less
            return True
        if out and into and not self._apart:  # an adapter without a repeated START
            self._apart, self.limits = True, UNLIMITED
            return True
        return False


class _Calls:
    """Transfers as SMBus calls, for adapters that know nothing else.

    An address of two bytes is the command and the first byte of data of a call. Then a part is read
    from where it stands, byte by byte.
    """

    def __init__(self, bus: SMBus, name: str) -> None:
        from smbus2 import I2cFunc

        self._bus, can = bus, bus.funcs
        # The longest call that writes, by how many bytes it sends.
        self._writers: dict[int, Callable[[int, bytes], None]] = {}
        if can & I2cFunc.SMBUS_WRITE_BYTE:
            self._writers[1] = lambda a, out: bus.write_byte(a, out[0])
        if can & I2cFunc.SMBUS_WRITE_BYTE_DATA:
            self._writers[2] = lambda a, out: bus.write_byte_data(a, out[0], out[1])
        if can & I2cFunc.SMBUS_WRITE_WORD_DATA:
            self._writers[3] = lambda a, out: bus.write_word_data(a, out[0], out[1] | out[2] << 8)
        if can & I2cFunc.SMBUS_WRITE_I2C_BLOCK:
            self._writers |= dict.fromkeys(
                range(2, 34), lambda a, out: bus.write_i2c_block_data(a, out[0], out[1:]))
        self._block = bool(can & I2cFunc.SMBUS_READ_I2C_BLOCK)
        self._one = bool(can & I2cFunc.SMBUS_READ_BYTE_DATA)
        self._next = bool(can & I2cFunc.SMBUS_READ_BYTE)
        self.limits = TransferLimits(max(self._writers, default=0), 32)
        if not self._next or not self._writers.keys() >= {2}:
            bus.close()
            raise ToolError(f"{name} does neither plain I2C nor the SMBus calls that an EEPROM "
                            "needs", "use another adapter: it must send and read single bytes")

    def transfer(self, address: int, out: bytes, in_count: int) -> bytes | None:
        if in_count and len(out) == 1 and self._block:
            return bytes(self._bus.read_i2c_block_data(address, out[0], in_count))
        if in_count == 1 and len(out) == 1 and self._one:
            return bytes([self._bus.read_byte_data(address, out[0])])
        if out:
            write = self._writers.get(len(out))
            if write is None:
                raise OSError(errno.EOPNOTSUPP, "Operation not supported")
            write(address, out)
        with _after_address() if out and in_count else nullcontext():
            first = [self._bus.read_byte(address)] if in_count else []
        return bytes(first + [self._bus.read_byte(address) for _ in range(in_count - 1)])

    def tighten(self, out: int, into: int) -> bool:
        """Ask for less after a refusal; False if there is nothing less to ask for."""
        shorter = max((n for n in self._writers if n < out), default=0)
        less = (TransferLimits(shorter, self.limits.into) if out > into
                else TransferLimits(self.limits.out, max(_below(into), 1)))
        if less == self.limits or less.out < _LEAST.out - 1:
            return False
        self.limits = less
        return True


def _below(count: int) -> int:
    """The power of two below a length: what adapters can do is one, or one and an address."""
    return 1 << (count - 1).bit_length() - 1 if count > 1 else 0


def _hint(error: OSError) -> str:
    if isinstance(error, PermissionError):
        return "your user needs the right to it; many systems have a group i2c for that"
    there = sorted(p.name.removeprefix("i2c-") for p in Path("/dev").glob("i2c-*"))
    if there:
        return f"there is --bus {' and --bus '.join(there)}"
    return "load the kernel module i2c-dev, or try --part-file: a simulated part"
