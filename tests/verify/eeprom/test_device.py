"""The simulated part does on its pins what the data sheets say."""

from dataclasses import replace

import pytest

from paramstore.schema.part import Part, WriteProtect
from paramstore.verify.eeprom.device import Device
from paramstore.verify.eeprom.faults import CutAtWrite, DeadPage, Fault, PowerCut, Tear, Torn

PART_32K = Part(
    name="32 kbit", maker="", capacity=4096, page=32, address_bytes=2, block_bits=0,
    block_shift=0, write_ms=5, endurance=((25, 1e6),), retention_years=100, clocks=((2.5, 400),),
    write_protect=WriteProtect.WHOLE, write_ma=3, read_ma=1, standby_ua=1,
)
PART_4K = replace(PART_32K, name="4 kbit", capacity=512, page=16, address_bytes=1, block_bits=1)
PART_1M = replace(PART_32K, name="1 Mbit", capacity=131072, page=128, block_bits=1, block_shift=2)


def send(device: Device, *values: int) -> list[bool]:
    return [device.write_byte(value) for value in values]


def page_write(device: Device, control: int, *values: int) -> None:
    """Send a whole page write and let the write cycle pass."""
    device.start()
    assert all(send(device, control, *values))
    device.stop()
    device.now_us += 5000


def random_read(device: Device, control: int, address: tuple[int, ...], count: int) -> bytes:
    device.start()
    assert all(send(device, control, *address))
    device.start()
    assert device.write_byte(control | 1)
    data = bytes(device.read_byte(i == count - 1) for i in range(count))
    device.stop()
    return data


def test_delivery_state_is_all_ff() -> None:
    """A new part reads FF everywhere."""
    assert b"\xff" * 4096 == random_read(Device(PART_32K), 0xA0, (0, 0), 4096)


def test_page_buffer_rolls_over_inside_its_page() -> None:
    """Bytes past the page end go to the front of the same page (DS21713M, section 6.2)."""
    device = Device(PART_32K)
    page_write(device, 0xA0, 0x00, 0x3E, 1, 2, 3)
    expected = b"\x03" + b"\xff" * 29 + b"\x01\x02" + b"\xff"
    assert expected == random_read(device, 0xA0, (0, 0x20), 33)


def test_more_than_a_page_overwrites_what_was_loaded() -> None:
    """Of 33 bytes the last one takes the place of the first (DS21713M, section 6.2)."""
    device = Device(PART_32K)
    page_write(device, 0xA0, 0x00, 0x20, *range(33))
    assert bytes([32, *range(1, 32)]) == device.memory[0x20:0x40]


def test_bytes_not_sent_keep_their_value() -> None:
    """A write of less than a page leaves the rest of the page as it was."""
    device = Device(PART_32K, image=bytes(range(64)))
    page_write(device, 0xA0, 0x00, 0x05, 0xEE)
    assert bytes([*range(5), 0xEE, *range(6, 64)]) == device.memory[:64]


def test_busy_part_does_not_answer_until_the_cycle_ends() -> None:
    """From STOP for the write time the control byte is not acknowledged (DS22184A, section 7)."""
    device = Device(PART_32K)
    device.now_us = 1000.0
    page_write(device, 0xA0, 0, 0, 7)
    device.now_us = 1000.0 + 4999.9
    device.start()
    assert not device.write_byte(0xA0)
    device.stop()
    device.now_us = 1000.0 + 5000.0
    device.start()
    assert device.write_byte(0xA0)


def test_write_begins_at_stop_only() -> None:
    """Data followed by a repeated START is dropped; nothing is written (DS22184A, section 6)."""
    device = Device(PART_32K)
    device.start()
    send(device, 0xA0, 0, 0, 1)
    device.start()
    send(device, 0xA0, 0, 0)
    device.stop()
    assert (0, 0xFF) == (device.cycles, device.memory[0])


def test_stop_without_data_writes_nothing() -> None:
    """Setting the address alone starts no cycle and wears nothing."""
    device = Device(PART_32K)
    page_write(device, 0xA0, 0, 0)
    assert (0, 0, False) == (device.cycles, device.wear[0], device.busy)


