"""A simulated part whose cells are a file: everything can be tried without a bus.

The file is a plain dump of the whole part. Each page is written into it as the part's write cycle
would store it, so a program that dies in the middle leaves what a real part would hold.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import BinaryIO

from paramstore.bus.bus import UNLIMITED, BusTrouble, TransferLimits
from paramstore.core.disk import check_writable, is_there, read_bytes
from paramstore.core.errors import ToolError
from paramstore.schema.part import Part
from paramstore.verify.eeprom.bench import Bench
from paramstore.verify.eeprom.device import Device
from paramstore.verify.eeprom.faults import BusError, Fault, PowerCut

__all__ = ["PartFile"]


class PartFile:
    """A bus with one simulated part on it.

    `create`: a file that is not there begins as a blank part. ToolError for a file of another size
    than the part has, or that cannot be read; with `writes`, also if it cannot be written, before
    anything else is done. `bench` is there to look at.
    """

    def __init__(self, path: str, part: Part, address: int, bus_khz: int = 400, *,
                 create: bool = False, writes: bool = False, faults: Iterable[Fault] = ()) -> None:
        self.name = path
        self.made = create and not is_there(path)
        image = b"" if self.made else read_bytes(path)
        if not self.made and len(image) != part.capacity:
            raise ToolError(f"`{path}` has {len(image)} bytes, the {part.name} has {part.capacity}",
                            "a part file is a dump of the whole part")
        if writes or self.made:
            check_writable(path)
        self.limits: TransferLimits = UNLIMITED
        self._lock: BinaryIO | None = None
        self.bench = Bench(Device(part, address, image, faults), bus_khz)
        self._stored = bytes(self.bench.device.memory)
        self._there = not self.made

    def claim(self, addresses: Sequence[int], writes: bool) -> None:
        """See `Bus`. A file that is not there yet is claimed by whoever makes it."""
        if self._there:
            self._claim(writes)

    def _claim(self, writes: bool) -> None:
        try:
            import fcntl
        except ImportError:  # a system without these locks: the file is not shared safely there
            return
        self._lock = Path(self.name).open("rb")  # noqa: SIM115 - open until `close`
        try:
            fcntl.flock(self._lock, (fcntl.LOCK_EX if writes else fcntl.LOCK_SH) | fcntl.LOCK_NB)
        except BlockingIOError as error:
            self._lock.close()
            raise ToolError(f"another program works on `{self.name}`",
                            "let it end, then repeat") from error
        except OSError:
            pass  # a disk without locks, such as some network shares
        if self._lock.read() != self._stored:
            raise ToolError(f"`{self.name}` was changed while it was opened", "repeat")

    def transfer(self, address: int, out: bytes, in_count: int) -> bytes | None:
        """See `Bus`."""
        try:
            return self.bench.transfer(address, out, in_count)
        except (BusError, PowerCut) as error:
            if isinstance(error, PowerCut):
                raise ToolError(f"the part lost its power ({self.name}, simulated)") from error
            raise BusTrouble(f"the bus failed ({self.name}, simulated)") from error
        finally:
            self.bench.log.clear()
            self._store()

    def wait(self, us: int) -> None:
        """See `Bus`; no real time passes."""
        self.bench.wait(us)

    def close(self) -> None:
        """See `Bus`."""
        self._store()
        if self._lock is not None:
            self._lock.close()

    def _store(self) -> None:
        """Bring the pages that changed into the file."""
        now = bytes(self.bench.device.memory)
        if now == self._stored:
            return
        page = self.bench.device.part.page
        try:
            if not self._there:
                with Path(self.name).open("xb") as new:
                    new.write(self._stored)
                self._there = True
                self._claim(writes=True)
            with Path(self.name).open("r+b") as file:
                for at in range(0, len(now), page):
                    if now[at:at + page] != self._stored[at:at + page]:
                        file.seek(at)
                        file.write(now[at:at + page])
        except FileExistsError as error:
            raise ToolError(f"another program made `{self.name}` meanwhile", "repeat") from error
        except OSError as error:
            raise ToolError(f"cannot write `{self.name}`: {error.strerror}") from error
        self._stored = now
