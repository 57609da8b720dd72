"""Print what a production run costs: layout and CRC, the whole run, the disk, memory.

    python -m tests.programs.batch_figures
    python -m tests.programs.batch_figures --units 2000 --json

Layout and CRC are compared with a loop as a careful person writes it by hand for this schema:
one `struct` for each group, straight-line code, and `zlib`'s CRC-32 (another polynomial than ours,
as there is none nearer in the standard library). Both make every record of a unit, every field
different in every unit, in the same process and run. The disk is compared with a loop that only
writes the same files. All times are medians. Memory is looked at for a tenth, for all, and for ten
times the units.
"""

from __future__ import annotations

import argparse
import json
import random
import shutil
import statistics
import struct
import tempfile
import time
import tracemalloc
import zlib
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from paramstore.core.disk import read_text
from paramstore.core.format import HEADER_BYTES
from paramstore.files.forms import FORMS
from paramstore.image.pack import complete
from paramstore.layout.plan import PlacedField, Plan, Reserved
from paramstore.production.batch import BatchJob
from paramstore.production.columnar import ColumnarPacker
from paramstore.production.outputs import open_output
from paramstore.production.records import Records
from paramstore.production.serials import read_pattern, serial_place
from paramstore.releases.project import open_project
from paramstore.schema.model import Field

__all__ = ["Figures", "HandWritten", "measure", "most_memory", "report", "unit_raws"]

SCHEMA = Path(__file__).parents[2] / "schemas" / "tank_probe.toml"
CHUNK = 1000
Raws = dict[str, dict[str, tuple[int | float, ...]]]


@dataclass(frozen=True)
class Figures:
    """Microseconds for a unit, if the name does not say otherwise."""

    units: int
    by_hand: float  # struct and zlib, records only
    columns: float  # ours as a batch calls it: whole images from columns
    check: float  # the table looked at
    run_folder: float  # the run after it: table, records, images, files
    run_archive: float
    files: float  # of it, the writing of files that appear whole or not at all
    archive: float
    plain_files: float  # the same files written and no more
    plain_archive: float
    memory_kib: dict[int, int]  # most of the Python heap in a run, by number of units


# ---- The loop written by hand -------------------------------------------------------------------


class HandWritten:
    """Straight-line code for the records of one schema, as `bytes` of all of them."""

    def __init__(self, plan: Plan) -> None:
        names: dict[str, Any] = {"crc32": zlib.crc32, "CRC": struct.Struct("<I")}
        lines = ["def records(unit):", " out = []"]
        for n, ring in enumerate(plan.rings):
            room = ring.body_bytes - ring.payload_bytes
            names[f"P{n}"] = struct.Struct("<" + "".join(map(_struct_form, ring.stretches)))
            names[f"T{n}"] = b"\xff" * room
            for stretch in ring.reserved:
                names[f"R{n}_{stretch.offset}"] = stretch.default
            given = ", ".join(
                f"R{n}_{s.offset}" if isinstance(s, Reserved)
                else f"bytes(g[{s.field.name!r}])" if s.field.kind in ("text", "bytes")
                else f"*g[{s.field.name!r}]" for s in ring.stretches)
            lines += [f" g = unit[{ring.group.name!r}]",
                      f" body = P{n}.pack({given})" + (f" + T{n}" if room else "")]
            for copy in range(ring.group.copies):
                head = struct.pack("<IB", copy + 1, ring.revision)
                names[f"H{n}_{copy}"] = head
                names[f"S{n}_{copy}"] = zlib.crc32(
                    plan.store_id.to_bytes(4, "little") + bytes([ring.group.id]) + head)
                lines.append(f" out += (H{n}_{copy}, body, CRC.pack(crc32(body, S{n}_{copy})))")
        lines.append(" return b''.join(out)")
        exec("\n".join(lines), names)
        self.records: Callable[[Raws], bytes] = names["records"]


def _struct_form(stretch: PlacedField | Reserved) -> str:
    if isinstance(stretch, Reserved):
        return f"{stretch.size}s"
    field = stretch.field
    text = field.kind in ("text", "bytes")
    return f"{field.count}{'s' if text else field.scalar.struct_code}"


def unit_raws(plan: Plan, number: int) -> Raws:
    """Return raws of every field, within its limits, that differ from unit to unit."""
    chance = random.Random(number)
    return {
        ring.group.name: {p.field.name: _raws(p.field, chance, number) for p in ring.fields}
        for ring in plan.rings
    }


def _raws(field: Field, chance: random.Random, number: int) -> tuple[int | float, ...]:
    if field.kind in ("text", "bytes"):
        return tuple(f"{number:06}".encode().ljust(field.count, b"\0"))
    if field.rising or field.limits.mask is not None or field.kind == "enum":
        return field.default
    low, high = field.limits.ranges[0] if field.limits.ranges else (
        field.scalar.minimum, field.scalar.maximum)
    if isinstance(low, float):
        return tuple(struct.unpack("<f", struct.pack("<f", chance.uniform(low, high)))[0]
                     for _ in range(field.count))
    low, high = int(low), int(high)
    middle = (low + high) // 2  # low limits below it, high ones above: rules between them hold
    span = (middle, high) if field.name.endswith("_high") else (low, middle)
    return tuple(chance.randint(span[0], max(span[0], span[1] - 1)) for _ in range(field.count))


# ---- Measuring ----------------------------------------------------------------------------------


