"""Which unit a part is, by what it holds."""

from __future__ import annotations

from pathlib import Path

from paramstore.core.errors import SourceText
from paramstore.files.forms import FORMS
from paramstore.image.contents import unpack
from paramstore.image.pack import complete, pack
from paramstore.production.batch import BatchJob
from paramstore.production.held import holder_of
from paramstore.production.records import Records
from paramstore.production.serials import read_pattern, serial_place
from paramstore.releases.project import open_project
from tests.production.jobs import SCHEMA, job_of, made, rows

NUMBERED = SCHEMA.replace('serial = { type = "text", size = 10 }', 'number = { type = "u32" }')


def test_a_number_does_not_tell_its_zeros(tmp_path: Path) -> None:
    """Units 0001 to 0012: the part of unit 0001 holds 1, which 0010 to 0012 contain as well."""
    plan = open_project(SourceText("pump.toml", NUMBERED)).plan
    place = serial_place(plan.schema, "identity.number")
    table = tmp_path / "t.csv"
    table.write_text(rows(12), "utf-8")
    job = BatchJob(plan, str(table), "lot1", complete(plan, {}), place,
                   lambda: "2026-03-01T08:00:00Z", FORMS["bin"], ".bin",
                   read_pattern("####", place), 1, False, None)
    images = made(job, tmp_path / "r.db", tmp_path / "out")
    with Records(str(tmp_path / "r.db")) as records:
        for serial in ("0001", "0010", "0012"):
            holder = holder_of(unpack(plan, images[serial]), records)
            assert holder is not None and holder.unit is not None
            assert (serial, serial) == (holder.serial, holder.unit.serial)
        blank = bytes([0xFF]) * plan.part.capacity
        assert holder_of(unpack(plan, blank), records) is None
        other = pack(plan, complete(plan, {"identity": {"number": (77,)}}))
        assert ("77", None) == holder_of(unpack(plan, other), records)


def test_a_text_is_the_serial_number_or_none(tmp_path: Path) -> None:
    """Not one that it is part of; and a part whose text is empty has none."""
    table = tmp_path / "t.csv"
    table.write_text(rows(2), "utf-8")
    job = job_of(table)
    images = made(job, tmp_path / "r.db", tmp_path / "out")
    plan = job.plan
    with Records(str(tmp_path / "r.db")) as records:
        holder = holder_of(unpack(plan, images["DP-0002"]), records)
        assert holder is not None and "DP-0002" == holder.serial
        values = complete(plan, {"identity": {"serial": tuple(b"DP-000".ljust(10, b"\0"))}})
        assert ("DP-000", None) == holder_of(unpack(plan, pack(plan, values)), records)
        assert holder_of(unpack(plan, pack(plan, complete(plan, {}))), records) is None
