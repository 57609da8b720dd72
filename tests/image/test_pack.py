"""Packed images hold what was given, for this library and for a decoder that shares no code."""

from dataclasses import replace
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from paramstore.core.errors import FindingsError
from paramstore.core.scalars import SCALARS
from paramstore.image.contents import LabelState, SlotState, unpack
from paramstore.image.diagnose import diagnose
from paramstore.image.pack import complete, left_out, pack, ungiven, used_ranges
from paramstore.layout.place import make_plan
from paramstore.layout.plan import Plan
from paramstore.record import CodecError, RecordState
from paramstore.report.image import origin_text
from paramstore.schema.model import Field, Group, Kind, Parameter, Role, Schema
from tests.independent_decoder import decode_image
from tests.record.plans import EXAMPLE, layout_object, one, part, plan_of
from tests.strategies import schema_raws, schemas


@st.composite
def planned(draw: st.DrawFn) -> tuple[Plan, dict[str, dict[str, Any]]]:
    """A schema that fits, its plan, and values within limits."""
    schema = draw(schemas())
    try:
        plan = make_plan(schema)
    except FindingsError:
        assume(False)
        raise
    return plan, draw(schema_raws(schema))


@given(planned())
@settings(max_examples=40, deadline=None)
def test_round_trip(case: tuple[Plan, Any]) -> None:
    """Unpacking gives back every raw, with nothing to complain about."""
    plan, values = case
    contents = unpack(plan, pack(plan, values))
    assert values == {g.ring.group.name: g.values for g in contents.groups}
    assert LabelState.OURS is contents.label_state
    assert () == diagnose(contents, "unit.bin")
    for g in contents.groups:
        copies = g.ring.group.copies
        expected = [SlotState.CURRENT] * copies + [SlotState.ERASED] * (g.ring.slots - copies)
        assert expected == [s.state for s in g.slots]
        assert g.newest is not None
        assert copies == g.newest.record.sequence


@given(planned())
@settings(max_examples=25, deadline=None)
def test_the_independent_decoder_agrees(case: tuple[Plan, Any]) -> None:
    """A decoder written from FORMAT.md alone reads the same values and the same label."""
    plan, values = case
    decoded = decode_image(pack(plan, values), layout_object(plan), plan.schema.name)
    for ring in plan.rings:
        group = decoded["groups"][ring.group.id]
        assert (ring.group.copies, 1) == (group["sequence"], group["revision"])
        assert values[ring.group.name] == group["fields"]
    assert (plan.store_id, plan.layout_id, 1) == tuple(
        decoded["label"][n] for n in ("store_id", "layout_id", "version"))


@given(planned())
@settings(max_examples=20, deadline=None)
def test_nothing_is_written_beside_labels_and_records(case: tuple[Plan, Any]) -> None:
    """All other bytes of the part are FF, and no record touches another slot."""
    plan, values = case
    image = bytearray(pack(plan, values))
    assert plan.part.capacity == len(image)
    spans = [(plan.label_address(c), plan.label_bytes) for c in (0, 1)]
    spans += [(r.address(s), r.record_bytes) for r in plan.rings for s in range(r.group.copies)]
    for address, size in spans:
        image[address:address + size] = b"\xff" * size
    assert image.count(0xFF) == len(image)


