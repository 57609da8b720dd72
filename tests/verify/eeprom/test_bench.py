"""The bench plays whole transfers, counts bus bits and time, and logs what was asked."""

import pytest

from paramstore.verify.eeprom.bench import Asked, Bench, Transferred, Waited
from paramstore.verify.eeprom.device import Device
from paramstore.verify.eeprom.faults import CutAtByte, CutAtWrite, Fault, PowerCut, Tear, Torn
from tests.verify.eeprom.test_device import PART_4K, PART_32K


def test_bits_of_a_page_write_and_a_read() -> None:
    """35 bytes with START and STOP are 317 bits; a read of 32 is 36 bytes and 3 bits more.

    Bytes as in NXP UM10204: 9 clocks each.
    """
    bench = Bench(Device(PART_32K))
    assert b"" == bench.transfer(0x50, bytes([0, 0x20, *range(32)]), 0)
    assert 9 * 35 + 2 == bench.bits
    assert 317 * 2.5 == bench.now_us
    bench.wait(5000)
    assert bytes(range(32)) == bench.transfer(0x50, b"\x00\x20", 32)
    assert 317 + 9 * 36 + 3 == bench.bits


def test_refused_device_address_costs_eleven_bits() -> None:
    """START, one byte with its acknowledge clock, STOP."""
    bench = Bench(Device(PART_32K))
    assert bench.transfer(0x51, b"\x00\x00", 4) is None
    assert 11 == bench.bits


def test_refused_read_address_ends_the_transfer() -> None:
    """Three bytes sent, the fourth not acknowledged: 4 x 9 clocks, two STARTs and a STOP."""

    class NoReads(Fault):
        def byte(self, number: int) -> bool:
            return number != 4

    bench = Bench(Device(PART_32K, faults=[NoReads()]))
    assert bench.transfer(0x50, b"\x00\x00", 4) is None
    assert 4 * 9 + 3 == bench.bits


def test_polling_takes_as_long_as_the_write_cycle() -> None:
    """Transfers are refused until 5 ms after the STOP, then work."""
    bench = Bench(Device(PART_32K), bus_khz=100)
    bench.transfer(0x50, b"\x00\x00\x07", 0)
    end = bench.now_us + 5000
    while bench.transfer(0x50, b"\x00\x00", 1) is None:
        bench.wait(250)
    assert end <= bench.now_us < end + 250 + (11 + 9 * 5 + 3) * 10


def test_block_bits_reach_the_upper_block() -> None:
    """A transfer reads its bytes from the block that its device address names."""
    bench = Bench(Device(PART_4K, image=bytes(256) + bytes(range(256))))
    assert b"\x10\x11" == bench.transfer(0x51, b"\x10", 2)


def test_log_has_every_question_in_order() -> None:
    """Transfers with their replies, waits and supply questions are kept."""
    bench = Bench(Device(PART_32K))
    bench.ask_supply()
    bench.transfer(0x50, b"\x00\x00\x07", 0)
    bench.transfer(0x50, b"\x00\x00", 1)
    bench.wait(5000)
    bench.transfer(0x50, b"\x00\x00", 1)
    bench.supply_good = False
    bench.ask_supply()
    assert [
        Asked(True),
        Transferred(0x50, b"\x00\x00\x07", 0, b""),
        Transferred(0x50, b"\x00\x00", 1, None),
        Waited(5000),
        Transferred(0x50, b"\x00\x00", 1, b"\x07"),
        Asked(False),
    ] == bench.log


@pytest.mark.parametrize("number", range(1, 37))
def test_cut_before_the_stop_changes_nothing(number: int) -> None:
    """Power lost at any byte of a page write leaves the page as it was."""
    device = Device(PART_32K, image=bytes(range(64)))
    device.faults.append(CutAtByte(number))
    bench = Bench(device)
    if number <= 35:
        with pytest.raises(PowerCut):
            bench.transfer(0x50, bytes([0, 0x20, *range(100, 132)]), 0)
        assert bytes(range(64)) == device.memory[:64]
        assert not device.powered
    else:
        assert b"" == bench.transfer(0x50, bytes([0, 0x20, *range(100, 132)]), 0)


def test_cut_at_a_poll_tears_the_page_being_written() -> None:
    """A byte cut while the part is busy leaves the page as its tear says."""
    device = Device(PART_32K, image=bytes(64))
    bench = Bench(device)
    bench.transfer(0x50, bytes([0, 0x20, *range(100, 132)]), 0)
    device.faults.append(CutAtByte(device.bytes_seen + 1, Tear(Torn.ERASED)))
    with pytest.raises(PowerCut):
        bench.transfer(0x50, b"\x00\x20", 1)
    assert bytes(32) + b"\xff" * 32 == device.memory[:64]


def test_transfers_after_a_cut_raise_again() -> None:
    """A part without power takes no part in anything until it is switched on."""
    device = Device(PART_32K, faults=[CutAtWrite(1, Tear(Torn.NEW))])
    bench = Bench(device)
    for _ in range(2):
        with pytest.raises(PowerCut):
            bench.transfer(0x50, b"\x00\x00\x01", 0)
    device.power_on()
    assert b"\x01" == bench.transfer(0x50, b"\x00\x00", 1)
    assert [Transferred(0x50, b"\x00\x00", 1, b"\x01")] == bench.log
