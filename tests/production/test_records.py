"""Records: each serial number is given once, and what was recorded stays."""

from __future__ import annotations

import multiprocessing
import sqlite3
from multiprocessing.synchronize import Barrier
from pathlib import Path

import pytest

from paramstore.core.errors import ToolError
from paramstore.production.export import last_event
from paramstore.production.records import (
    Batch,
    Event,
    NewUnit,
    Records,
    SerialsExhausted,
    SerialTaken,
)
from paramstore.production.serials import Pattern

PATTERN = Pattern("DP-", 2, "")
AT = "2026-03-01T08:00:00Z"


def begun(path: Path, *names: str) -> Records:
    records = Records(str(path), create=True)
    for name in names or ("lot1",):
        records.begin_batch(Batch(name, 0, "{}", "a.b", "", AT))
    return records


def wanted(*numbers: int) -> list[NewUnit]:
    return [NewUnit(n, f"[trim]\nlow = {n}") for n in numbers]


def test_numbers_follow_each_other(tmp_path: Path) -> None:
    """From the first on, over batches and openings of the file; a row keeps its number."""
    with begun(tmp_path / "r.db", "lot1", "lot2") as records:
        assert ["DP-05", "DP-06"] == records.allot("lot1", wanted(1, 2), AT, PATTERN, first=5)
        assert ["DP-07"] == records.allot("lot2", wanted(1), AT, PATTERN)
    with Records(str(tmp_path / "r.db")) as records:
        assert ["DP-06", "DP-08"] == records.allot("lot1", wanted(2, 3), AT, PATTERN)
        assert 91 == records.numbers_left(PATTERN, 1)
        assert ["DP-05", "DP-06", "DP-07", "DP-08"] == [u.serial for u in records.units()]


def test_a_number_taken_by_a_table_is_passed_over(tmp_path: Path) -> None:
    """Serial numbers from tables and from patterns are one stock."""
    with begun(tmp_path / "r.db") as records:
        assert ["DP-01"] == records.allot("lot1", [NewUnit(1, "", "DP-01")], AT)
        assert ["DP-02"] == records.allot("lot1", wanted(2), AT, PATTERN)


def test_a_refused_allotment_leaves_nothing(tmp_path: Path) -> None:
    """A serial number of another batch, or a pattern that ends, undoes the whole transaction."""
    with begun(tmp_path / "r.db", "lot1", "lot2") as records:
        records.allot("lot1", [NewUnit(1, "", "A1")], AT)
        with pytest.raises(SerialTaken) as taken:
            records.allot("lot2", [NewUnit(1, "", "A2"), NewUnit(2, "", "A1")], AT)
        assert ("A1", "lot1") == (taken.value.serial, taken.value.batch)
        with pytest.raises(SerialsExhausted):
            records.allot("lot2", wanted(*range(200)), AT, PATTERN)
        assert ["A1"] == [u.serial for u in records.units()]
        assert ["A1"] == records.allot("lot2", [NewUnit(2, "", "A1")], AT, again=True)
        assert ["lot1", "lot2"] == [i.batch for u in records.units() for i in u.images]


def test_values_are_fixed_once_an_image_was_made(tmp_path: Path) -> None:
    """Before that a repeated run may bring others; after it the first ones stay."""
    with begun(tmp_path / "r.db") as records:
        for given in ("low = 1", "low = 2"):
            records.allot("lot1", [NewUnit(1, given, "A1")], AT)
        assert {} == records.given("lot1", ["A1"])
        records.record_packed("lot1", [("A1", "ab" * 32)], AT)
        records.record_packed("lot1", [("A1", "cd" * 32)], "later")
        records.allot("lot1", [NewUnit(1, "low = 3", "A1")], AT)
        assert {"A1": "low = 2"} == records.given("lot1", ["A1", "A2"])
        (unit,) = records.units()
        assert [("ab" * 32, AT)] == [(i.sha256, i.packed) for i in unit.images]
        assert "A1" == records.serial_of_image("ab" * 32)
        assert None is records.serial_of_image("cd" * 32)


