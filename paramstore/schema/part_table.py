"""The keys that describe a part in TOML, as data, and a `Part` made from such a table.

One table of keys serves the catalogue, an inline `[store.part]`, its checks and the JSON Schema.
Must not know where in a file a value stands: a `Problem` names the path, the caller the place.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

from paramstore.core.errors import ToolError
from paramstore.core.text import Json, first_unprintable
from paramstore.located.keys import (
    INTEGER,
    NUMBER,
    TEXT,
    Key,
    KeyPath,
    Problem,
    TomlTable,
    TomlValue,
    ValueForm,
    check_table,
    is_number,
    key_table,
    range_problem,
)
from paramstore.schema.part import Part, WriteProtect

__all__ = ["KEYS", "PAIRS", "part_from_table", "problems"]

_Range = tuple[float, float]

PAIRS: dict[str, tuple[_Range, _Range]] = {
    "endurance": ((-55, 175), (1e3, 1e16)),
    "clocks": ((0.8, 6), (10, 5000)),
}
"""Smallest and largest of both numbers of a pair; the first numbers rise from pair to pair."""


def _pairs(name: str) -> ValueForm:
    pair: list[Json] = [{"type": "number", "minimum": low, "maximum": high}
                        for low, high in PAIRS[name]]
    return ValueForm("an array of pairs of numbers", lambda value: isinstance(value, list), {
        "type": "array", "minItems": 1, "items": {
            "type": "array", "prefixItems": pair, "minItems": 2, "maxItems": 2}})


def _number(name: str, doc: str, example: str, low: float, high: float,
            default: float | None = None, also: tuple[int, ...] = ()) -> Key:
    return Key(name, NUMBER, doc, f"{name} = {example}", required=default is None, default=default,
               low=low, high=high, code="PS311", also=also)


def _choice(name: str, doc: str, example: int, choices: tuple[int, ...],
            default: int | None = None) -> Key:
    return Key(name, INTEGER, doc, f"{name} = {example}", required=default is None,
               default=default, choices=choices, code="PS311")


_SOURCES = ValueForm("a table of arrays", lambda value: isinstance(value, dict), {"type": "object"})

KEYS: dict[str, Key] = key_table(
    Key("name", TEXT, "Name of the part.", 'name = "EXAMPLE32"', required=True),
    Key("maker", TEXT, "Who makes it.", 'maker = "Example"', default=""),
    _choice("capacity", "Bytes.", 4096, tuple(128 << n for n in range(13))),
    _choice("page", "Bytes of a page.", 32, (8, 16, 32, 64, 128, 256)),
    _choice("address_bytes", "Memory-address bytes on the bus.", 2, (1, 2)),
    _choice("block_shift", "Bit of the 7-bit device address that holds the lowest memory-address "
            "bit beyond those bytes.", 1, (0, 1, 2), 0),
    _number("write_ms", "Longest write cycle, ms; FRAM has none.", "5", 0.1, 30, also=(0,)),
    Key("endurance", _pairs("endurance"),
        "Pairs of temperature in degC and write cycles of a page.",
        "endurance = [[25, 1_000_000]]", required=True),
    _number("retention_years", "Years it keeps data.", "40", 1, 1000, 10),
    Key("clocks", _pairs("clocks"), "Pairs of lowest supply in V and highest SCL in kHz.",
        "clocks = [[1.8, 400]]", required=True),
    Key("write_protect", TEXT, "What the write-protect pin covers.", 'write_protect = "whole"',
        default="none", choices=tuple(w.value for w in WriteProtect), code="PS311"),
    _number("write_ma", "Largest current in a write, mA.", "3", 0.01, 100, 5),
    _number("read_ma", "Largest current in a read, mA.", "0.4", 0.01, 100, 3),
    _number("standby_ua", "Largest current at rest, uA.", "1", 0.001, 1000, 50),
    _number("supply_max_v", "Highest supply, V.", "5.5", 0.8, 6, 5.5),
    _choice("serial_bits", "Bits of a serial number that its maker wrote.", 128,
            (0, 32, 48, 64, 128), 0),
    _choice("lockable_bytes", "Bytes of a page beside the array that can be locked for good.", 32,
            (0, 16, 32, 64, 128, 256), 0),
    Key("note", TEXT, "What else its user should know.", 'note = "Automotive grade"', default=""),
    Key("sources", _SOURCES, "Source -> list of the keys it vouches for.",
        'sources = { "document number" = ["page", "write_ms"] }', default={}),
)
KEYS["sources"] = KEYS["sources"]._replace(json={"additionalProperties": {
    "type": "array", "items": {"enum": list(KEYS)}}})
"""Every key, in the order of a table. The defaults are cautious ones for an inline part."""


def problems(table: TomlTable) -> tuple[Problem, ...]:
    """Return every mistake in a part's table: those of its keys, then those of their values; only
    if there is none, what is wrong between them. () if it is sound.

    Numbers may be int, float or Decimal. Keys that take part in a mistake are not reported twice.
    """
    check = check_table(table, KEYS, "the part")
    found = check.problems
    for name in KEYS:
        value = check.values.get(name)
        if KEYS[name].required and value == "":
            found.append(_problem((name,), f"`{name}` is empty", f"write `{KEYS[name].example}`"))
        elif name in PAIRS and isinstance(value, list):
            found += _wrong_pairs(KEYS[name], value)
        elif name == "sources" and isinstance(value, dict):
            found += _wrong_sources(value)
    return tuple(found) or tuple(_together(table))


def _problem(path: KeyPath, message: str, help: str) -> Problem:
    return Problem("PS311", message, help, path=path)


def part_from_table(table: TomlTable) -> Part:
    """Return the part that `table` describes; ToolError if `problems` finds any."""
    if found := problems(table):
        raise ToolError(f"part {table.get('name', '')!s}: {found[0].message}", found[0].help)
    value: dict[str, Any] = {n: table.get(n, k.default) for n, k in KEYS.items()}
    value |= {n: float(value[n]) for n, k in KEYS.items() if k.form is NUMBER}
    sources = {name: source for source, names in value["sources"].items() for name in names}
    return Part(**value | {
        "block_bits": _block_bits(value["capacity"], value["address_bytes"]),
        "endurance": tuple((float(t), float(n)) for t, n in value["endurance"]),
        "clocks": tuple((float(v), int(f)) for v, f in value["clocks"]),
        "write_protect": WriteProtect(value["write_protect"]),
        "sources": tuple((n, sources[n]) for n in KEYS if n in sources),
    })


def _block_bits(capacity: int, address_bytes: int) -> int:
    return max(0, capacity.bit_length() - 1 - 8 * address_bytes)


def _wrong_pairs(key: Key, pairs: list[TomlValue]) -> Iterator[Problem]:
    """Yield what is wrong with the first pair that is not sound."""
    shape = f"write `{key.name} = [[A, B], ...]`: {key.doc[0].lower()}{key.doc[1:].rstrip('.')}"
    if not pairs:
        yield _problem((key.name,), f"`{key.name}` has no pairs", shape)
    before = -math.inf
    for index, pair in enumerate(pairs):
        path = (key.name, index)
        if not (isinstance(pair, list) and len(pair) == 2 and all(map(is_number, pair))):
            yield _problem(path, f"this item of `{key.name}` is not a pair of numbers", shape)
            return
        out = [problem._replace(path=(*path, column))
               for column, (low, high) in enumerate(PAIRS[key.name])
               if (problem := range_problem(key, pair[column], low, high, "PS311"))]
        first = float(str(pair[0]))
        if not out and first <= before:
            out = [_problem(path, f"the first numbers of `{key.name}` do not rise",
                            "sort the pairs by their first number")]
        if out:
            yield from out
            return
        before = first


def _wrong_sources(sources: TomlTable) -> Iterator[Problem]:
    help = f"write `{KEYS['sources'].example}`"
    for source, names in sources.items():
        path = ("sources", source)
        if bad := first_unprintable(source):
            yield _problem(path, f"a source has a character that does not print, U+{ord(bad):04X}",
                           "type the text anew, in letters, signs and blanks")
        if not isinstance(names, list):
            yield _problem(path, "a source does not list keys", help)
            continue
        for index, name in enumerate(names):
            if not isinstance(name, str) or name not in KEYS:
                yield _problem((*path, index), f"unknown key `{name}` in a source",
                               "name keys of the part")


def _together(table: dict[str, Any]) -> Iterator[Problem]:
    """Yield what is wrong between values that are each sound."""
    capacity, page, address_bytes = table["capacity"], table["page"], table["address_bytes"]
    shift = table.get("block_shift", 0)
    block_bits = _block_bits(capacity, address_bytes)
    if page > capacity // 4:
        yield _problem(("page",), f"a part of {capacity} bytes cannot have pages of {page}",
                      "check the page size in the data sheet")
    if block_bits + shift > 3:
        room = f"{3 - shift} of them from bit {shift} up" if shift else "3"
        yield _problem(("address_bytes",),
                      f"{capacity} bytes need {block_bits} address bits beyond "
                      f"{8 * address_bytes}, the device address has room for {room}",
                      "check `capacity`, `address_bytes` and `block_shift`")
    lowest, highest = float(table["clocks"][0][0]), float(table.get("supply_max_v", 5.5))
    if lowest >= highest:
        path: KeyPath = ("supply_max_v",) if "supply_max_v" in table else ("clocks", 0, 0)
        yield _problem(path, f"the lowest supply, {lowest:g} V, is not below the highest, "
                      f"{highest:g} V", "check `clocks` and `supply_max_v`")
