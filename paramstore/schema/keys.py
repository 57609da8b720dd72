"""The schema language as tables: every key, what it takes, and which type of parameter has it.

The reader walks these tables, and the JSON Schema for editors is made from them. `is_fixed` tells
which of the two kinds of schema a text is.
"""

from __future__ import annotations

import re
import tomllib
from typing import NamedTuple

from paramstore.core.errors import SourceText
from paramstore.core.format import LAST_SERIES
from paramstore.core.scalars import SCALARS
from paramstore.located.json_schema import reference, tables_of
from paramstore.located.keys import (
    INTEGER,
    NAMES,
    NUMBER,
    TABLE,
    TEXT,
    VALUE,
    Key,
    ValueForm,
    key_table,
)
from paramstore.schema.frequency import WRITES
from paramstore.schema.identifiers import NAME_SCHEMA
from paramstore.schema.model import Kind, Role

__all__ = [
    "ALIASES",
    "AXIS_KEYS",
    "CONVERT_KEYS",
    "FLOATS",
    "GROUP_KEYS",
    "INTEGERS",
    "PARAMETER_KEYS",
    "ROOT_KEYS",
    "STORAGE",
    "STORE_KEYS",
    "TYPES",
    "TYPE_ALIASES",
    "TypeInfo",
    "is_fixed",
]


MEMBERS = ValueForm("an array of names or a table", lambda value: isinstance(value, list | dict), {
    "oneOf": [
        {"type": "array", "minItems": 1, "uniqueItems": True,
         "items": {"type": "string", **NAME_SCHEMA}},
        {"type": "object", "minProperties": 1, "propertyNames": NAME_SCHEMA,
         "additionalProperties": {"type": "integer", "minimum": 0}},
    ]})


PART = ValueForm("the name of a part or a table", lambda value: isinstance(value, str | dict), {})
"""The names are many: `editor` says them."""

_ADDRESSES = "I2C EEPROMs answer on the 7-bit addresses 0x50 to 0x57"

ROOT_KEYS = key_table(
    Key("store", TABLE, "Name, part and use of the store.", "[store]",
        required=True),
    Key("group", TABLE, "The groups, one table [group.NAME] for each.", "[group.settings]"),
)

STORE_KEYS = key_table(
    Key("name", TEXT, "Name of the store: begins every C name, and marks the EEPROM.",
        'name = "tank_probe"', required=True, json=NAME_SCHEMA),
    Key("part", PART, "EEPROM part: a name of the catalogue, or a table [store.part].",
        'part = "24LC32A"', required=True),
    Key("doc", TEXT, "What the store is for.", 'doc = "Probe interface"', default=""),
    Key("address", INTEGER, "I2C address, 7 bits, without block-select bits.",
        "address = 0x50", default=0x50, low=0x50, high=0x57, code="PS312", why=_ADDRESSES),
    Key("bus_khz", INTEGER, "SCL frequency in kHz.", "bus_khz = 400", default=400, low=10,
        high=5000, code="PS314", why="I2C runs at 100, 400 or 1000 kHz"),
    Key("supply_v", NUMBER, "Supply of the part in V.", "supply_v = 3.3", default=3.3, low=0.8,
        high=6, code="PS315"),
    Key("temperature_c", NUMBER,
        "Hottest temperature in degC at which the part is written for long.", "temperature_c = 45",
        default=25, low=-40, high=125, code="PS316",
        why="parts are rated from -40 to 85 or 125 degC"),
    Key("life_years", NUMBER, "Years the store must last.", "life_years = 10", default=10,
        low=0.1, high=200, code="PS317"),
    Key("retired_groups", NAMES, "Groups of earlier releases that were taken out.",
        'retired_groups = ["network"]', default=()),
    Key("series", INTEGER, "How often the units of earlier releases were laid out anew.",
        "series = 1", default=0, low=0, high=LAST_SERIES, code="PS319",
        why="a label has four bits for it"),
)

