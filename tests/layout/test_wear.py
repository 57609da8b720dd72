"""Endurance over temperature and the life of a ring, against published points."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from paramstore.layout.physics import ACTIVATION_EV, DAYS_PER_YEAR, endurance_at, life_years
from paramstore.schema.catalogue import all_parts, find
from paramstore.schema.part import Part

# ST M95256-A125/A145 data sheet: degC and cycles. An SPI part; its cells are taken to be alike.
ST_POINTS = ((25, 4e6), (85, 1.2e6), (125, 6e5), (145, 4e5))


def part_with(*points: tuple[float, float]) -> Part:
    base = find("24LC32A")
    assert base is not None
    return replace(base, endurance=points)


def test_activation_energy_is_the_fit() -> None:
    """The constant is the least-squares slope of ln(cycles) over 1/kT through ST's points."""
    inverse = [1 / (8.617333e-5 * (t + 273.15)) for t, _ in ST_POINTS]
    logs = [math.log(n) for _, n in ST_POINTS]
    mean_x, mean_y = sum(inverse) / 4, sum(logs) / 4
    slope = sum((x - mean_x) * (y - mean_y) for x, y in zip(inverse, logs, strict=True)) / sum(
        (x - mean_x) ** 2 for x in inverse)
    assert round(slope, 3) == ACTIVATION_EV


@pytest.mark.parametrize(("celsius", "thousands"), [(40, 686), (55, 487), (85, 268), (125, 139)])
def test_one_point_is_derated(celsius: float, thousands: int) -> None:
    """A part of 1 M cycles at 25 degC: values computed by hand from the fit to ST's points."""
    assert thousands == round(endurance_at(part_with((25, 1e6)), celsius) / 1000)


def test_published_points_are_met() -> None:
    """At a point of the data sheet its value holds."""
    part = part_with(*ST_POINTS)
    assert [round(n) for _, n in ST_POINTS] == [round(endurance_at(part, t)) for t, _ in ST_POINTS]


def test_between_points() -> None:
    """Half-way in 1/T the endurance is the geometric mean of its neighbours."""
    kelvin = 2 / (1 / 298.15 + 1 / 358.15)
    expected = math.sqrt(4e6 * 1.2e6)
    assert math.isclose(expected, endurance_at(part_with(*ST_POINTS), kelvin - 273.15))


def test_extrapolation_stays_near_a_published_point() -> None:
    """From 25 and 85 degC on, Arrhenius meets ST's own 125 degC point within 5 per cent."""
    assert math.isclose(6e5, endurance_at(part_with(*ST_POINTS[:2]), 125), rel_tol=0.05)


def test_no_credit_below_the_coldest_point() -> None:
    """Cold adds nothing to the figure of the data sheet."""
    assert endurance_at(part_with((25, 1e6)), -40) == 1e6


@given(st.sampled_from(all_parts()), st.floats(-40, 150), st.floats(0, 50))
def test_heat_never_adds_life(part: Part, celsius: float, more: float) -> None:
    """Endurance never rises with temperature."""
    assert endurance_at(part, celsius + more) <= endurance_at(part, celsius)


def test_life_of_a_ring() -> None:
    """8 slots of 1 M cycles take a record a minute for 15.2 years."""
    assert f"{life_years(1e6, 8, 24 * 60):.1f}" == "15.2"
    assert life_years(DAYS_PER_YEAR, 1, 1) == 1.0
    assert life_years(1e6, 2, 0) == math.inf


def test_ceiling_of_a_part() -> None:
    """128 pages of 1 M cycles: a record a second for 4 years, one a minute for 243 (by hand)."""
    assert f"{life_years(1e6, 128, 24 * 3600):.0f}" == "4"
    assert f"{life_years(1e6, 128, 24 * 60):.0f}" == "243"
