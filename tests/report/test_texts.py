"""What each report says, as text and as JSON, kept to be read.

The scenes are those of the rooms that find the facts.
"""

from __future__ import annotations

import json
import random
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from paramstore.bus.changes import Changes, value_changes
from paramstore.bus.compare import compare
from paramstore.bus.exact import erase_changes, exact_changes
from paramstore.core.disk import read_text
from paramstore.files.forms import FORMS, read_dump
from paramstore.image.contents import unpack
from paramstore.image.pack import complete, pack
from paramstore.inspect.differ import differences
from paramstore.inspect.examination import Examination
from paramstore.inspect.examine import examine
from paramstore.inspect.salvage import salvage
from paramstore.inspect.which import layouts_of
from paramstore.production.batch import BatchResult
from paramstore.production.export import Exporter
from paramstore.production.held import held_of
from paramstore.production.outputs import open_output
from paramstore.production.records import Event, Records
from paramstore.report import batch as batches
from paramstore.report import bus, fixed, units
from paramstore.report.changes import migration_data, migration_text
from paramstore.report.differences import difference_data, difference_text, equal_text
from paramstore.report.dump import dump_data, dump_text
from paramstore.report.places import place_data, place_text
from paramstore.report.salvage import salvage_data, salvage_text
from tests.goldens import golden
from tests.inspect.test_findings import cases, examined, put, without
from tests.inspect.test_honest import CURVES, IMAGE, ONLY
from tests.production.jobs import HEAD, job_of, plan
from tests.releases.histories import tank_probe
from tests.releases.units import Unit
from tests.schema.fixed.legacy import legacy

GOLDEN = Path(__file__).parent / "golden"
SCHEMAS = Path(__file__).parents[2] / "schemas"
PUMP = plan()
BENCH = ONLY[0].plan


def flat(data: Any) -> str:
    """JSON with a line for each of the outermost entries."""
    entries = data.items() if isinstance(data, dict) else enumerate(data)
    return "".join(f"{key}: {json.dumps(value, ensure_ascii=False)}\n" for key, value in entries)


def check(name: str, texts: Mapping[str, str]) -> None:
    """Compare texts with those that are kept, each below its title."""
    text = "".join(f"==== {title}\n{body}" for title, body in texts.items())
    assert golden(GOLDEN / f"{name}.txt", text) == text


def unlike_first(texts: dict[str, str]) -> dict[str, str]:
    """The first text whole; of the others the lines that it does not have."""
    first, *_ = texts.values()
    same = set(first.splitlines())
    return {title: text if text is first else "".join(
        f"{line}\n" for line in text.splitlines() if line not in same)
        for title, text in texts.items()}


def test_dumps_of_stores() -> None:
    """What a damaged part says unlike a sound one, and what a salvage takes from it."""
    scenes = {name: examined(image) for name, image in cases().items()
              if "cut in page write" not in name}
    texts = unlike_first({name: dump_text(found) for name, found in scenes.items()})
    texts |= unlike_first({f"salvage: {name}": salvage_text(salvage(found))
                           for name, found in scenes.items()})
    one = scenes["one bit"]
    texts["salvage with repairs"] = salvage_text(salvage(one, repair=True))
    texts["data"] = flat(dump_data(one))
    texts["data of a salvage"] = flat(salvage_data(salvage(one)))
    check("dumps", texts)


def places(of: Any, names: list[str]) -> Iterator[tuple[str, str]]:
    kind = type(of).__name__ if isinstance(of, Examination) else "layout"
    for name in names:
        yield f"{kind}: {name}", place_text(of, name)
    yield f"{kind}: {names[0]} as data", flat(place_data(of, names[0]))
    yield f"{kind}: {names[-1]} as data", flat(place_data(of, names[-1]))