GROUP_KEYS = key_table(
    Key("role", TEXT, "Why the group exists; decides protection, copies and place.",
        'role = "setting"', required=True, choices=tuple(r.value for r in Role), noun="role",
        code="PS306", why="the role decides how a group is protected and kept"),
    Key("writes", TEXT, "How often the group is committed.", 'writes = "2 per week"',
        required=True, json={"pattern": f"^({WRITES})$"}),
    Key("doc", TEXT, "What the group holds.", 'doc = "What the user sets"', default=""),
    Key("id", INTEGER, "Number of the group on the EEPROM; else counted from 1 in order.",
        "id = 2", low=1, high=255, code="PS304",
        why="the id takes one byte, and 0 is not used"),
    Key("copies", INTEGER,
        "Records written by one commit; else 2 for identity and calibration, 1 for others.",
        "copies = 2", low=1, high=8, code="PS308"),
    Key("slots", INTEGER, "Slots of the ring; else planned from writes and life.", "slots = 5",
        low=2, high=65535, code="PS308",
        why="a commit must never write over the newest record, so a ring has two slots or more"),
    Key("room", INTEGER, "Bytes kept free for parameters to come, fixed by the first release "
        "of the group; else planned.", "room = 8",
        low=0, high=4096, code="PS308"),
    Key("parameter", TABLE, "The parameters, one key NAME = { type = ... } for each.",
        '[group.NAME.parameter]', json=tables_of("parameter", NAME_SCHEMA, minProperties=1)),
    Key("was", TEXT, "Name of the group in the release before, if it had another one.",
        'was = "user"'),
    Key("retired", NAMES, "Parameters of earlier releases that were taken out.",
        'retired = ["beeper"]', default=()),
)

_LIMIT = "numbers in the unit of the parameter, dates for a date"

PARAMETER_KEYS = key_table(
    Key("type", TEXT, "What the parameter is and how it is stored.", 'type = "u16"',
        required=True),
    Key("doc", TEXT, "What the parameter means.", 'doc = "Slope at 25 degC"', default=""),
    Key("unit", TEXT, "Unit of the physical value.", 'unit = "mV"', default=""),
    Key("min", VALUE, f"Smallest value allowed: {_LIMIT}.", "min = 0"),
    Key("max", VALUE, f"Largest value allowed: {_LIMIT}.", "max = 100"),
    Key("default", VALUE, "Value until something else is stored.", "default = 10"),
    Key("digits", INTEGER, "Decimals to show.", "digits = 2", low=0, high=17, code="PS202"),
    Key("scale", NUMBER, "Physical value of one step of the stored integer.", "scale = 0.01",
        default=1),
    Key("offset", NUMBER, "Physical value of the stored integer 0.", "offset = -40",
        default=0),
    Key("count", INTEGER, "Elements of an array.", "count = 4", low=1, high=4096,
        code="PS202"),
    Key("size", INTEGER, "Bytes; a text is UTF-8.", "size = 16", required=True, low=1,
        high=4096, code="PS202"),
    Key("members", MEMBERS, "Names, or names with their numbers (of an enum) or bits.",
        'members = ["off", "on"]', required=True),
    Key("storage", TEXT, "Stored type; else the narrowest that holds all members.",
        'storage = "u16"'),
    Key("points", INTEGER, "Points of the curve.", "points = 8", required=True, low=2,
        high=255, code="PS202"),
    Key("x", TABLE, "Axis of the curve; x must rise from point to point.",
        'x = { type = "u16", unit = "mV" }', required=True, json=reference("axis")),
    Key("y", TABLE, "Values of the curve.", 'y = { type = "f32", unit = "degC" }',
        required=True, json=reference("axis")),
    Key("below", TEXT, "Parameter of the same group that this one must stay below.",
        'below = "high"'),
    Key("was", TEXT,
        "Name in the release before, if it had another one: NAME, or GROUP.NAME of another group.",
        'was = "interval"'),
    Key("convert", TABLE,
        "From values of the release before: factor, divisor, offset; or new names of members.",
        "convert = { factor = 0.001 }"),
)

CONVERT_KEYS = key_table(
    Key("factor", NUMBER, "New physical value for each old one.", "factor = 0.001",
        default=1),
    Key("divisor", NUMBER, "The other way round, where that is the exact number.",
        "divisor = 60", default=1),
    Key("offset", NUMBER, "New physical value for 0 in the old unit.", "offset = 273.15",
        default=0),
)

AXIS_KEYS = {
    name: PARAMETER_KEYS[name]
    for name in ("type", "doc", "unit", "min", "max", "digits", "scale", "offset", "convert")
}


class TypeInfo(NamedTuple):
    """A type of the schema language: its kind, and the keys that parameters of it have."""

    kind: Kind
    doc: str
    keys: tuple[str, ...]