def test_events_are_kept_in_order(tmp_path: Path) -> None:
    """What was done with the part of a unit, good or not."""
    with begun(tmp_path / "r.db") as records:
        records.allot("lot1", [NewUnit(1, "", "A1")], AT)
        events = [Event(AT, "write", False, "no answer"), Event(AT, "write", True, "12 pages")]
        for event in events:
            records.add_event("A1", event)
        unit = records.unit("A1")
        assert unit and tuple(events) == unit.events
        assert None is records.unit("A2")


def test_an_event_is_one_of_its_image(tmp_path: Path) -> None:
    """A unit that another batch made again counts as written with that image only once it was; an
    event whose image is not known counts with all."""
    with begun(tmp_path / "r.db", "lot1", "lot2") as records:
        for batch, digest in (("lot1", "11aa"), ("lot2", "22bb")):
            records.allot(batch, [NewUnit(1, "", "A1")], AT, again=True)
            records.record_packed(batch, [("A1", digest)], AT)
        records.add_event("A1", Event(AT, "write", True, "12 pages", "11aa"))
        records.add_event("A1", Event(AT, "verify", True, "equal"))

        def seen(batch: str | None) -> list[bool]:
            (unit,) = records.units(batch=batch)
            return [last_event(unit, what) is not None for what in ("write", "verify")]

        assert ([True, True], [False, True], [False, True]) == (
            seen("lot1"), seen("lot2"), seen(None))
        records.add_event("A1", Event(AT, "write", True, "3 pages", "22bb"))
        assert [True, False] == seen(None)
        unit = records.unit("A1", "lot1")  # its part has had another image since
        assert unit and None is last_event(unit, "write")


def test_a_kind_of_event_counts_until_the_part_is_touched_again(tmp_path: Path) -> None:
    """A comparison says nothing once a write began; a write says nothing once another one began,
    other values were given or the part was erased, and that is told instead."""
    with begun(tmp_path / "r.db", "lot1") as records:
        records.allot("lot1", [NewUnit(1, "", "A1")], AT)
        records.record_packed("lot1", [("A1", "11aa")], AT)

        def after(*events: Event) -> list[Event | None]:
            for event in events:
                records.add_event("A1", event)
            unit = records.unit("A1")
            assert unit
            return [last_event(unit, what) for what in ("write", "verify")]

        begin = Event(AT, "begin", False, "3 pages", "11aa")
        write = Event(AT, "write", True, "3 pages", "11aa", "{}")
        verify = Event(AT, "verify", True, "equal", "11aa", "{}")
        assert [begin, None] == after(begin)
        assert [write, None] == after(write)
        assert [write, verify] == after(verify)
        for event in (begin, Event(AT, "change", True, "other"), Event(AT, "erase", True, "")):
            assert [event, None] == after(event)
            assert [write, verify] == after(write, verify)


def test_units_are_found_by_number_value_and_digest(tmp_path: Path) -> None:
    """Any case of letters; signs that SQL knows mean themselves."""
    with begun(tmp_path / "r.db", "lot1", "lot2") as records:
        records.allot("lot1", [NewUnit(1, 'label = "50 %"', "AB-1"),
                               NewUnit(2, 'label = "50_1"', "AB-2")], AT)
        records.allot("lot2", [NewUnit(1, 'label = "x"', "CD-1")], AT)
        records.record_packed("lot2", [("CD-1", "12ef")], AT)
        found = {text: [u.serial for u in records.units(text)]
                 for text in ("ab-", "50 %", "50_", "%", "12EF", "nothing")}
        assert {"ab-": ["AB-1", "AB-2"], "50 %": ["AB-1"], "50_": ["AB-2"], "%": ["AB-1"],
                "12EF": ["CD-1"], "nothing": []} == found
        assert ["CD-1"] == [u.serial for u in records.units(batch="lot2")]


def test_a_unit_is_shown_as_the_batch_made_it(tmp_path: Path) -> None:
    """That batch alone, its row and its image; without a batch, every image."""
    with begun(tmp_path / "r.db", "lot1", "lot2") as records:
        records.allot("lot1", [NewUnit(2, "low = 1", "A1")], AT)
        records.record_packed("lot1", [("A1", "11aa")], AT)
        records.allot("lot2", [NewUnit(1, "", "A2"), NewUnit(3, "low = 2", "A1")], AT, again=True)
        records.record_packed("lot2", [("A1", "22bb")], AT)
        shown = {batch: [(u.serial, *((i.batch, i.row, i.sha256) for i in u.images))
                         for u in records.units("A1", batch)] for batch in ("lot1", "lot2", None)}
        one, two = ("lot1", 2, "11aa"), ("lot2", 3, "22bb")
        assert {"lot1": [("A1", one)], "lot2": [("A1", two)], None: [("A1", one, two)]} == shown
        assert [] == list(records.units("22bb", "lot1"))
        assert None is records.unit("A2", "lot1")
        unit = records.unit("A1", "lot1")
        assert unit and one[0] == unit.image.batch


