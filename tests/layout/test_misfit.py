"""What does not fit is explained, and every way out that is offered leads out."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from paramstore.core.errors import Finding, FindingsError, Severity
from paramstore.layout.misfit import fits, highest_rate, longest_life, smallest_part
from paramstore.layout.place import make_plan
from paramstore.schema.catalogue import all_parts
from paramstore.schema.model import Kind, Role, Schema
from tests.codes import LAYOUT as CODES
from tests.layout.builders import group, known_part, schema, sized

CURVE = sized("curve", 180, Kind.CURVE)
LARGE = schema(group("small", 1), group("big", 2, sized("table", 2000)), part="24LC32A")
HOT = schema(group("cold", 1), group("log", 2, sized("count", 4), CURVE, per_day=30_000))
OPEN_AREA = schema(
    group("factory", 1, role=Role.CALIBRATION, copies=2),
    *(group(f"zone{n}", n, sized("table", 300)) for n in range(2, 6)), part="24LC32AF")


def only_finding(store: Schema) -> Finding:
    with pytest.raises(FindingsError) as caught:
        make_plan(store)
    (finding,) = caught.value.findings
    assert Severity.ERROR is finding.severity
    assert finding.code in CODES
    return finding


def test_too_large() -> None:
    """A store that no write rate would make fit points at its largest group and names a part."""
    finding = only_finding(LARGE)
    assert ("PS401", "the groups of `demo` need at least 192 pages, the 24LC32A has 126 for them") \
        == (finding.code, finding.message)
    assert "the largest: 3 slots of 63 pages (189 pages)" == finding.label
    assert ("128 pages of 32 bytes, 2 of them for the label",
            "pages: `big` 189, `small` 3") == finding.notes
    assert ("use the 24AA64 (8192 bytes, the smallest that fits); or make `big` at most 1015 "
            "bytes, room included; it has 2000" == finding.help)
    for payload, fitting in ((1015, True), (1016, False)):
        shrunk = replace(LARGE.groups[1], parameters=(sized("table", payload),))
        assert fitting is fits(replace(LARGE, groups=(LARGE.groups[0], shrunk)))


def test_too_many_slots_asked_for() -> None:
    """Where `slots` in the schema is what takes the pages, lowering it is the way out."""
    store = schema(group("log", 1, slots=500), group("other", 2))
    finding = only_finding(store)
    assert "PS401" == finding.code
    assert finding.help.endswith("or lower `slots` of `log` to 123")
    log = replace(store.groups[0], slots=123)
    assert fits(replace(store, groups=(log, store.groups[1])))


def test_no_way_out_that_leads_nowhere() -> None:
    """Where no single group could make room, only the part is offered."""
    store = schema(*(group(f"g{n}", n, sized("p", 300)) for n in range(1, 20)))
    assert "use the 24AA256 (32768 bytes, the smallest that fits)" == only_finding(store).help


def test_too_hot() -> None:
    """A group whose write rate does not fit says how many records, on what endurance, and offers
    a part, a split, a rate and a life."""
    finding = only_finding(HOT)
    assert ("PS402", "group `log` is written too often: it needs 110 slots of 7 pages (770 pages), "
            "the 24LC32A has 123 left for it") == (finding.code, finding.message)
    assert "109,575,000 records in 10 years" == finding.label
    assert ("a page of the 24LC32A endures 1,000,000 writes at 25 degC",
            "pages: `log` 770, `cold` 3") == finding.notes
    assert (
        "use the M24C64-W (8192 bytes, the smallest that fits); or write `log` at most 193 per "
        "hour; or ask for a life of 1.5 years" == finding.help)


def test_a_split_that_fits_is_offered() -> None:
    """If cutting the hot group in two is enough, that is offered too."""
    store = schema(group("log", 1, sized("count", 4), CURVE, per_day=9000))
    split = "if only `count` changes that often, give it a group of its own: that needs 51 pages"
    assert split not in (only_finding(HOT).help)
    assert split in only_finding(store).help


def test_open_area_too_small() -> None:
    """On a part with a protected quarter the rest can be too small although the whole is not."""
    finding = only_finding(OPEN_AREA)
    assert ("PS405", "outside the write-protectable area the groups need 120 pages, "
            "the 24LC32AF has 94 there") == (finding.code, finding.message)
    assert "its write-protect pin covers the upper quarter" == finding.notes[0]
    assert "use the 24AA64 (8192 bytes, the smallest that fits)" == finding.help
    assert fits(replace(OPEN_AREA, part=known_part("24AA64")))


def test_no_way_around_the_middle() -> None:
    """Rings that fit by their pages alone, but not with a slot that begins at half the capacity:
    of 10 pages each, slots can start at pages 4, 14, ... 64, so that one of four rings is left."""
    finding = only_finding(replace(OPEN_AREA, part=known_part("24AA32A")))
    assert ("PS408", "the groups of `demo` need 123 of 126 pages, but cannot be placed "
            "with a slot boundary at 0x0800") == (finding.code, finding.message)
    assert "the widest: 3 slots of 10 pages (30 pages)" == finding.label
    assert "mount looks there for the label, which tells a part of half the size" in finding.notes
    assert ("use the 24AA64 (8192 bytes, the smallest that fits); or make `zone2` at most 279 "
            "bytes, room included; it has 300" == finding.help)
    narrower = replace(OPEN_AREA.groups[1], parameters=(sized("table", 279),))
    store = replace(OPEN_AREA, part=known_part("24AA32A"),
                    groups=(OPEN_AREA.groups[0], narrower, *OPEN_AREA.groups[2:]))
    assert fits(store)


@pytest.mark.parametrize(("slots", "copies", "message"), [
    (1, 1, "group `g` has 1 slot, too few for one record"),
    (2, 2, "group `g` has 2 slots, too few for 2 copies"),
])
def test_too_few_slots(slots: int, copies: int, message: str) -> None:
    """A ring needs a slot more than it keeps copies."""
    finding = only_finding(schema(group("g", 1, slots=slots, copies=copies)))
    assert ("PS403", message) == (finding.code, finding.message)
    assert f"give it at least {copies + 1} slots, or leave `slots` out" == finding.help


def test_record_too_long() -> None:
    """A slot has at most 65 535 bytes, whatever the part could hold."""
    finding = only_finding(schema(group("g", 1, sized("p", 65_500)), part="M24M01-R"))
    assert ("PS404", "a record of group `g` has 65536 bytes, too many for a slot") \
        == (finding.code, finding.message)


def test_more_records_than_numbers() -> None:
    """Sequence numbers have 32 bits and never wrap: 20 a second for ten years are too many."""
    finding = only_finding(schema(group("g", 1, per_day=20 * 86400)))
    assert "PS406" == finding.code
    assert "6,311,520,000 records in 10 years" == finding.label


def test_no_part_is_large_enough() -> None:
    """If not even the largest part of the catalogue does, that is said."""
    store = schema(*(group(f"g{n}", n, sized("p", 30_000)) for n in range(1, 4)))
    assert "no part of the catalogue takes this store as it is" in only_finding(store).help


@given(st.integers(1, 900), st.sampled_from((0.1, 1440.0, 40_000.0)), st.sampled_from((100, 400)))
@settings(max_examples=25)
def test_smallest_part(payload: int, per_day: float, khz: int) -> None:
    """The part that is named fits and works at this supply and speed; no smaller one does. It is
    a plain EEPROM if one fits."""
    store = schema(group("g", 1, sized("p", payload), per_day=per_day), supply_v=1.8, bus_khz=khz)
    found = smallest_part(store)
    fitting = [p for p in all_parts()
               if p.highest_khz(1.8) >= khz and fits(replace(store, part=p))]
    fitting = [p for p in fitting if p.plain] or fitting
    assert min((p.capacity for p in fitting), default=None) == (found.capacity if found else None)
    assert found is None or found in fitting


@given(st.floats(6_000, 2e6), st.integers(1, 200))
@settings(max_examples=40)
def test_life_and_rate_that_fit(per_day: float, payload: int) -> None:
    """The life and the rate offered fit, and a step more does not."""
    store = schema(group("g", 1, sized("p", payload), per_day=per_day))
    if fits(store):
        return
    life = longest_life(store)
    assert life is None or fits(replace(store, life_years=life))
    assert not fits(replace(store, life_years=(life or 0) + 0.1))
    rate = highest_rate(store, store.groups[0])
    assert rate is not None
    count, period = rate.split(" per ")
    days = {"hour": 1 / 24, "day": 1.0, "week": 7.0}[period]
    for more, fitting in ((0, True), (1, False)):
        at = replace(store.groups[0], writes_per_day=(int(count) + more) / days)
        assert fitting is fits(replace(store, groups=(at,)))