def test_foreign_device_address_is_not_acknowledged() -> None:
    """Only the own address is answered, and bytes after a refusal are ignored."""
    device = Device(PART_32K, address=0x51)
    device.start()
    assert [False, False] == send(device, 0xA0, 0)
    device.start()
    assert [True] == send(device, 0xA2)


def test_part_that_was_not_asked_leaves_the_line_high() -> None:
    """Reading without having addressed the part gives FF."""
    device = Device(PART_32K, image=bytes(4))
    device.start()
    send(device, 0xB0)
    assert 0xFF == device.read_byte(last=True)


def test_address_bits_beyond_the_capacity_are_ignored() -> None:
    """A 32 kbit part looks at 12 of 16 address bits (DS22184A, section 5)."""
    device = Device(PART_32K)
    page_write(device, 0xA0, 0xF0, 0x01, 9)
    assert 9 == device.memory[1]


def test_sequential_read_wraps_to_the_start_of_the_array() -> None:
    """After the last byte comes address 0 (24XX256, DS20001203W)."""
    device = Device(PART_32K, image=bytes([1]) + bytes(4094) + bytes([2]))
    assert b"\x02\x01" == random_read(device, 0xA0, (0x0F, 0xFF), 2)


def test_sequential_read_stays_in_its_64k_block() -> None:
    """24XX1025: a read does not cross from the lower half to the upper (DS20001941L, page 1)."""
    device = Device(PART_1M)
    device.memory[0], device.memory[0xFFFF], device.memory[0x10000] = 1, 2, 3
    assert b"\x02\x01" == random_read(device, 0xA0, (0xFF, 0xFF), 2)


def test_block_select_bits_choose_the_block() -> None:
    """A16 of a 24XX1025 follows the control code: 1010 B0 A1 A0 (DS20001941L, section 5)."""
    device = Device(PART_1M)
    page_write(device, 0xA8, 0x00, 0x02, 5)
    assert 5 == device.memory[0x10002]
    small = Device(PART_4K)
    page_write(small, 0xA2, 0x03, 6)
    assert 6 == small.memory[0x103]


def test_current_address_read_goes_on_after_the_last_byte() -> None:
    """The counter keeps the last address + 1 and its own block bits (DS22184A, section 8.1)."""
    device = Device(PART_4K, image=bytes(range(256)) + bytes(reversed(range(256))))
    random_read(device, 0xA2, (0x10,), 2)
    device.start()
    assert device.write_byte(0xA1)
    assert 255 - 0x12 == device.read_byte(last=True)


@pytest.mark.parametrize(
    ("cover", "first"),
    [(WriteProtect.NONE, 4096), (WriteProtect.WHOLE, 0), (WriteProtect.UPPER_HALF, 2048),
     (WriteProtect.UPPER_QUARTER, 3072)],
)
def test_write_protect_acknowledges_and_writes_nothing(cover: WriteProtect, first: int) -> None:
    """Covered pages take data but no write; the part is not busy (DS21713M, section 6.1)."""
    device = Device(replace(PART_32K, write_protect=cover))
    device.write_protect = True
    for address in range(0, 4096, 32):
        device.start()
        assert all(send(device, 0xA0, address >> 8, address & 0xFF, 0))
        device.stop()
        assert (address < first) == device.busy
        device.now_us += 5000
    assert [first > page * 32 for page in range(128)] == [n == 1 for n in device.wear]
    assert bytes([0 if a < first and a % 32 == 0 else 0xFF for a in range(4096)]) == device.memory


def test_write_protect_counts_at_the_stop() -> None:
    """The pin is sampled when the cycle would begin (AT24C16D, section 5.5)."""
    device = Device(PART_32K)
    device.start()
    send(device, 0xA0, 0, 0, 1)
    device.write_protect = True
    device.stop()
    assert 0xFF == device.memory[0]
    device.start()
    send(device, 0xA0, 0, 0, 1)
    device.write_protect = False
    device.stop()
    device.write_protect = True
    assert 1 == device.memory[0]


