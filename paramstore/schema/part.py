"""What one EEPROM part is: geometry, addressing, timing, endurance."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

__all__ = ["Part", "WriteProtect"]


_LEAST_POLL_US = 10
_LEAST_TIMEOUT_US = 1000
"""FRAM answers within a millisecond of power-on (common practice)."""


class WriteProtect(StrEnum):
    """What the write-protect pin covers."""

    NONE = "none"
    WHOLE = "whole"
    UPPER_HALF = "upper half"
    UPPER_QUARTER = "upper quarter"


@dataclass(frozen=True, slots=True)
class Part:
    """One I2C EEPROM part.

    The memory address has `address_bytes` bytes on the bus; the bits above them (block-select
    bits, `block_bits` of them) go into the 7-bit device address from bit `block_shift` up.
    `endurance` is (temperature in degC, write cycles) points, rising in temperature; `clocks` is
    (lowest supply in V, highest SCL in kHz) points, rising in supply, good up to `supply_max_v`.
    Currents are worst case.
    FRAM has no write cycle, `write_ms` is 0, and no pages: `page` is what a store takes for one.
    `sources` says for each field where its value comes from; "from memory" where not looked up.
    """

    name: str
    maker: str
    capacity: int  # bytes, a power of two
    page: int  # bytes, a power of two, 8..256
    address_bytes: int  # 1 or 2
    block_bits: int
    block_shift: int
    write_ms: float  # longest write cycle
    endurance: tuple[tuple[float, float], ...]
    retention_years: float
    clocks: tuple[tuple[float, int], ...]
    write_protect: WriteProtect
    write_ma: float
    read_ma: float
    standby_ua: float
    supply_max_v: float = 5.5
    sources: tuple[tuple[str, str], ...] = ()
    note: str = ""
    serial_bits: int = 0  # of a serial number that its maker wrote
    lockable_bytes: int = 0  # of a page beside the array that can be locked for good

    @property
    def pages(self) -> int:
        """Number of pages."""
        return self.capacity // self.page

    @property
    def plain(self) -> bool:
        """Whether it is an EEPROM without anything of its own beside the array."""
        return self.write_ms > 0 and not self.serial_bits and not self.lockable_bytes

    @property
    def poll_us(self) -> int:
        """Time between two questions to a busy part, in microseconds."""
        return max(_LEAST_POLL_US, round(self.write_ms * 1000 / 20))

    @property
    def timeout_us(self) -> int:
        """Time after which a part that does not answer is given up: twice the write cycle, and
        not less than what a part without one may need after power-on."""
        return max(_LEAST_TIMEOUT_US, round(self.write_ms * 1000 * 2))

    @property
    def supply_min_v(self) -> float:
        """Lowest supply at which the part works."""
        return self.clocks[0][0]

    def highest_khz(self, supply_v: float | None = None) -> int:
        """Return the highest SCL at a supply, at the best one by default; 0 if it does not work."""
        volts = self.supply_max_v if supply_v is None else supply_v
        if volts > self.supply_max_v:
            return 0
        return max((khz for lowest, khz in self.clocks if lowest <= volts), default=0)

    @property
    def protected_from(self) -> int | None:
        """First address of a write-protectable *part* of the array; None if there is none."""
        match self.write_protect:
            case WriteProtect.UPPER_HALF:
                return self.capacity // 2
            case WriteProtect.UPPER_QUARTER:
                return self.capacity - self.capacity // 4
            case _:
                return None
