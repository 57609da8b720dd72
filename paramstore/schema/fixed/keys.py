"""The language of fixed layouts as tables: every key, what it takes, and which type has it.

What a parameter is to a person is said as in the schema of a store; these keys add where it lies.
"""

from __future__ import annotations

from paramstore.core.checksum import CRC_WIDTHS
from paramstore.core.scalars import HALF
from paramstore.core.text import Json
from paramstore.located.json_schema import reference, tables_of
from paramstore.located.keys import (
    BOOL,
    INTEGER,
    TABLE,
    TEXT,
    TEXTS,
    VALUE,
    Key,
    ValueForm,
    key_table,
)
from paramstore.schema.fixed.coding import DATE_CODINGS
from paramstore.schema.fixed.model import CheckKind
from paramstore.schema.identifiers import NAME_SCHEMA
from paramstore.schema.keys import (
    CONVERT_KEYS,
    FLOATS,
    INTEGERS,
    PARAMETER_KEYS,
    TYPES,
    TypeInfo,
)
from paramstore.schema.model import Kind

__all__ = [
    "CHECK_KEYS",
    "ENCODINGS",
    "FIXED_KEYS",
    "FIXED_PARAMETER_KEYS",
    "FIXED_ROOT_KEYS",
    "FIXED_TYPES",
    "KEYS_OF_CHECKS",
    "LETTERS",
    "MAX_BYTES",
    "ORDERS",
    "ORIGINS",
    "RELATIONS",
    "SECTION_KEYS",
    "TARGET_KEYS",
    "WHEN_KEYS",
]

MAX_BYTES = 524288
"""The largest image: that of the largest I2C EEPROM."""

LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
ORDERS = ("little", "big")
ENCODINGS = ("utf-8", "latin-1")
ORIGINS = ("block", "image")

_LAST = MAX_BYTES - 1
_MOST = (1 << 64) - 1
_WHY_ADDRESS = "the largest EEPROM on an I2C bus has 512 KiB"


_ORDER = "`little`: the byte of the low end comes first; `big`: the other way"

_BYTE_NUMBER = "(0[xX][0-9A-Fa-f]{1,8}|[0-9]{1,8})"
_BIT_PIECES: dict[str, Json] = {"minItems": 1, "items": {
    "type": "string", "pattern": rf"^\s*{_BYTE_NUMBER}(\.[0-7](-[0-7])?)?\s*$"}}
_RANGES: dict[str, Json] = {"minItems": 1, "items": {
    "type": "string", "pattern": rf"^\s*{_BYTE_NUMBER}(\s*-\s*{_BYTE_NUMBER})?\s*$"}}

TARGET = ValueForm("the name of a parameter or a table",
                   lambda value: isinstance(value, str | dict),
                   {"oneOf": [{"type": "string"}, reference("target")]})


def _order(doc: str, default: str | None = None) -> Key:
    return Key("order", TEXT, doc, 'order = "big"', default=default, choices=ORDERS,
               noun="byte order", code="PS360", why=_ORDER)


def _address(doc: str, example: str, *, required: bool = False, default: int | None = None) -> Key:
    return Key("at", INTEGER, doc, example, required=required, default=default, low=0,
               high=_LAST, code="PS350", why=_WHY_ADDRESS)


FIXED_ROOT_KEYS = key_table(
    Key("fixed", TABLE, "Name, size and byte order of the layout.", "[fixed]", required=True),
    Key("group", TABLE, "The groups, one table [group.NAME] for each.", "[group.timing]"),
)

FIXED_KEYS = key_table(
    Key("name", TEXT, "Name of the layout.", 'name = "edid"', required=True,
        json=NAME_SCHEMA),
    Key("size", INTEGER, "Bytes of the image.", "size = 128", required=True, low=1,
        high=MAX_BYTES, code="PS350", why=_WHY_ADDRESS),
    Key("doc", TEXT, "What the layout is, and where it is described.",
        'doc = "Display block"', default=""),
    _order("Which byte of a number comes first: that of the `little` or the `big` end.", "little"),
)

SECTION_KEYS = key_table(
    Key("doc", TEXT, "What the group holds.", 'doc = "One sensor channel"', default=""),
    _address("Address of the group; all addresses in it are counted from there.", "at = 0x36",
             default=0),
    Key("count", INTEGER, "Blocks of the group: they become NAME_1, NAME_2 and so on.",
        "count = 4", low=1, high=1024, code="PS355"),
    Key("every", INTEGER, "Bytes from one block to the next.", "every = 18", low=1, high=_LAST,
        code="PS355"),
    Key("when", TABLE, "Bits that say whether the group is there; else it always is.",
        'when = { bits = ["3"], is = 0xFC }', json=reference("when")),
    Key("copies", TEXT, "The blocks are copies of one another, and the newest right one "
        "counts: the parameter with their sequence number; the first right one if it is empty.",
        'copies = "sequence"'),
    Key("parameter", TABLE, "The parameters, one key NAME = { type = ... } for each.",
        "[group.NAME.parameter]", json=tables_of("parameter", NAME_SCHEMA)),
    Key("check", TABLE, "The checksums, one key NAME = { type = ... } for each.",
        "[group.NAME.check]", json=tables_of("check", NAME_SCHEMA)),
)

