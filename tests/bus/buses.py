"""A simulated part as a bus, quick in long reads."""

from __future__ import annotations

from collections.abc import Sequence

from paramstore.bus.bus import UNLIMITED
from paramstore.verify.eeprom.bench import Bench
from paramstore.verify.eeprom.device import Device
from paramstore.verify.eeprom.faults import Fault as Quiet

__all__ = ["BenchBus"]


class BenchBus(Bench):
    """A bench as a bus. Bytes of a long read come at once, if no fault looks at them; the bench
    counts them all the same."""

    name = "bench"
    limits = UNLIMITED

    def __init__(self, device: Device, bus_khz: int = 400) -> None:
        super().__init__(device, bus_khz)
        self._quick = all(type(f).read is Quiet.read and type(f).byte is Quiet.byte
                          for f in device.faults)

    def claim(self, addresses: Sequence[int], writes: bool) -> None:
        """Nobody else is there."""

    def close(self) -> None:
        """Nothing is open."""

    def transfer(self, address: int, out: bytes, in_count: int) -> bytes | None:
        """See `Bench`."""
        if not self._quick or in_count < 3:
            return super().transfer(address, out, in_count)
        first = super().transfer(address, out, 1)
        if first is None:
            return None
        device = self.device
        at = device._counter
        more = bytes(device.memory[at:at + in_count - 1])
        device._counter = device._wrap(at + len(more))
        self._tick(9 * len(more))
        return first + more