@given(planned())
@settings(max_examples=20, deadline=None)
def test_used_pages_are_those_of_labels_and_rings(case: tuple[Plan, Any]) -> None:
    """Whole pages, with the slots that are still erased, apart from each other."""
    plan, _ = case
    page = plan.part.page
    pages = [n for a, b in used_ranges(plan) for n in range(a // page, b // page)]
    assert all(a % page == b % page == 0 for a, b in used_ranges(plan))
    expected = [*range(2 * plan.label_pages), *(
        n for ring in plan.rings for n in range(ring.first_page, ring.first_page + ring.pages))]
    assert sorted(expected) == sorted(pages) and len(set(pages)) == len(pages)


def test_missing_values_are_defaults() -> None:
    """A group or field that is not given takes its defaults."""
    contents = unpack(EXAMPLE, pack(EXAMPLE, {"limits": {"current": (7,)}}, defaults=True))
    assert (7,) == contents.group("limits").values["current"]
    assert complete(EXAMPLE, {"limits": {"current": (7,)}}) == {
        g.ring.group.name: g.values for g in contents.groups}


def test_a_protected_group_without_values_has_no_record() -> None:
    """It must not look calibrated: its ring stays erased, and everything else is as always."""
    assert ("limits",) == ungiven(EXAMPLE, {}) == ungiven(EXAMPLE, {"user": {"low": (1,)}})
    assert () == ungiven(EXAMPLE, {"limits": {"gain": (1.5,)}})
    limits = EXAMPLE.rings[0]
    erased, full = pack(EXAMPLE, {"limits": {}}), pack(EXAMPLE, {}, defaults=True)
    span = slice(limits.address(0), limits.address(limits.slots))
    assert erased[span].count(0xFF) == len(erased[span])
    assert full[:span.start] + erased[span] + full[span.stop:] == erased
    contents = unpack(EXAMPLE, erased)
    group = contents.group("limits")
    assert (None, True, "blank") == (
        group.newest, group.blank, origin_text(contents, group).partition(",")[0])
    assert unpack(EXAMPLE, full).group("limits").newest is not None


def test_a_protected_group_with_one_value_has_a_record() -> None:
    """One value is a value: the rest has its defaults."""
    group = unpack(EXAMPLE, pack(EXAMPLE, {"limits": {"gain": (1.5,)}})).group("limits")
    assert (True, (1.5,), (2500,)) == (
        group.newest is not None, group.values["gain"], group.values["current"])


def test_texts_are_filled_with_00() -> None:
    """What stands behind the end of a text is not stored."""
    image = pack(EXAMPLE, {"user": {"name": (65, 0, 66, 0, 67, 0)}})
    ring = EXAMPLE.rings[1]
    assert b"A\0\0\0\0\0" == image[ring.address(0) + 5:ring.address(0) + 11]


@pytest.mark.parametrize(("group", "values", "code", "message", "help"), [
    ("limits", {"current": (4001,)}, "PS506",
     "`current` = 4.001 A is above its maximum 4 A", "give a value from 0 A to 4 A"),
    ("limits", {"gain": (-10.5,)}, "PS506",
     "`gain` = -10.5 is below its minimum -10", "give a value from -10 to 10"),
    ("limits", {"flow.x": (0, 5, 5)}, "PS509", "`flow.x` must rise: 5 follows 5", ""),
    ("user", {"low": (4,)}, "PS510", "`low` = 22 degC must be below `high` = 22 degC",
     "lower `low`, or raise `high`"),
    ("user", {"name": (0xC3, 0x28, 0, 0, 0, 0)}, "PS508",
     "`name` does not hold UTF-8 text", ""),
])
def test_values_that_break_the_schema_are_refused(
    group: str, values: Any, code: str, message: str, help: str
) -> None:
    """No image is made that firmware would not accept."""
    with pytest.raises(FindingsError) as caught:
        pack(EXAMPLE, {group: values}, defaults=True)
    (finding,) = caught.value.findings
    assert (code, message, help) == (finding.code, finding.message, finding.help)


@pytest.mark.parametrize("values", [
    {"nobody": {}}, {"user": {"nothing": (1,)}}, {"user": {"low": (1, 2)}},
    {"user": {"low": (1000,)}}, {"limits": {"gain": (float("nan"),)}},
])
def test_values_without_bytes_are_refused(values: Any) -> None:
    """What has no place in a record is an error of its own kind."""
    with pytest.raises(CodecError):
        pack(EXAMPLE, values)


EVERY_KIND = plan_of(
    Schema("every_kind", part(4096, 32), (Group("all", 1, Role.SETTING, 1.0, (
        *(one(f"n_{name}", name, s.minimum, s.maximum) for name, s in SCALARS.items()),
        one("flag", "u64", 1 << 63, kind=Kind.FLAGS, members=(("top", 63),)),
        one("day", "u16", 65535, kind=Kind.DATE),
        one("scaled", "i32", -1, scale=Decimal("1e-9"), offset=Decimal("1e9")),
        Parameter("line", Kind.CURVE, (
            Field("line.x", Kind.CURVE, SCALARS["f64"], 2, (-1e300, 1e300), rising=True),
            Field("line.y", Kind.CURVE, SCALARS["u8"], 2, (0, 255)),
        )),
    )),)), [2], [3],
)


def test_every_scalar_at_both_ends() -> None:
    """The ends of every stored type survive packing, and the independent decoder sees them."""
    image = pack(EVERY_KIND, {}, defaults=True)
    decoded = decode_image(image, layout_object(EVERY_KIND), "every_kind")
    fields = EVERY_KIND.rings[0].group.fields
    expected = {f.name: f.default for f in fields}
    assert expected == unpack(EVERY_KIND, image).group("all").values
    assert expected == decoded["groups"][1]["fields"]


def test_a_released_layout_is_named_in_the_label() -> None:
    """The release number of the plan stands in both label copies."""
    contents = unpack(EXAMPLE, pack(replace(EXAMPLE, release=3), {}, defaults=True))
    assert [3, 3] == [label and label.release for label in contents.labels]
    assert RecordState.VALID is contents.groups[0].slots[0].record.state


def test_what_no_value_is_given_for() -> None:
    """Of protected groups: those without any value, and the parameters without one."""
    given = {"limits": {"current": (5,), "flow.x": (0, 1, 2), "flow.y": (0, 0, 0)}}
    assert {"limits": ("gain",)} == left_out(EXAMPLE, given)
    assert () == ungiven(EXAMPLE, given)
    for nothing in ({}, {"limits": {}}):
        assert {"limits": ("current", "gain", "flow")} == left_out(EXAMPLE, nothing)
        assert ("limits",) == ungiven(EXAMPLE, nothing)
