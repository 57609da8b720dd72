"""How much capacitance ends a started page write after the supply has gone.

C = I t / dV, the maker's formula for a hold-up capacitor (MAX801/MAX808 data sheet, p. 9), and
then a derating for tolerance, temperature and ageing. Assumed: the current stays constant, the
supply is seen to fail at `supply_v` and no page write is started after that, and the controller
works, or at least does not disturb the bus, down to the part's minimum supply.
"""

from __future__ import annotations

from dataclasses import dataclass

from paramstore.layout.bus_time import bits_ms, write_bits
from paramstore.schema.part import Part

__all__ = ["CONTROLLER_MA", "DERATING", "HoldUp", "capacitance_uf", "hold_up"]

CONTROLLER_MA = 10.0
"""Current of the controller and whatever else hangs on the capacitor, mA, if nothing better is
known: a 32-bit microcontroller at some tens of MHz (common practice)."""

DERATING = 0.8
"""Share of the printed capacitance that is left in the worst case (common practice)."""


@dataclass(frozen=True, slots=True)
class HoldUp:
    """What one page write needs. `capacitance_uf` is None where the supply has no room to fall."""

    time_ms: float
    current_ma: float
    from_v: float
    to_v: float
    capacitance_uf: float | None


def capacitance_uf(
    current_ma: float, time_ms: float, drop_v: float, derating: float = 1.0
) -> float:
    """Return the uF that carry a current for a time while the supply falls by `drop_v`."""
    return current_ma * time_ms / drop_v / derating


def hold_up(
    part: Part, supply_v: float, bus_khz: int, controller_ma: float = CONTROLLER_MA
) -> HoldUp:
    """Return what a page write needs: its transfer and the longest write cycle."""
    time_ms = bits_ms(write_bits(part.address_bytes, part.page), bus_khz) + part.write_ms
    current_ma = part.write_ma + controller_ma
    drop_v = supply_v - part.supply_min_v
    return HoldUp(
        time_ms, current_ma, supply_v, part.supply_min_v,
        capacitance_uf(current_ma, time_ms, drop_v, DERATING) if drop_v > 0 else None,
    )
