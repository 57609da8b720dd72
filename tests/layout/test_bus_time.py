"""Bus arithmetic against worked examples and the minimum times of the I2C specification."""

from __future__ import annotations

import pytest

from paramstore.layout.physics import (
    POLL_BITS,
    TIMINGS,
    bits_ms,
    least_read_us,
    least_write_us,
    read_bits,
    timing,
    write_bits,
)

CLOCKS = (100, 400, 1000)


def test_timing_minima() -> None:
    """NXP UM10204: fast-mode times as Microchip DS22184A t.1-2 prints them, and the clocks."""
    assert CLOCKS == tuple(t.khz for t in TIMINGS)
    fast = timing(400)
    assert (0.6, 1.3, 0.6, 0.6, 0.1, 0.6, 1.3) == (
        fast.hd_sta, fast.low, fast.high, fast.su_sta, fast.su_dat, fast.su_sto, fast.buf)
    assert all(t.low + t.high <= 1000 / t.khz for t in TIMINGS)


@pytest.mark.parametrize(("khz", "times"), [
    (100, (4.0, 4.7, 4.0, 4.7, 0.25, 4.0, 4.7)), (1000, (0.26, 0.5, 0.26, 0.26, 0.05, 0.26, 0.5))])
def test_timing_of_the_other_modes(khz: int, times: tuple[float, ...]) -> None:
    """NXP UM10204 as tables of controllers restate it (ST92163; Microchip's table that cites it for
    Fast-mode Plus)."""
    t = timing(khz)
    assert times == (t.hd_sta, t.low, t.high, t.su_sta, t.su_dat, t.su_sto, t.buf)


@pytest.mark.parametrize(
    ("khz", "mode"),
    [(1, "Standard-mode"), (100, "Standard-mode"), (101, "Fast-mode"), (400, "Fast-mode"),
     (401, "Fast-mode Plus"), (1000, "Fast-mode Plus")],
)
def test_mode_of_a_clock(khz: int, mode: str) -> None:
    """A clock belongs to the slowest mode that allows it."""
    assert mode == timing(khz).mode


@pytest.mark.parametrize(
    ("count", "bits"),
    [(1, 9 * 4), (32, 315)],  # control, 2 address bytes, data: nine clocks each (UM10204 s.3.1.5)
)
def test_write_clocks(count: int, bits: int) -> None:
    """A write takes nine clocks a byte, and START and STOP."""
    assert bits + 2 == write_bits(2, count)


@pytest.mark.parametrize(("count", "clocks"), [(1, 45), (32, 324), (64, 612), (256, 2340),
                                               (4096, 36900)])
def test_read_clocks(count: int, clocks: int) -> None:
    """A random read takes 9 (4 + n) clocks, and START, repeated START and STOP."""
    assert clocks + 3 == read_bits(2, count)


def test_poll() -> None:
    """A poll is a device address between START and STOP."""
    assert write_bits(0, 0) == POLL_BITS


@pytest.mark.parametrize(("khz", "us"), [(100, "3162.70"), (400, "790.00"), (1000, "316.02")])
def test_page_write_time(khz: int, us: str) -> None:
    """A page write of 32 bytes: 315 clocks, START hold, STOP set-up, bus free. At 100 kHz by hand:
    3150 + 4.0 + 4.0 + 4.7 us."""
    assert us == f"{least_write_us(2, 32, khz):.2f}"


@pytest.mark.parametrize(("khz", "us"), [(100, "3261.40"), (400, "813.70"), (1000, "325.54")])
def test_read_time(khz: int, us: str) -> None:
    """A random read of 32 bytes: 324 clocks and the minima, those of the repeated START too."""
    assert us == f"{least_read_us(2, 32, khz):.2f}"


@pytest.mark.parametrize(("khz", "ms"), [(100, "1044.826"), (400, "741.120"), (1000, "680.451")])
def test_time_to_write_a_part(khz: int, ms: str) -> None:
    """All 128 pages of a 24xx32 (DS21713M) at 5 ms each, computed by hand from the minima."""
    assert ms == f"{128 * (least_write_us(2, 32, khz) / 1000 + 5):.3f}"


@pytest.mark.parametrize("khz", [10, 50, *CLOCKS, 250, 700])
@pytest.mark.parametrize("count", [1, 4, 32, 256])
def test_bits_are_never_optimistic(khz: int, count: int) -> None:
    """Counted bits never give less time than the specification's minima ask for."""
    assert bits_ms(write_bits(2, count), khz) * 1000 >= least_write_us(2, count, khz)
    assert bits_ms(read_bits(2, count), khz) * 1000 >= least_read_us(2, count, khz)


@pytest.mark.parametrize(
    ("payload", "pages", "bits", "ms_100", "ms_400", "ms_1000"),
    [
        (8, 1, 173, "6.7", "5.4", "5.2"),
        (24, 1, 317, "8.2", "5.8", "5.3"),
        (56, 2, 634, "16.3", "11.6", "10.6"),
        (120, 4, 1268, "32.7", "23.2", "21.3"),
        (248, 8, 2536, "65.4", "46.3", "42.5"),
        (400, 13, 4049, "105.5", "75.1", "69.0"),
    ],
)
def test_record_write_times(
    payload: int, pages: int, bits: int, ms_100: str, ms_400: str, ms_1000: str
) -> None:
    """Records with 8 bytes of overhead on 32-byte pages at 5 ms: a table computed by hand."""
    total = payload + 8
    lengths = [min(32, total - at) for at in range(0, total, 32)]
    counted = sum(write_bits(2, n) for n in lengths)
    assert (pages, bits) == (len(lengths), counted)
    times = [f"{bits_ms(counted, khz) + 5 * pages:.1f}" for khz in CLOCKS]
    assert [ms_100, ms_400, ms_1000] == times


@pytest.mark.parametrize(
    ("count", "bits", "ms"),
    [(4, 75, (0.75, 0.19, 0.08)), (32, 327, (3.27, 0.82, 0.33)),
     (408, 3711, (37.11, 9.28, 3.71)), (4096, 36903, (369.03, 92.26, 36.90))],
)
def test_read_times(count: int, bits: int, ms: tuple[float, ...]) -> None:
    """Random reads: a table computed by hand, two decimals printed."""
    assert bits == read_bits(2, count)
    for printed, khz in zip(ms, CLOCKS, strict=True):
        assert abs(printed - bits_ms(bits, khz)) <= 0.00501