WHEN_KEYS = key_table(
    Key("bits", TEXTS, "The bits to look at, highest first.", 'bits = ["0x14.7"]',
        required=True, json=_BIT_PIECES),
    Key("from", TEXT, "What the addresses of `bits` count from: the `block`, or the `image`.",
        'from = "image"', default="block", json={"enum": list(ORIGINS)}),
    Key("is", INTEGER, "The group is there if they have this value.", "is = 1", low=0,
        high=_MOST, code="PS359"),
    Key("not", INTEGER, "The group is there unless they have this value.", "not = 0", low=0,
        high=_MOST, code="PS359"),
    Key("bit", INTEGER, "The group is there if this bit of them is 1, 0 the lowest; with "
        "`from = \"image\"` one more for each next block.", "bit = 0", low=0, high=63,
        code="PS359"),
    Key("above", INTEGER, "The group is there if their value is above this; with "
        "`from = \"image\"` one more for each next block.", "above = 0", low=0, high=_MOST,
        code="PS359"),
)

RELATIONS = ("is", "not", "bit", "above")
"""The keys of `when` of which one is given."""

_NAMED = "in the unit of the parameter, or as a name, a text, a date"

_PLACE_KEYS = (
    _address("Address of the first byte.", "at = 0x0C"),
    Key("bits", TEXTS,
        "Bits that make up the value, highest first: ADDRESS, ADDRESS.BIT or ADDRESS.HIGH-LOW.",
        'bits = ["58.7-4", "56"]', json=_BIT_PIECES),
    _order("Byte order of this parameter; else that of the layout."),
    Key("every", INTEGER, "Bytes from one element of an array to the next; else they touch.",
        "every = 4", low=1, high=_LAST, code="PS355"),
    Key("always", VALUE, f"The only value it can have: {_NAMED}.", "always = 1"),
    Key("none", INTEGER, "Stored number that stands for no value.", "none = 0xFFFF"),
    Key("scale_from", TEXT, "Parameter whose value the scale is multiplied by: NAME of the "
        "same group, or GROUP.NAME.", 'scale_from = "step"'),
    Key("base", INTEGER, "With `scale_from`: the scale is multiplied by this to the power of "
        "the value.", "base = 10", low=2, high=16, code="PS365"),
    Key("coding", TEXT, "How it is stored, if not as a plain number: `bcd`; of a date also "
        "`unix` (seconds since 1970-01-01 UTC) or `packed` (bits for year, month, day).",
        'coding = "bcd"', json={"enum": [c.value for c in DATE_CODINGS]}),
    Key("since", VALUE, "Date from which the days, or the years, of a date count; else "
        "2000-01-01.", "since = 1980-01-01"),
    Key("end", INTEGER, "Byte that ends a text.", "end = 0x0A", default=0, low=0, high=255,
        code="PS350", why="it is one byte"),
    Key("fill", INTEGER, "Byte that fills a text up.", "fill = 0x20", default=0, low=0,
        high=255, code="PS350", why="it is one byte"),
    Key("encoding", TEXT, "Of a text: `utf-8` or `latin-1` (ISO 8859-1).",
        'encoding = "latin-1"', default="utf-8", choices=ENCODINGS, noun="encoding", code="PS360"),
    Key("alphabet", TEXT, "Packed letters in the order of their numbers; else A to Z.",
        'alphabet = " ABCDEF"', default=LETTERS),
    Key("first", INTEGER, "Number of the first letter of the alphabet.", "first = 1",
        default=1, low=0, high=255, code="PS363", why="a letter has 8 bits at most"),
    Key("to", TARGET,
        "Parameter of a store that takes the value; else the one of its name; none if it is empty.",
        'to = "settings.ph_low"'),
)

_SHARED = ("type", "doc", "unit", "min", "max", "digits", "scale", "offset", "count", "size",
           "members", "storage")

FIXED_PARAMETER_KEYS = (
    {name: PARAMETER_KEYS[name] for name in _SHARED} | {key.name: key for key in _PLACE_KEYS})

