"""Strips, rings and charts: every unit has its place, and pictures say what they are asked to."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from paramstore.report.pages.charts import decades, time_course, time_scale, used_up
from paramstore.report.pages.ring import MOST_BEADS, RingSlot, ring_picture
from paramstore.report.pages.strips import FOLD, ROW, Bead, strip


@st.composite
def bead_lists(draw: st.DrawFn) -> tuple[list[Bead], int]:
    """Beads with gaps between them, and the units of all."""
    at, beads = 0, []
    for gap, size in draw(st.lists(st.tuples(st.integers(0, 70), st.integers(1, 70)), max_size=9)):
        beads.append(Bead(at + gap, size, "x"))
        at += gap + size
    return beads, at + draw(st.integers(1, 70))


@given(bead_lists(), st.sampled_from((0, 8, 16, 64)))
def test_every_unit_has_its_column(made: tuple[list[Bead], int], bound: int) -> None:
    """Each bead fills exactly its units; no piece crosses a fold or a bound."""
    beads, total = made
    seen: dict[int, Bead | None] = {}
    for row in strip(beads, total, bound):
        at = row.start
        assert row.start % ROW == 0
        for piece in row.pieces:
            assert at // FOLD == (at + piece.width - 1) // FOLD
            assert not bound or at // bound == (at + piece.width - 1) // bound
            seen |= dict.fromkeys(range(at, at + piece.width), piece.bead)
            at += piece.width
        assert at == row.start + (row.units if row.pieces else 0)
    expected = {unit: bead for bead in beads for unit in range(bead.start, bead.start + bead.size)}
    assert expected == {unit: bead for unit, bead in seen.items() if bead is not None}


def test_long_stretches_of_bare_thread_are_told_in_one_line() -> None:
    """Three rows or more without a bead become one; the rows around them stay."""
    rows = strip([Bead(0, 1, "a"), Bead(1000, 1, "b")], 1024)
    assert [(0, 32), (32, 960), (992, 32)] == [(r.start, r.units) for r in rows]
    assert () == rows[1].pieces


@pytest.mark.parametrize("count", [2, MOST_BEADS])
def test_a_small_ring_has_a_bead_for_each_slot(count: int) -> None:
    """Slots are counted in the picture, the newest is pointed at."""
    picture = ring_picture([RingSlot("hue0", "older")] * count, "a ring", ("A",), newest=1)
    assert count == picture.count('<circle class="bead')
    assert count == picture.count('href="#shape-older"')
    assert f"rotate({360 / count:.2f} 90 90)" in picture


def test_a_large_ring_joins_equal_neighbours() -> None:
    """A ring of thousands of slots is as many arcs as its looks change."""
    slots = [RingSlot("older")] * 3000 + [RingSlot("current")] + [RingSlot("erased")] * 999
    picture = ring_picture(slots, "a ring", ("A",))
    assert 3 == picture.count("<path")
    assert len(picture) < 4000


def test_a_label_of_a_ring_is_escaped() -> None:
    """What is said of a ring stays text."""
    assert "&lt;b&gt;" in ring_picture([RingSlot("")] * 2, "<b>", ("A",))


def test_a_course_fills_the_width_of_the_longest() -> None:
    """Stretches follow one another, each as long as its part of the longest time."""
    picture = time_course([("transfer", 1.0), ("cycle", 3.0)], 8.0)
    assert [("0.00", "12.50"), ("12.50", "37.50")] == re.findall(
        r'x="([\d.]+)%".*?width="([\d.]+)%"', picture)


@pytest.mark.parametrize(("longest", "last"), [(28.1, "20"), (0.9, "0.8"), (100.0, "100")])
def test_a_scale_has_round_numbers(longest: float, last: str) -> None:
    """Marks are at 1, 2 or 5 times a power of ten."""
    assert last == re.findall(r">([\d.]+)(?: ms)?</text>", time_scale(longest))[-1]


def test_a_bar_on_decades_says_whether_it_is_long_enough() -> None:
    """What falls short looks different; what is beyond the scale ends in an arrow."""
    assert "short" in decades(5, 10, 1, 1000)
    assert "short" not in decades(10, 10, 1, 1000)
    assert "<path" in decades(float("inf"), 10, 1, 1000)


def test_wear_beyond_the_end_stays_in_its_frame() -> None:
    """A ring written more often than it is rated for fills the bar and no more."""
    assert 'width="200.0"' in used_up(7.0)