def test_places() -> None:
    """Bytes, bits and parameters of a store and a fixed layout, with a dump and without."""
    store = ["0x0000", "0x0004", "0x0F80", "0x0F85", "0x0F87.1", "0x0FA0", "0x01C5", "0x0EFF.7",
             "settings.gain", "alarms", "steps[7]", "curve.steps", "alarms.high"]
    whole, torn = examined(IMAGE), examined(cases()["many bits"])
    short = examined(IMAGE[:0xFA4])
    layout = layouts_of(read_text(SCHEMAS / "tank_probe.fixed.toml"))
    old = examine(read_dump(legacy(), "old.bin", FORMS["bin"]), layout)
    bad = examine(read_dump(legacy(mode=7, reference=0xFFFF)[:40], "old.bin", FORMS["bin"]), layout)
    fixed_names = ["0x0000", "0x000E", "0x000E.5", "0x001A", "0x0010", "0x0028", "0x0035", "0x003A",
                   "settings.interval", "options", "settings.alarms.ph", "running"]
    texts: dict[str, str] = {}
    for number, (of, names) in enumerate((
            (ONLY[0], store), (whole, store), (torn, store[2:6]), (short, store[2:9]),
            (layout[0], fixed_names), (old, fixed_names), (bad, fixed_names))):
        texts |= {f"{number} {title}": text for title, text in places(of, names)}
    check("places", texts)


def test_fixed_layouts() -> None:
    """The layout, and dumps of it: sound, damaged, cut short."""
    texts = {}
    for name in ("tank_probe", "edid"):
        layout = layouts_of(read_text(SCHEMAS / f"{name}.fixed.toml"))[0]
        texts[f"{name}: plan"] = fixed.fixed_plan_text(layout)  # type: ignore[arg-type]
        if name == "tank_probe":
            data = fixed.fixed_plan_data(layout)  # type: ignore[arg-type]
            texts["tank_probe: plan as data"] = flat(data)
    layouts = layouts_of(read_text(SCHEMAS / "tank_probe.fixed.toml"))
    damaged = bytearray(legacy())
    damaged[16] ^= 1
    for title, image in (("sound", legacy()), ("damaged", bytes(damaged)), ("short", legacy()[:40]),
                         ("odd values", legacy(mode=7, reference=0xFFFF, ph_low=200))):
        found: Any = examine(read_dump(image, "old.bin", FORMS["bin"]), layouts)
        texts |= {title: fixed.fixed_text(found),
                  f"{title}: TOML": fixed.fixed_toml(found.contents),
                  f"{title}: data": flat(fixed.fixed_data(found))}
    check("fixed", texts)


def test_differences() -> None:
    """Of two dumps: values, and bytes with their owners."""
    one = examined(CURVES)
    texts = {}
    for title, other in (("nothing", CURVES), ("other values", IMAGE),
                         ("bytes", put(put(CURVES, 0x1C5, b"\0\1\2"), 0x7, b"\0")),
                         ("a record less", without(CURVES, BENCH.ring("curve"), 0, 1, 2)),
                         ("the end is missing", CURVES[:0xFA0])):
        values, ranges = differences(one, examined(other))
        texts |= {title: difference_text(values, ranges),
                  f"{title}: data": flat(difference_data(values, ranges))}
        if not values and ranges:
            texts[f"{title}: equal values"] = equal_text(ranges)
    check("differences", texts)


def bus_texts(title: str, changes: Changes) -> dict[str, str]:
    """What would be done, what was done, and the same as data."""
    say, data = (bus.erase_text, bus.erase_data) if title.startswith("erase") else (
        bus.changes_text, bus.changes_data)
    return {title: say("bus 1", changes, done=False, khz=100, backup="old.bin"),
            f"{title}: done": say("bus 1", changes, done=True, khz=100, backup="old.bin"),
            f"{title}: data": flat(data("bus 1", changes, done=True))}


