"""Tables of units, records, and calibrations."""

from __future__ import annotations

import csv
import random
import re
import sqlite3
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

from tests.programs.feeds.bench import Wrong, invoke, pick, put, sweep, unpacked
from tests.programs.feeds.inputs import TABLE, text_like
from tests.report.pages.markup import Markup

__all__ = ["feed_recipe", "feed_records", "feed_table"]


def feed_table(chance: random.Random) -> str:
    """A table of units."""
    content = text_like(chance, TABLE.encode())
    put("units.csv", content)
    more = chance.choice(((), (), ("--skip-bad",), ("--new-serials", "B-###"), ("--json",)))
    result = invoke("batch", "pump.toml", "units.csv", "-o", "out", "--records", "one.db", *more)
    what = "a table with mistakes"
    if result.exit_code == 0 and "--new-serials" not in more:
        what = "a table whose units are as it says"
        _compare_units(content)
    sweep("out", "one.db", "one.db-wal", "one.db-shm", "back.toml")
    put("units.csv", TABLE.encode())
    return what


def _compare_units(content: bytes) -> None:
    lines = [line for line in content.decode("utf-8-sig").replace("\r\n", "\n").split("\n")
             if line.strip(" \t,\r") and not line.lstrip().startswith("#")]
    rows = list(csv.reader(lines, skipinitialspace=True))
    heads = [re.sub(r"\s*\[.*", "", cell.strip()) for cell in rows[0]]
    for row in rows[1:4]:
        cells = dict(zip(heads, (c.strip() for c in row), strict=True))
        serial = cells["identity.serial"]
        held = unpacked("pump.toml", f"out/{serial}.bin")
        if held["identity"]["serial"] != serial:
            raise Wrong(f"unit {serial} is {held['identity']['serial']}")
        for head, text in cells.items():
            group, _, name = head.partition(".")
            value = held.get(group, {}).get(name)
            if re.fullmatch(r"-?\d+(\.\d+)?", text) and isinstance(value, int | float) and (
                    not isinstance(value, bool)):
                if abs(float(text) - value) > 0.051 + abs(value) * 1e-6:
                    raise Wrong(f"{head} of unit {serial} is {text}, and {value} is served")
            elif name == "label" and text and value != text.removeprefix("'") and value != text:
                raise Wrong(f"{head} of unit {serial} is {text!r}, and {value!r} is served")


_WITH_RECORDS = (
    (8, "units --records one.db"), (4, "units --records one.db --json"),
    (4, "units --records one.db --csv -"),
    (4, "units --records one.db --labels -"),
    (2, "units --records one.db A-001 --unit-record -"),
    (4, "differ pump.toml images/A-001.bin one.db"),
    (2, "batch pump.toml units.csv --records one.db -o out"),
    (2, "batch pump.toml units.csv --records one.db -o out --again --batch two"))


def feed_records(chance: random.Random) -> str:
    """A file of records."""
    data = bytearray(Path("kept.db").read_bytes())
    if chance.randrange(2):
        put("one.db", bytes(data))
        db = sqlite3.connect("one.db", isolation_level=None)
        table, columns = chance.choice((
            ("batch", ("name", "release", "plan", "serial_parameter", "constants")),
            ("unit", ("serial", "batch", "row", "number", "allotted")),
            ("image", ("given", "sha256", "packed", "row", "batch")),
            ("event", ("serial", "at", "what", "good", "detail"))))
        column = chance.choice(columns)
        old = db.execute(f"SELECT {column} FROM {table}").fetchone()
        new: Any = text_like(chance, str(old[0] if old else "").encode() or b"x")
        new = chance.choice((new, new.decode("utf-8", "replace"), chance.randrange(-9, 999), None))
        try:
            db.execute(f"UPDATE {table} SET {column} = ?", (new,))
        except sqlite3.Error:
            pass  # it does not take that: the records are sound
        finally:
            db.close()
    else:
        for _ in range(chance.choice((1, 1, 2, 20))):
            at = chance.randrange(len(data))
            data[at] ^= 1 << chance.randrange(8)
        put("one.db", bytes(data))
    result = invoke(*pick(chance, _WITH_RECORDS))
    sweep("out", "one.db", "one.db-wal", "one.db-shm", "one.db-journal")
    return f"records, {'read' if result.exit_code == 0 else 'refused'}"


def feed_recipe(chance: random.Random) -> str:
    """A recipe of a calibration, or a table of measurements."""
    recipe, name = "tank_probe.calibration.toml", chance.choice(_MEASURED)
    table = f"tank_probe.{name}.csv"
    changed = chance.choice((recipe, table, table))
    sound = Path(changed).read_bytes()
    single = name != "thermistor"  # its table has serial numbers
    output = "cal.toml" if single else "cals"
    sheet = "sheet.html" if single else "sheets"
    try:
        put(changed, text_like(chance, sound))
        result = invoke(
            "calibrate", "tank_probe.toml", recipe, f"{name}={table}", "-o", output,
            *(("--serial", "TP-1") if single else ()),
            *chance.choice(((), ("--json",), ("--details",), ("--svg", "one.svg"),
                            ("--calibration-record", sheet))))
    finally:
        put(changed, sound)
    files = [Path(output)] if single else sorted(Path(output).glob("*.toml"))
    what = f"measurements, exit code {result.exit_code}"
    for path in files:
        if not path.exists():
            if result.exit_code == 0:
                raise Wrong("exit code 0, but values are not there")
            continue
        if invoke("pack", "tank_probe.toml", "--values", str(path), "-o", "one.bin").exit_code:
            raise Wrong("values of a calibration are not taken")
        what = "measurements whose values can be packed"
    if Path("one.svg").exists():
        ElementTree.parse("one.svg")
    if single and Path(sheet).exists():
        _check_page(Path(sheet).read_text("utf-8"))
    sweep(output, sheet, "one.svg", "one.bin")
    return what


_MEASURED = ("electrode",) * 6 + ("thermistor",) * 6 + ("conductivity",)
"""Calibrations of tank_probe; a curve takes long."""


def _check_page(page: str) -> None:
    if (unclosed := Markup(page).unclosed) or "<script" in page.lower():
        raise Wrong(f"the page of a calibration is no sound page: {unclosed}")
