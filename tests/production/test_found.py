"""What a unit held before it is calibrated: from its part, from its record, converted as firmware
does."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from paramstore.core.errors import ToolError
from paramstore.image.contents import unpack
from paramstore.image.pack import complete, pack
from paramstore.production.export import Exporter, UnitValues
from paramstore.production.found import found_in, found_on_record, made_with, serial_in
from paramstore.production.held import held_of
from paramstore.production.records import Event, Records
from tests.production.jobs import HEAD, job_of, made, plan

PLAN = plan()
SERIAL = tuple(b"A1".ljust(10, b"\0"))


def on_record(folder: Path, head: str = HEAD, cells: str = "A1,2.5",
              held: bytes | None = None) -> UnitValues:
    """A unit that was made, and whose part was then read, if it holds anything."""
    (folder / "t.csv").write_text(f"{head}\n{cells}\n")
    made(job_of(folder / "t.csv", pattern=None), folder / "r.db", folder / "out")
    with Records(str(folder / "r.db")) as records:
        if held is not None:
            records.add_event("A1", Event("2026-03-02T09:00:00Z", "verify", True, "",
                                          held=held_of(unpack(PLAN, held))))
        (unit,) = records.units()
        return Exporter(records).values(unit)


def test_what_a_part_serves_is_found_in_its_dump() -> None:
    """Values of records, and defaults of groups without one, which are named."""
    image = pack(PLAN, {"trim": {"flow": (2.5,)}})
    found = found_in(unpack(PLAN, image), PLAN, "unit.bin")
    full = complete(PLAN, {"trim": {"flow": (2.5,)}})
    assert full == {name: dict(raws) for name, raws in found.raws.items()}
    assert ("read from unit.bin", frozenset({"identity"})) == (found.source, found.defaults)


@pytest.mark.parametrize(("lost", "refused"), [("trim", True), ("settings", False)])
def test_a_protected_group_must_have_a_sound_record(lost: str, refused: bool) -> None:
    """A damaged calibration is not served as one; settings may be defaults."""
    image = bytearray(pack(PLAN, {}, defaults=True))
    ring = PLAN.ring(lost)
    for slot in range(ring.slots):
        image[ring.address(slot) + 6] ^= 1
    contents = unpack(PLAN, bytes(image))
    if not refused:
        assert found_in(contents, PLAN, "x").raws
        return
    with pytest.raises(ToolError, match=f"`x` has no sound record of {lost}"):
        found_in(contents, PLAN, "x")


def test_a_part_of_another_store_has_nothing() -> None:
    """Nor has one whose label and records are gone."""
    other = replace(PLAN, store_id=PLAN.store_id ^ 1)
    for image in (pack(other, {}, defaults=True), bytes(PLAN.part.capacity)):
        with pytest.raises(ToolError, match="`x` holds no values of this store") as caught:
            found_in(unpack(PLAN, image), PLAN, "x")
        assert "--as-found" in caught.value.help


def test_a_record_gives_what_the_image_was_made_with(tmp_path: Path) -> None:
    """As long as nothing is known of the part itself."""
    item = on_record(tmp_path)
    found = found_on_record(item, PLAN)
    full = complete(PLAN, {"trim": {"flow": (2.5,)}, "identity": {"serial": SERIAL}})
    assert full == {name: dict(raws) for name, raws in found.raws.items()}
    assert "on record, the image of batch lot1" == found.source
    assert {name: full[name] for name in ("identity", "trim", "settings")} == made_with(item, PLAN)


def test_what_has_no_record_was_not_made(tmp_path: Path) -> None:
    """A unit without a calibration was made with none, and its defaults are named."""
    item = on_record(tmp_path, "identity.serial,settings.quiet", "A1,true")
    assert {"identity", "settings"} == made_with(item, PLAN).keys()
    assert frozenset({"trim"}) == found_on_record(item, PLAN).defaults


def test_the_part_as_it_was_read_counts_before_its_image(tmp_path: Path) -> None:
    """It may have been calibrated since; a group that it lacks has its default."""
    values = {"identity": {"serial": SERIAL}, "trim": {"flow": (3.5,)}}
    item = on_record(tmp_path, held=pack(PLAN, values))
    found = found_on_record(item, PLAN)
    assert ("on record, read from the part 2026-03-02T09:00:00Z", (3.5,)) == (
        found.source, found.raws["trim"]["flow"])
    assert (2.5,) == made_with(item, PLAN)["trim"]["flow"]


def test_another_store_is_another_layout(tmp_path: Path) -> None:
    """A record of another series or store says nothing of this plan."""
    item, other = on_record(tmp_path), replace(PLAN, store_id=PLAN.store_id ^ 1)
    for read in (found_on_record, made_with):
        with pytest.raises(ToolError, match="unit A1 is on record with another layout"):
            read(item, other)


def test_the_serial_number_that_a_unit_holds() -> None:
    """None if its group has no record: a default is no serial number."""
    for values, serial in (({"identity": {"serial": SERIAL}}, "A1"), ({}, "")):
        found = found_in(unpack(PLAN, pack(PLAN, values)), PLAN, "x")
        assert serial == serial_in(PLAN, "identity.serial", found)