def test_files_that_are_no_records_are_told(tmp_path: Path) -> None:
    """A missing file, a text, another database, a newer version, a folder: no traceback, and they
    stay as they are."""
    other, newer, text, short, empty = (
        tmp_path / f"{n}.db" for n in ("other", "newer", "text", "short", "empty"))
    short.write_text("x")
    empty.touch()
    with sqlite3.connect(other) as db:
        db.execute("CREATE TABLE mine (a)")
    begun(newer).__exit__(None, None, None)
    with sqlite3.connect(newer) as db:
        db.execute("PRAGMA user_version = 5")
    text.write_text("no database, but a text that is longer than the head of one" * 20)
    before = {path: path.read_bytes() for path in (other, newer, text, short, empty)}
    none = tmp_path / "none.db"
    for path, told in {other: "not one of unit records", newer: "version 5", text: "not a database",
                       short: "not a database", empty: "no records", none: "no records",
                       tmp_path: "no records"}.items():
        with pytest.raises(ToolError, match=told):
            Records(str(path))
    assert before == {path: path.read_bytes() for path in before}
    with pytest.raises(ToolError, match="cannot be used"):
        Records(str(tmp_path), create=True)
    with pytest.raises(ToolError, match="not a database"):
        Records(str(short), create=True)
    assert "x" == short.read_text()
    begun(empty).__exit__(None, None, None)


def open_together(paths: list[str], batch: str, start: Barrier) -> None:
    for path in paths:
        start.wait()
        with Records(path, create=True) as records:
            records.begin_batch(Batch(batch, 0, "{}", "a.b", "", AT))


@pytest.mark.parametrize(("count", "files"), [(2, 50), (8, 10)])
def test_new_records_are_begun_by_several_at_the_same_moment(count: int, files: int,
                                                             tmp_path: Path) -> None:
    """None is refused, however often it is tried: they wait until one has made the file."""
    context = multiprocessing.get_context("fork")
    start = context.Barrier(count, timeout=60)
    paths = [str(tmp_path / f"{n}.db") for n in range(files)]
    names = [f"lot{n}" for n in range(count)]
    runs = [context.Process(target=open_together, args=(paths, name, start)) for name in names]
    for run in runs:
        run.start()
    for run in runs:
        run.join()
    assert [0] * count == [run.exitcode for run in runs]
    for path in paths:
        with Records(path) as records:
            assert set(names) == {b.name for b in records.batches()}


def take_twenty(path: str, batch: str) -> None:
    with Records(path, create=True) as records:
        records.begin_batch(Batch(batch, 0, "{}", "a.b", "", AT))
        for row in range(20):
            records.allot(batch, wanted(row), AT, PATTERN)


def test_runs_at_once_never_share_a_number(tmp_path: Path) -> None:
    """Four processes begin the same file together and take numbers one by one."""
    context = multiprocessing.get_context("fork")
    path = str(tmp_path / "r.db")
    runs = [context.Process(target=take_twenty, args=(path, f"lot{n}")) for n in range(4)]
    for run in runs:
        run.start()
    for run in runs:
        run.join()
    assert [0] * 4 == [run.exitcode for run in runs]
    with Records(path) as records:
        units = list(records.units())
    assert [f"DP-{n:02}" for n in range(1, 81)] == [u.serial for u in units]
    assert 80 == len({(u.batch, u.image.row) for u in units})


def test_records_say_what_they_are(tmp_path: Path) -> None:
    """What looks at the head of a file finds the application and the version of the tables."""
    path = tmp_path / "r.db"
    begun(path).__exit__(None, None, None)
    head = path.read_bytes()[:100]
    # https://www.sqlite.org/fileformat.html, 1.3: user version at 60, application id at 68.
    assert (4, b"PSR1") == (int.from_bytes(head[60:64], "big"), head[68:72])
