"""Hold-up capacitance against a worked example of the makers' formula C = I t / dV."""

from __future__ import annotations

from dataclasses import replace

from paramstore.layout.physics import CONTROLLER_MA, DERATING, capacitance_uf, hold_up
from paramstore.schema.catalogue import find
from paramstore.schema.part import Part


def part(name: str) -> Part:
    found = find(name)
    assert found is not None
    return found


def test_worked_example() -> None:
    """15 mA for 5.79 ms from 3.3 V to 2.5 V (formula: MAX801/MAX808 data sheet p. 9, by hand)."""
    assert f"{capacitance_uf(15, 5.79, 0.8):.1f}" == "108.6"
    assert f"{capacitance_uf(15, 5.79, 0.8, derating=0.8):.1f}" == "135.7"
    assert f"{capacitance_uf(15, 5.79, 0.15):.0f}" == "579"  # MAX791: 150 mV warning to reset
    assert f"{capacitance_uf(3, 5.79, 0.8):.1f}" == "21.7"


def test_of_a_part() -> None:
    """A page write of an M24C32-W: 317 bits and 5 ms, 5 mA and the controller, down to 2.5 V."""
    need = hold_up(part("M24C32-W"), 3.3, 400)
    assert (5.7925, 5 + CONTROLLER_MA) == (need.time_ms, need.current_ma)
    assert (3.3, 2.5) == (need.from_v, need.to_v)
    assert need.capacitance_uf is not None
    assert round(15 * 5.7925 / 0.8 / DERATING, 6) == round(need.capacitance_uf, 6)


def test_no_room_to_fall() -> None:
    """At the part's lowest supply no capacitor helps."""
    assert hold_up(part("24LC32A"), 2.5, 400).capacitance_uf is None


def test_what_it_grows_with() -> None:
    """A longer write cycle and a hungrier controller ask for more."""
    base = hold_up(part("24LC32A"), 3.3, 400).capacitance_uf
    slow = hold_up(replace(part("24LC32A"), write_ms=10), 3.3, 400).capacitance_uf
    hungry = hold_up(part("24LC32A"), 3.3, 400, controller_ma=20).capacitance_uf
    assert base is not None and slow is not None and hungry is not None
    assert base < min(slow, hungry)
