"""Warnings about layouts that work."""

from dataclasses import replace

import pytest

from paramstore.core.errors import Finding, Severity
from paramstore.layout.demand import demand_of
from paramstore.layout.place import make_plan
from paramstore.layout.split import best_split
from paramstore.schema.model import Kind, Role, Schema, ValueLimits
from tests.codes import LAYOUT as CODES
from tests.layout.builders import group, schema, sized


def findings(store: Schema) -> dict[str, Finding]:
    found = make_plan(store).findings
    assert all(f.severity is Severity.WARNING and f.code in CODES and f.help for f in found)
    return {f.code: f for f in found}


def test_nothing_to_say() -> None:
    """A store without a fault gets no advice."""
    assert {} == findings(schema(group("a", 1), group("b", 2, per_day=1440)))


MIXED = group("settings", 1, sized("hours", 4), sized("starts", 4), sized("lin", 120, Kind.CURVE),
              sized("name", 24, Kind.TEXT), per_day=1440)


def test_one_group_for_two_rates() -> None:
    """A group of many pages that is written often is told what two groups would save."""
    finding = findings(schema(MIXED))["PS421"]
    assert ("group `settings` writes 6 pages 1,440 times a day and needs 6 slots for it"
            == finding.message)
    assert "36 pages" == finding.label
    assert (
        "if only `hours` and `starts` change that often, give them a group of their own: that "
        "needs 21 pages instead of 36, and a commit writes 1 instead of 6; if it is right as it "
        "is, `slots = 6` says so" == finding.help)
    assert finding.notes == (
        "which parameters change that often is guessed from their types and limits",)
    settled = replace(MIXED, slots=6)
    assert "PS421" not in findings(schema(settled))


@pytest.mark.parametrize("quiet", [
    replace(MIXED, writes_per_day=200.0),  # three slots do
    replace(MIXED, slots=20),  # the schema says so
    replace(MIXED, parameters=(sized("one", 160),)),  # nothing to take apart
])
def test_no_split(quiet: object) -> None:
    """Where the ring is short, where `slots` is given, or with one parameter, nothing is said."""
    assert isinstance(quiet, type(MIXED))
    assert "PS421" not in findings(schema(quiet))


def test_split_is_what_it_claims() -> None:
    """The two groups of a split have all parameters, and need the pages that were promised."""
    store = schema(MIXED)
    split = best_split(MIXED, store)
    assert split is not None
    assert set(MIXED.parameters) == {*split.stays, *split.moves}
    stays = demand_of(replace(MIXED, parameters=split.stays), store)
    moves = demand_of(replace(MIXED, parameters=split.moves, writes_per_day=0.0), store)
    assert (split.pages, split.slot_pages) == (stays.pages + moves.pages, stays.slot_pages)
    assert split.pages < demand_of(MIXED, store).pages


def test_split_keeps_bound_pairs() -> None:
    """Parameters bound by `below` stay together: the rule works within one group only."""
    chain = (sized("low", 60, below="high"), sized("n", 4), sized("high", 60, below="trip"),
             sized("trip", 60))
    bound = group("g", 1, *chain, per_day=1440)
    split = best_split(bound, schema(bound))
    assert split is not None
    assert [("n",), ("low", "high", "trip")] == [
        tuple(p.name for p in side) for side in (split.stays, split.moves)]


def test_split_guesses_what_counts() -> None:
    """What has limits, or is of a kind that never counts, is proposed to move; counters stay."""
    limited = sized("gain", 80)
    limited = replace(limited, fields=(replace(limited.fields[0], limits=ValueLimits(((0, 9),))),))
    mixed = group("g", 1, limited, sized("mode", 1, Kind.ENUM), sized("hours", 4),
                  sized("starts", 4), per_day=1440)
    split = best_split(mixed, schema(mixed))
    assert split is not None
    assert ["hours", "starts"] == [p.name for p in split.stays]


def test_two_slots() -> None:
    """Two slots are laid out as asked, and told."""
    store = schema(group("g", 1, slots=2))
    assert 2 == make_plan(store).rings[0].slots
    assert ("group `g` has two slots and cannot pass over a worn one"
            == findings(store)["PS422"].message)


def test_retention() -> None:
    """A life beyond the retention of the part is told."""
    store = schema(group("g", 1), part="BR24G32-3A", life_years=50)
    assert ("the BR24G32-3A keeps its contents for 40 years, the life wanted is 50"
            == findings(store)["PS423"].message)


def test_outside_the_protected_area() -> None:
    """A calibration group that finds no more room behind the pin is told, with its name."""
    store = schema(*(group(f"cal{n}", n, sized("p", 300), role=Role.CALIBRATION)
                     for n in (1, 2)), part="24LC32AF")
    assert ("group `cal2` lies outside the write-protectable area"
            == findings(store)["PS424"].message)


@pytest.mark.parametrize(("payload", "told"), [(650, False), (651, True)])
def test_long_record(payload: int, told: bool) -> None:
    """5243 data bits, 655 bytes, are the limit of distance 6: header and body of 5 + 650 bytes."""
    store = schema(group("g", 1, sized("p", payload), room=0), part="24LC256")
    assert told == ("PS425" in findings(store))
    if told:
        assert "only errors of up to 3 bits are always found" in findings(store)["PS425"].message


def test_slots_that_wear_out() -> None:
    """`slots` too few for the write rate are laid out as asked, and told with the life they give.
    """
    finding = findings(schema(group("g", 1, per_day=1440, slots=3)))["PS426"]
    assert ("group `g` wears out its 3 slots in 5.7 years, the life wanted is 10"
            == finding.message)
    assert "give it 6 slots, or leave `slots` out" == finding.help


def test_advice_points_at_the_group() -> None:
    """A warning about a group carries the place of the group."""
    from paramstore.core.errors import SourceText, Span

    place, source = Span(3, 1, 3, 9), SourceText("demo.toml", "\n\n[group.g]\n")
    store = schema(group("g", 1, slots=2, span=place), source=source)
    finding = findings(store)["PS422"]
    assert (source, place) == (finding.source, finding.span)