def test_wear_counts_the_cycles_of_each_page() -> None:
    """Each cycle counts once for its page, however few bytes it wrote."""
    device = Device(PART_32K)
    for address in (0, 5, 0x20):
        page_write(device, 0xA0, 0, address, 1)
    assert ([2, 1, 0], 3) == (device.wear[:3], device.cycles)


OLD, NEW = bytes(range(32)), bytes(range(100, 132))


@pytest.mark.parametrize(
    ("tear", "left"),
    [
        (Tear(Torn.OLD), OLD),
        (Tear(Torn.NEW), NEW),
        (Tear(Torn.PREFIX, 3), NEW[:3] + OLD[3:]),
        (Tear(Torn.SUFFIX, 3), OLD[:3] + NEW[3:]),
        (Tear(Torn.ERASED), b"\xff" * 32),
        (Tear(Torn.ERASED_PREFIX, 3), NEW[:3] + b"\xff" * 29),
        (Tear(Torn.ZEROS), bytes(32)),
        (Tear(Torn.AND), bytes(o & n for o, n in zip(OLD, NEW, strict=True))),
        (Tear(Torn.OR), bytes(o | n for o, n in zip(OLD, NEW, strict=True))),
    ],
)
def test_cut_in_a_write_cycle_tears_its_page_only(tear: Tear, left: bytes) -> None:
    """The page is left as the tear says, its neighbours untouched, and the part is off."""
    device = Device(PART_32K, image=b"\x55" * 32 + OLD + b"\x55" * 32)
    device.faults.append(CutAtWrite(1, tear))
    with pytest.raises(PowerCut):
        page_write(device, 0xA0, 0, 0x20, *NEW)
    assert b"\x55" * 32 + left + b"\x55" * 32 == device.memory[:96]
    with pytest.raises(PowerCut):
        device.start()
    device.power_on()
    device.start()
    assert device.write_byte(0xA0)


def test_random_tears_depend_on_their_seed_alone() -> None:
    """MIX keeps every bit old or new, both kinds come out the same for the same seed."""
    for kind in (Torn.MIX, Torn.NOISE):
        left = [Tear(kind, seed=seed).apply(OLD, NEW) for seed in (1, 2, 1)]
        assert left[0] == left[2] != left[1]
    mixed = Tear(Torn.MIX, seed=1).apply(OLD, NEW)
    assert not any((m ^ o) & (m ^ n) for m, o, n in zip(mixed, OLD, NEW, strict=True))
    assert mixed not in (OLD, NEW)


def test_power_off_tears_a_running_cycle_and_no_ended_one() -> None:
    """Only a page whose write cycle goes on is at risk."""
    device = Device(PART_32K)
    for pause, left in ((4999, 0xFF), (5000, 1)):
        device.power_on()
        device.start()
        send(device, 0xA0, 0, 0, 1)
        device.stop()
        device.now_us += pause
        device.power_off(Tear(Torn.OLD))
        assert left == device.memory[0]


def test_dead_page_keeps_its_content() -> None:
    """A worn page acknowledges, is busy, and holds what it held."""
    device = Device(PART_32K, faults=[DeadPage(1)])
    page_write(device, 0xA0, 0, 0x20, 1)
    page_write(device, 0xA0, 0, 0x40, 1)
    assert (0xFF, 1, [0, 1, 1]) == (device.memory[0x20], device.memory[0x40], device.wear[:3])


def test_faults_may_refuse_bytes_and_change_what_is_read() -> None:
    """The byte hook suppresses an acknowledge, the read hook changes one reading only."""

    class Odd(Fault):
        def byte(self, number: int) -> bool:
            return number != 2

        def read(self, address: int, value: int) -> int:
            return value ^ (address == 1)

    device = Device(PART_32K, image=bytes(4), faults=[Odd()])
    device.start()
    assert [True, False, False] == send(device, 0xA0, 0, 0)
    assert b"\x00\x01\x00" == random_read(device, 0xA0, (0, 0), 3)
    assert 0 == device.memory[1]


def test_image_may_not_exceed_the_part() -> None:
    """A longer image is a mistake of the caller."""
    with pytest.raises(ValueError, match="4097 bytes"):
        Device(PART_32K, image=bytes(4097))