def measure(units: int, repeats: int = 3) -> Figures:
    """Measure everything; times are medians of `repeats`."""
    plan = open_project(read_text(SCHEMA)).plan
    raws = [unit_raws(plan, n) for n in range(units)]
    packer = ColumnarPacker(plan, complete(plan, {}))
    hand = HandWritten(plan)
    _same_bytes(plan, packer, hand, raws[:50])
    columns = {
        (r.group.name, p.field.name): np.array(
            [u[r.group.name][p.field.name] for u in raws],
            f"<{p.field.scalar.struct_code}")
        for r in plan.rings for p in r.fields
    }
    place = serial_place(plan.schema)
    serials = {place.key: [place.raws(f"{n:06}") for n in range(units)]}
    chunks = [(min(CHUNK, units - at), {
        key: column[at:at + CHUNK] for key, column in (columns | serials).items()})
        for at in range(0, units, CHUNK)]
    by_hand = _median(_seconds(lambda: [hand.records(u) for u in raws]) for _ in range(repeats))
    by_columns = _median(_seconds(lambda: [
        packer.pack([None] * count, chunk) for count, chunk in chunks]) for _ in range(repeats))
    with tempfile.TemporaryDirectory() as folder:
        runs = [_run(plan, Path(folder) / f"run{n}", units) for n in range(repeats)]
        memory = {n: most_memory(plan, Path(folder) / f"m{n}", n)
                  for n in (units // 10, units, 10 * units)}
    times = (by_hand, by_columns, *map(_median, zip(*runs, strict=True)))
    return Figures(units, *(t / units * 1e6 for t in times), memory)


def _same_bytes(plan: Plan, packer: ColumnarPacker, hand: HandWritten,
                raws: Sequence[Raws]) -> None:
    """Both make the same records, but for the polynomial of the CRC."""
    for image, unit in zip(packer.pack(raws, {}), raws, strict=True):
        data, at = hand.records(unit), 0
        for ring in plan.rings:
            for copy in range(ring.group.copies):
                start, size = ring.address(copy), HEADER_BYTES + ring.body_bytes
                assert bytes(image[start:start + size]) == data[at:at + size]
                at += size + 4
        assert at == len(data)


def _median(times: Iterable[float]) -> float:
    return statistics.median(times)


def _seconds(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def _job(plan: Plan, folder: Path, units: int) -> BatchJob:
    folder.mkdir()
    table = folder / "units.csv"
    chance = random.Random(1)
    with table.open("w") as out:
        out.write("identity.hardware,factory.adc_reference [V],factory.adc_gain,"
                  "electrode.ph_slope [mV/pH],electrode.ph_zero [mV],settings.label\n")
        for n in range(units):
            out.write(f"3,{chance.uniform(2.41, 2.59):.4f},{chance.uniform(0.96, 1.04):.5f},"
                      f"{chance.uniform(-60, -50):.2f},{chance.uniform(-20, 20):.1f},tank {n}\n")
    place = serial_place(plan.schema)
    return BatchJob(plan, str(table), "lot", complete(plan, {}), place,
                    lambda: "2026-01-31T12:00:00Z", FORMS["bin"], ".bin",
                    read_pattern("TP-######", place))


def _run(plan: Plan, folder: Path, units: int) -> list[float]:
    """Return the times of the check, of both runs, and of only writing what they wrote."""
    job = _job(plan, folder, units)
    times = []
    for name in ("images", "images.tar"):
        with Records(str(folder / f"{name}.db"), create=True) as records:
            check = _seconds(lambda: job.check(records))
            with open_output(str(folder / name)) as output:
                times.append(_seconds(lambda: job.run(records, output)))
    images = [(file.name, file.read_bytes()) for file in sorted((folder / "images").iterdir())]
    archive = (folder / "images.tar").read_bytes()
    for name in ("again", "again.tar"):
        with open_output(str(folder / name)) as output:
            times.append(_seconds(lambda: [output.add(file, data) for file, data in images]))
    (folder / "plain").mkdir()
    times.append(_seconds(lambda: [
        (folder / "plain" / file).write_bytes(data) for file, data in images]))
    times.append(_seconds(lambda: (folder / "plain.tar").write_bytes(archive)))
    shutil.rmtree(folder)
    return [check, *times]


def most_memory(plan: Plan, folder: Path, units: int) -> int:
    """Return the most of the Python heap in a check and run, in KiB."""
    job = _job(plan, folder, units)
    with Records(str(folder / "r.db"), create=True) as records:
        tracemalloc.start()
        job.check(records)
        with open_output(str(folder / "images.tar")) as output:
            job.run(records, output)
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
    return peak // 1024


# ---- Report -------------------------------------------------------------------------------------


def report(figures: Figures) -> list[str]:
    """Return the lines for a person."""
    f = figures
    lines = [
        f"{f.units} units of tank_probe, microseconds for a unit",
        f"  struct + zlib by hand, all records    {f.by_hand:8.1f}",
        f"  by columns, whole images              {f.columns:8.1f}   "
        f"{f.by_hand / f.columns:.1f} times as fast",
        f"  look at the table (6 columns)         {f.check:8.1f}",
        f"  then the run into a folder            {f.run_folder:8.1f}   "
        f"of it the files {f.files:.1f}; plainly written {f.plain_files:.1f}",
        f"  or into an archive                    {f.run_archive:8.1f}   "
        f"of it the archive {f.archive:.1f}; plainly written {f.plain_archive:.1f}",
    ]
    return lines + [f"  most memory with {n:6} units        {kib:8} KiB"
                    for n, kib in f.memory_kib.items()]


def main(arguments: Sequence[str] | None = None) -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--units", type=int, default=10_000)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args(arguments)
    figures = measure(options.units)
    print(json.dumps(asdict(figures), indent=2) if options.json else "\n".join(report(figures)))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