def test_parts_on_a_bus() -> None:
    """What is written, kept, erased, and how a part differs from what was wanted."""
    values = {"identity": {"board": (3,)}, "trim": {"low": (20,)}, "settings": {"quiet": (1,)}}
    wanted = complete(PUMP, values | {"settings": {"label": tuple(b"new\0\0\0\0\0")}})
    unit, blank = pack(PUMP, values), b"\xff" * PUMP.part.capacity
    lost = put(unit, PUMP.ring("trim").address(0), bytes(200))
    bare = pack(PUMP, {"settings": {"quiet": (1,)}})
    texts: dict[str, str] = {}
    for title, image, asked, unlock in (
            ("blank part", blank, values, False), ("the same", unit, values, False),
            ("other settings", unit, {"settings": wanted["settings"]}, False),
            ("other trim", unit, {"trim": {"low": (21,)}}, False),
            ("other trim, unlocked", unit, {"trim": {"low": (21,)}}, True),
            ("a lost group", lost, values, True), ("some values", blank, {"trim": {"low": (9,)}},
                                                    False),
            ("a first record", bare, {"trim": {"flow": (3.0,)}}, True)):
        texts |= bus_texts(title, value_changes(unpack(PUMP, image), asked, "part", unlock=unlock))
    texts |= bus_texts("exact", exact_changes(
        unpack(PUMP, lost), unpack(PUMP, unit), "part", unlock=True))
    for title, image in (("erase a unit", unit), ("erase a blank part", blank),
                         ("erase strange bytes", bytes(PUMP.part.capacity)),
                         ("erase a bare unit", bare)):
        texts |= bus_texts(title, erase_changes(unpack(PUMP, image)))
    full = complete(PUMP, values)
    for title, image in (("equal", unit), ("lost", lost), ("none", bare), ("bytes", put(
            unit, 0x500, bytes(20)))):
        found = compare(unpack(PUMP, image), full | {"settings": wanted["settings"]} if
                        title == "lost" else full, unpack(PUMP, unit), exact=title == "bytes")
        texts |= {f"compare: {title}": bus.comparison_text(PUMP, "bus 1", found),
                  f"compare: {title}: data": flat(bus.comparison_data(PUMP, "bus 1", found))}
    check("bus", texts)


def test_batches_and_units(tmp_path: Path) -> None:
    """A table that was looked at, what was made of it, and the units on record."""
    table = tmp_path / "lot1.csv"
    table.write_text(f"{HEAD},settings.label,trim.steps\nA1,2.5,one,1; 2; 3\nA2,-,two,-\n"
                     "A3,9,\"\",7\n")
    job, texts = job_of(table, pattern=None), {}
    with Records(str(tmp_path / "r.db"), create=True) as records:
        before = job.check(records)
        with open_output(str(tmp_path / "out")) as output:
            result = job.run(records, output)
        again = job.check(records)
        job.table = "lot1.csv"
        for title, found in (("first", before), ("again", again)):
            texts[f"checked, {title}"] = batches.checked_text(job, found)
            texts[f"checked, {title}: data"] = flat(batches.batch_data(
                job, found, result if title == "first" else None))
        texts["checked, with mistakes"] = batches.checked_text(job, replace(before, rows=9, bad=6))
        texts["made"] = batches.batch_text(job, result, "out", "r.db")
        texts["made again"] = batches.batch_text(job, BatchResult(3, 0, 2), "out", "r.db")
        job.defaults = True
        texts["checked, with defaults"] = batches.checked_text(job, before)
        records.add_event("A1", Event("2026-03-02T09:00:00Z", "write", False, "no answer"))
        records.add_event("A1", Event("2026-03-02T09:05:00Z", "write", True, "9 pages"))
        records.add_event("A1", Event(
            "2026-03-02T09:06:00Z", "verify", True, "", held=held_of(unpack(
                PUMP, (tmp_path / "out" / "A1.bin").read_bytes()))))
        records.add_event("A3", Event("2026-03-02T09:06:00Z", "verify", False, "3 bytes differ"))
        exporter = Exporter(records)
        listed = list(records.units())
        values = [exporter.values(unit) for unit in listed]
        texts |= {"units": units.units_text(listed), "one unit": units.units_text(listed[:1]),
                  "no units": units.units_text([]), "units: data": flat(
                      units.units_data(values))}
        texts |= {f"record of {item.unit.serial}": units.record_html(item) for item in values}
    check("units", texts)


def test_migrations() -> None:
    """What became of each value, up and down."""
    past, texts = tank_probe(), {}
    for first, target in ((1, 5), (5, 1), (2, 3), (4, 4)):
        unit = Unit(past, first)
        unit.run(first, random.Random(first), every=True)
        items = unit.migrated(target).items
        texts |= {f"{first} to {target}": migration_text(items),
                  f"{first} to {target}: data": flat(migration_data(items))}
    check("migrations", texts)