INTEGERS = ("u8", "u16", "u32", "u64", "i8", "i16", "i32", "i64")
FLOATS = ("f32", "f64")
STORAGE = {Kind.ENUM: ("u8", "u16", "u32"), Kind.FLAGS: ("u8", "u16", "u32", "u64")}

_COMMON = ("type", "doc", "default", "was")
_LIMITED = (*_COMMON, "min", "max", "count", "below")
_NUMBER = (*_LIMITED, "unit", "digits", "convert")


def _integer_doc(name: str) -> str:
    signed = "signed" if name[0] == "i" else "unsigned"
    return f"{signed} integer of {8 * SCALARS[name].size} bits, scaled or not"


TYPES: dict[str, TypeInfo] = {
    "bool": TypeInfo(Kind.BOOL, "true or false", (*_COMMON, "count")),
    **{n: TypeInfo(Kind.INTEGER, _integer_doc(n), (*_NUMBER, "scale", "offset")) for n in INTEGERS},
    **{n: TypeInfo(Kind.FLOAT, f"IEEE 754 binary{n[1:]}", _NUMBER) for n in FLOATS},
    "enum": TypeInfo(Kind.ENUM, "one of several names",
                     (*_COMMON, "members", "storage", "count", "convert")),
    "flags": TypeInfo(Kind.FLAGS, "any of several names",
                      (*_COMMON, "members", "storage", "count", "convert")),
    "text": TypeInfo(Kind.TEXT, "UTF-8 text of up to `size` bytes", (*_COMMON, "size")),
    "bytes": TypeInfo(Kind.BYTES, "`size` bytes", (*_COMMON, "size")),
    "date": TypeInfo(Kind.DATE, "day from 2000-01-01 to 2179-06-06", _LIMITED),
    "curve": TypeInfo(Kind.CURVE, "table of points with rising x", (*_COMMON, "points", "x", "y")),
}

TYPE_ALIASES: dict[str, str] = {
    **{f"{sign}int{bits}{end}": f"{'u' if sign else 'i'}{bits}"
       for sign in ("", "u") for bits in (8, 16, 32, 64) for end in ("", "_t")},
    "byte": "u8", "char": "i8", "short": "i16", "int": "i32", "integer": "i32", "long": "i32",
    "unsigned": "u32", "float": "f32", "single": "f32", "double": "f64", "real": "f32",
    "float32": "f32", "float64": "f64", "number": "f32", "boolean": "bool", "string": "text",
    "str": "text", "blob": "bytes", "hex": "bytes", "buffer": "bytes", "bitmask": "flags",
    "bits": "flags", "bitfield": "flags", "set": "flags", "choice": "enum", "enumeration": "enum",
    "table": "curve", "lut": "curve", "datetime": "date",
}  # fmt: skip
"""Names of types elsewhere, for suggestions only."""

ALIASES: dict[str, str] = {
    "description": "doc", "comment": "doc", "help": "doc", "note": "doc", "units": "unit",
    "minimum": "min", "maximum": "max", "lower": "min", "upper": "max", "range": "min",
    "initial": "default", "value": "default", "precision": "digits", "decimals": "digits",
    "factor": "scale", "resolution": "scale", "step": "scale", "length": "size",
    "values": "members", "options": "members", "choices": "members", "bits": "members",
    "less_than": "below", "elements": "count", "frequency": "bus_khz", "speed": "bus_khz",
    "voltage": "supply_v", "vcc": "supply_v", "temperature": "temperature_c", "life": "life_years",
    "lifetime": "life_years", "device": "part", "chip": "part", "eeprom": "part",
    "i2c_address": "address", "reserve": "room", "kind": "role", "rate": "writes",
    "endian": "order", "byte_order": "order", "position": "at", "start": "at", "stride": "every",
    "repeat": "count", "magic": "always", "constant": "always", "poly": "polynomial",
    "init": "initial", "xorout": "final", "refin": "reflected",
    "renamed_from": "was", "formerly": "was", "removed": "retired", "deleted": "retired",
}  # fmt: skip
"""Words a person may try for a key, for suggestions only."""


def is_fixed(source: SourceText) -> bool:
    """Return whether a schema describes a fixed layout, not a store; where it is not valid TOML,
    by its headers."""
    if "fixed" not in source.text:
        return False  # most schemas: they need not be read twice
    try:
        names = set(tomllib.loads(source.text.replace("\r\n", "\n")))
    except (ValueError, RecursionError):
        names = set(re.findall(r"(?m)^\s*\[\s*(\w+)", source.text))
    return "fixed" in names and "store" not in names
