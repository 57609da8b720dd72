"""A small store and tables for it, all invented, that the tests of this package share."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

from paramstore.core.errors import SourceText
from paramstore.files.forms import FORMS
from paramstore.image.pack import complete, left_out, ungiven
from paramstore.layout.plan import Plan
from paramstore.production.batch import BatchJob
from paramstore.production.outputs import open_output
from paramstore.production.records import Records
from paramstore.production.serials import SerialPlace, read_pattern, serial_place
from paramstore.releases.project import open_project

__all__ = ["HEAD", "PATTERN", "SCHEMA", "job_of", "made", "place", "plan", "rows"]

SCHEMA = """
[store]
name = "dosing_pump"
part = "24LC16B"
[group.identity]
role = "identity"
writes = "4 per life"
[group.identity.parameter]
serial = { type = "text", size = 10 }
board = { type = "u8", min = 1, max = 9, default = 1 }
kind = { type = "enum", members = ["hose", "piston"], default = "hose" }
fitted = { type = "flags", members = ["display", "relay"] }
made = { type = "date" }
[group.trim]
role = "calibration"
writes = "1 per year"
[group.trim.parameter]
flow = { type = "f32", unit = "ml/turn", min = 0.5, max = 9, default = 2 }
zero = { type = "i16", scale = 0.1, unit = "uV", min = -500, max = 500 }
steps = { type = "u16", count = 3, default = 7 }
low = { type = "u16", default = 10, max = 500, below = "high" }
high = { type = "u16", default = 90, max = 500 }
[group.trim.parameter.lift]
type = "curve"
points = 2
x = { type = "u8", unit = "V" }
y = { type = "i8", scale = 0.5, unit = "mm" }
default = [[0, 0], [10, 5]]
[group.settings]
role = "setting"
writes = "1 per day"
[group.settings.parameter]
label = { type = "text", size = 8, default = "pump" }
key = { type = "bytes", size = 2, default = "00 00" }
quiet = { type = "bool" }
"""
HEAD = "identity.serial,trim.flow [ml/turn]"
PATTERN = "DP-####"


def plan() -> Plan:
    return open_project(SourceText("pump.toml", SCHEMA)).plan


def place(of: Plan) -> SerialPlace:
    return serial_place(of.schema)


def rows(count: int, head: str = "trim.flow [ml/turn],settings.label") -> str:
    """A table without serial numbers; every row differs."""
    return head + "\n" + "".join(f"{1 + i / 128},no {i}\n" for i in range(count))


def job_of(table: Path, *, pattern: str | None = PATTERN, name: str = "lot1", first: int = 1,
           values: Mapping[str, Mapping[str, tuple[int | float, ...]]] | None = None,
           again: bool = False, calibrations: Path | None = None, defaults: bool = False,
           now: Callable[[], str] = lambda: "2026-03-01T08:00:00Z") -> BatchJob:
    of = plan()
    return BatchJob(
        of, str(table), name, complete(of, values or {}), place(of), now, FORMS["bin"], ".bin",
        read_pattern(pattern, place(of)) if pattern else None, first, again,
        str(calibrations) if calibrations else None,
        tuple(g for g in ungiven(of, values or {}) if g != place(of).group.name), defaults,
        {g: tuple(n for n in names if n != "serial")
         for g, names in left_out(of, values or {}).items()})


def made(job: BatchJob, records: Path, output: Path) -> dict[str, bytes]:
    """Check and run a batch; return the images in the folder `output` by serial number."""
    with Records(str(records), create=True) as kept, open_output(str(output)) as out:
        assert () == tuple(f for f in job.check(kept).findings if f.severity == "error")
        job.run(kept, out)
    return {p.stem: p.read_bytes() for p in output.iterdir()}
