"""Whose part it is, and what is noted of it."""

from __future__ import annotations

from hashlib import sha256
from pathlib import Path

import pytest

from paramstore.image.contents import Contents, unpack
from paramstore.image.pack import pack
from paramstore.production.journal import Journal
from paramstore.production.records import Batch, NewUnit, Records
from tests.production.jobs import plan

PLAN = plan()
AT = "2026-03-01T08:00:00Z"
BLANK = unpack(PLAN, b"\xff" * PLAN.part.capacity)


def part(serial: str, low: int = 10) -> Contents:
    raws = tuple(serial.encode().ljust(10, b"\0"))
    return unpack(PLAN, pack(PLAN, {"identity": {"serial": raws}, "trim": {"low": (low,)}}))


@pytest.fixture
def path(tmp_path: Path) -> str:
    """Records of two units, whose images are made."""
    path = str(tmp_path / "r.db")
    with Records(path, create=True) as records:
        records.begin_batch(Batch("lot", 0, "{}", "identity.serial", ""))
        records.allot("lot", [NewUnit(1, "", "A1"), NewUnit(2, "", "B2")], AT)
        records.record_packed(
            "lot", [(s, sha256(part(s).image).hexdigest()) for s in ("A1", "B2")], AT)
    return path


def events(path: str, serial: str) -> list[tuple[str, bool, str]]:
    with Records(path) as records:
        unit = records.unit(serial)
    assert unit is not None
    return [(e.what, e.good, e.detail) for e in unit.events]


def test_an_image_on_a_blank_part_is_noted_for_its_unit(path: str) -> None:
    """The beginning, with nothing known, and the end with what is there."""
    journal = Journal(path, lambda: AT, part("A1"))
    assert f"{path}: noted for unit A1" == journal.begin(BLANK, "9 pages")
    with Records(path) as records:
        unit = records.unit("A1")
        assert unit is not None and unit.last_reading is None
    journal.end("write", True, "equal", part("A1"))
    assert [("begin", False, "9 pages"), ("write", True, "equal")] == events(path, "A1")


def test_a_part_that_becomes_another_unit_is_noted_for_both(path: str) -> None:
    """The old unit has no part any more; if the write ended before that, it still has."""
    for after, told in ((part("A1"), []), (part("B2"), [
            ("erase", True, "its part became unit B2")])):
        journal = Journal(path, lambda: AT, part("B2"))
        journal.begin(part("A1"), "")
        journal.end("write", after != part("A1"), "", after)
        assert told == [e for e in events(path, "A1") if e[0] == "erase"]
    assert ("write", True, "") == events(path, "B2")[-1]
    assert ("write", False, "") in events(path, "A1")


def test_an_erased_part_is_noted_for_the_unit_that_it_was(path: str) -> None:
    """Its serial number is gone by then."""
    journal = Journal(path, lambda: AT)
    journal.begin(part("A1"), "")
    assert "noted for unit A1" in journal.end("erase", True, "blank", BLANK)
    assert ("erase", True, "blank") == events(path, "A1")[-1]


def test_a_part_of_nobody_is_told(path: str) -> None:
    """Without a number, or with one that is not on record; an image of nobody as well."""
    for contents, why in ((BLANK, "the part has no serial number"),
                          (part("X9"), "unit `X9` is not on record")):
        journal = Journal(path, lambda: AT)
        told = f"{path}: {why}; nothing was noted"
        assert [told, told] == [journal.begin(contents, ""),
                                journal.end("change", True, "", contents)]
    journal = Journal(path, lambda: AT, part("A1", low=80))
    assert "the image is of no unit on record" in journal.begin(BLANK, "")
    assert [] == events(path, "A1") == events(path, "B2")


def test_what_cannot_be_read_is_not_known(path: str) -> None:
    """After a failure that took the part along."""
    journal = Journal(path, lambda: AT)
    journal.begin(part("A1"), "")
    journal.end("change", False, "no answer", None)
    with Records(path) as records:
        unit = records.unit("A1")
    assert unit is not None and unit.last_reading is None
    assert ("change", False, "no answer") == events(path, "A1")[-1]