TARGET_KEYS = {
    "parameter": Key("parameter", TEXT, "GROUP.PARAMETER, with `.x` or `.y` for an axis of a "
                     "curve; else the one of the same name.",
                     'parameter = "settings.ph_low"'),
    **{name: CONVERT_KEYS[name]._replace(doc=doc) for name, doc in (
        ("factor", "Physical value in the store for each one here."),
        ("offset", "Physical value in the store for 0 here."))},
    "members": Key("members", TABLE, "Names of members here, and their names in the store.",
                   'members = { sweet = "fresh" }',
                   json={"additionalProperties": {"type": "string"}}),
}

CHECK_KEYS = key_table(
    Key("type", TEXT, "`sum`, `sum_zero`, `xor`, `fletcher` or `crc`.", 'type = "crc"',
        required=True, json={"enum": [kind.value for kind in CheckKind]}),
    Key("over", TEXTS, "The bytes that are checked: ADDRESS or FIRST-LAST, in order.",
        'over = ["0-13"]', required=True, json=_RANGES),
    _address("Address of the checksum.", "at = 14", required=True),
    Key("doc", TEXT, "What the checksum is for.", 'doc = "Of the settings"', default=""),
    _order("Byte order of the checksum; else that of the layout."),
    Key("width", INTEGER, "Bits of the checksum; else 8.", "width = 16", default=8, low=8,
        high=64, code="PS358", why="a checksum has 8, 16, 24, 32 or 64 bits",
        json={"enum": list(CRC_WIDTHS)}),
    Key("itself", INTEGER,
        "What each byte of the checksum counts as, where it lies in its own range.", "itself = 0",
        low=0, high=255, code="PS357", why="it is one byte"),
    Key("polynomial", INTEGER, "Of a CRC: the polynomial without its highest bit.",
        "polynomial = 0x1021", low=0, high=_MOST, code="PS358"),
    Key("initial", INTEGER, "What a sum, or the register of a CRC, begins with.",
        "initial = 0xFFFF", default=0, low=0, high=_MOST, code="PS358"),
    Key("final", INTEGER, "What is put over the result with exclusive or; all ones invert it.",
        "final = 0xFF", default=0, low=0, high=_MOST, code="PS358"),
    Key("modulo", INTEGER, "Of `fletcher`: what its two sums are remainders of; else 255, or "
        "65535, or 0xFFFFFFFF, by their bits.", "modulo = 256", low=1, high=1 << 32, code="PS358"),
    Key("reflected", BOOL, "Of a CRC: whether bytes enter lowest bit first.",
        "reflected = false", default=False),
    Key("sample", INTEGER,
        "Of a CRC: its value over the nine characters 123456789, to prove the parameters.",
        "sample = 0x29B1", low=0, high=_MOST, code="PS358"),
)

_BEGUN = ("sum", "xor", "fletcher", "crc")

KEYS_OF_CHECKS = {"polynomial": ("crc",), "initial": _BEGUN, "final": _BEGUN,
                  "modulo": ("fletcher",), "reflected": ("crc",), "sample": ("crc",)}
"""Kinds of checksums that have a key, for keys that not all of them have."""

_COMMON = ("type", "doc", "at", "always", "to")
_BITS = (*_COMMON, "bits", "order")
_ARRAY = (*_BITS, "count", "every")
_NUMBER = ("min", "max", "unit", "digits")

FIXED_TYPES: dict[str, TypeInfo] = {
    "bool": TypeInfo(Kind.BOOL, TYPES["bool"].doc, (*_COMMON, "bits", "count", "every")),
    **{n: TypeInfo(Kind.INTEGER, TYPES[n].doc, (
        *_ARRAY, *_NUMBER, "scale", "offset", "none", "coding", "scale_from", "base"))
       for n in INTEGERS},
    **{n: TypeInfo(Kind.FLOAT, f"IEEE 754 binary{n[1:]}",
       (*_COMMON, "order", "count", "every", *_NUMBER))
for n in (HALF.name, *FLOATS)},
    "enum": TypeInfo(Kind.ENUM, TYPES["enum"].doc, (*_ARRAY, "members", "storage", "none")),
    "flags": TypeInfo(Kind.FLAGS, TYPES["flags"].doc, (*_ARRAY, "members", "storage")),
    "text": TypeInfo(Kind.TEXT, "text of up to `size` bytes",
                     (*_COMMON, "size", "end", "fill", "encoding")),
    "letters": TypeInfo(Kind.TEXT, "`size` letters of equally many bits, packed",
                        ("type", "doc", "always", "to", "size", "bits", "alphabet", "first")),
    "bytes": TypeInfo(Kind.BYTES, TYPES["bytes"].doc, (*_COMMON, "size")),
    "date": TypeInfo(Kind.DATE, "a day: a count of days, or as `coding` says",
                     (*_ARRAY, "min", "max", "none", "coding", "since", "storage")),
}
