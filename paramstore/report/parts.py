"""EEPROM parts for people and programs: a list, one part in full, and why nothing was found.

Words and columns only; looking up and searching is `schema.catalogue`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

from paramstore.core.text import JsonObject
from paramstore.core.words import near_words, plural
from paramstore.layout.physics import endurance_at
from paramstore.report.tables import Column, table
from paramstore.schema.catalogue import names, search
from paramstore.schema.part import Part

__all__ = ["nothing_found", "part_text", "parts_data", "parts_text"]

DATA_VERSION = 1
"""Grows when a key of `parts_data` changes its meaning or goes away."""

HOT_C = 85
"""The temperature at which a derated endurance is shown beside the published one."""


def parts_text(parts: Sequence[Part], supply_v: float | None = None) -> str:
    """Return a table with one line for each part, lines ended by \n.

    The clock is the one at `supply_v`, or the range from the lowest supply to the best one.
    """
    at = "" if supply_v is None else f" at {supply_v:g} V"
    columns = [Column("part", right=False), Column("maker", right=False), Column("size", "bytes"),
               Column("page", "bytes"), Column("address", "B+bits"), Column("write", "ms"),
               Column("endurance", "25 degC"), Column("supply", "V"), Column("clock", "kHz" + at),
               Column("protect", right=False)]
    rows = [(p.name, p.maker, str(p.capacity), str(p.page), _address(p), f"{p.write_ms:g}",
             cycles_text(endurance_at(p, 25)), f"{p.supply_min_v:g}-{p.supply_max_v:g}",
             _clock(p, supply_v), p.write_protect.value) for p in parts]
    return "\n".join([*table(columns, rows), "", f"{plural(len(parts), 'part')}. Values are "
                      "limits; `paramstore parts NAME` shows one part with its sources."]) + "\n"


def _address(part: Part) -> str:
    """Return the address bytes, and the address bits that the device address takes up."""
    return f"{part.address_bytes}+{part.block_bits}" if part.block_bits else f"{part.address_bytes}"


def _clock(part: Part, supply_v: float | None) -> str:
    if supply_v is not None:
        return str(part.highest_khz(supply_v))
    slowest, fastest = part.highest_khz(part.supply_min_v), part.highest_khz()
    return str(fastest) if slowest == fastest else f"{slowest}-{fastest}"


def part_text(part: Part) -> str:
    """Return one part in full, each value with its source; lines ended by \\n."""
    kbit = part.capacity * 8 // 1024
    lines = [f"{part.name}, {part.maker}: {kbit} kbit in {part.pages} pages of {part.page} bytes",
             *([f"Note: {part.note}"] if part.note else []), ""]
    sources = dict(part.sources)
    columns = [Column("", right=False), Column("value", right=False), Column("source", right=False)]
    rows = [(label, value, sources.get(key, "") if label else "")
            for key, label, value in _values(part)]
    return "\n".join(lines + table(columns, rows)) + "\n"


def _values(part: Part) -> list[tuple[str, str, str]]:
    """Return (key, label, value) of everything a source is given for; "" goes on with a key."""
    rows = [
        ("capacity", "size", f"{part.capacity} bytes"),
        ("page", "page", f"{part.page} bytes"),
        ("address_bytes", "memory address", f"{plural(part.address_bytes, 'byte')} on the bus"),
        ("block_shift", "block select", _block_select(part)),
        ("write_ms", "write cycle", f"{part.write_ms:g} ms" if part.write_ms else "no write time"),
        *(("endurance", "" if index else "endurance", f"{cycles_text(n)} at {t:g} degC")
          for index, (t, n) in enumerate(part.endurance)),
        ("endurance", "", _derated(part)),
        ("retention_years", "retention", f"{part.retention_years:g} years"),
        *(("clocks", "" if index else "clock", f"{khz} kHz from {v:g} V")
          for index, (v, khz) in enumerate(part.clocks)),
        ("supply_max_v", "highest supply", f"{part.supply_max_v:g} V"),
        ("write_protect", "write protect", _protect(part)),
        ("write_ma", "write current", f"{part.write_ma:g} mA"),
        ("read_ma", "read current", f"{part.read_ma:g} mA"),
        ("standby_ua", "standby current", f"{part.standby_ua:g} uA"),
        ("serial_bits", "serial number", f"{part.serial_bits} bits of its own" if part.serial_bits
         else ""),
        ("lockable_bytes", "lockable page", f"{part.lockable_bytes} bytes beside the array"
         if part.lockable_bytes else ""),
    ]
    return [row for row in rows if row[2]]


def _derated(part: Part) -> str:
    """Return the endurance counted with when it is hot, where the data sheet does not say."""
    if part.endurance[-1][0] >= HOT_C:
        return ""
    return f"{cycles_text(endurance_at(part, HOT_C))} at {HOT_C} degC, derated here"


def _block_select(part: Part) -> str:
    """Return where the address bits beyond the address bytes go, or "" if there are none."""
    if not part.block_bits:
        return ""
    low, high = part.block_shift, part.block_shift + part.block_bits - 1
    bits = f"bit {low}" if low == high else f"bits {high}..{low}"
    return f"{bits} of the device address"


def _protect(part: Part) -> str:
    if part.protected_from is None:
        return part.write_protect.value
    return f"{part.write_protect.value}, from 0x{part.protected_from:04X}"


def cycles_text(cycles: float) -> str:
    """Return write cycles as a data sheet does: `1.2 M`, `268 k`, `10^14`."""
    if cycles >= 1e9:
        power = math.floor(math.log10(cycles) + 1e-9)
        lead = f"{cycles / 10 ** power:.2g}"
        return f"10^{power}" if lead == "1" else f"{lead} x 10^{power}"
    return f"{cycles / 1e6:.3g} M" if cycles >= 1e6 else f"{cycles / 1e3:.3g} k"


def parts_data(parts: Sequence[Part]) -> JsonObject:
    """Return parts as data that JSON can hold: the keys of `[store.part]` in a schema, what
    follows from them (`block_bits`, `pages`, `protected_from`), and the source of each key."""
    return {"schema_version": DATA_VERSION, "parts": [
        asdict(p) | {"pages": p.pages, "protected_from": p.protected_from,
                     "sources": dict(p.sources)} for p in parts
    ]}


def nothing_found(asked: Mapping[str, Any], said: Mapping[str, str]) -> tuple[str, str]:
    """Return a message and help for a search without a result.

    `asked` are the arguments of `catalogue.search`; `said` tells for each of them how the person
    put it, such as `--page 24`.
    """
    ways = [f"without {said[key]}: {len(found)}" for key in asked if len(asked) > 1
            if (found := search(**{k: v for k, v in asked.items() if k != key}))]
    near = near_words(asked.get("text", ""), names())
    if near:
        ways.insert(0, "did you mean " + " or ".join(f"`{n}`" for n in near) + "?")
    message = "no part matches " + " ".join(said.values())
    ways.append("`paramstore parts` lists all of them; a schema can describe any other part "
                "in a table `[store.part]`")
    return message, "; ".join(ways)
