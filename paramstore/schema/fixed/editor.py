"""The JSON Schema of fixed layouts, for editors that complete and check TOML.

Made from the tables of keys; `fixed.schema.json` is its result, kept as a file. It says what a
table may hold; rules between values are left to the reader.
"""

from __future__ import annotations

from typing import Any

from paramstore.core.checksum import CRC_WIDTHS
from paramstore.schema.editor import NAMES, document_schema, key_schema, object_schema, typed_schema
from paramstore.schema.fixed.coding import DATE_CODINGS
from paramstore.schema.fixed.keys import (
    CHECK_KEYS,
    FIXED_KEYS,
    FIXED_PARAMETER_KEYS,
    FIXED_TYPES,
    ORDERS,
    ORIGINS,
    RELATIONS,
    SECTION_KEYS,
    TARGET_KEYS,
    WHEN_KEYS,
)
from paramstore.schema.fixed.model import CheckKind
from paramstore.schema.keys import Key

__all__ = ["json_schema"]

_NUMBER = "(0[xX][0-9A-Fa-f]{1,8}|[0-9]{1,8})"
_ORDER = {"enum": list(ORDERS)}
_BITS = {"minItems": 1, "items": {
    "type": "string", "pattern": rf"^\s*{_NUMBER}(\.[0-7](-[0-7])?)?\s*$"}}
_RANGES = {"minItems": 1, "items": {
    "type": "string", "pattern": rf"^\s*{_NUMBER}(\s*-\s*{_NUMBER})?\s*$"}}


def json_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) as plain data."""
    return document_schema(
        "A fixed layout: bytes that are there already", "fixed",
        "The groups: what belongs together.", {
            "fixed": _object(FIXED_KEYS, "The layout as a whole.", name=NAMES, order=_ORDER),
            "group": _group(),
            "when": _when(),
            "parameter": _parameter(),
            "target": _object(TARGET_KEYS, "What becomes of a value in a store.",
                              members={"additionalProperties": {"type": "string"}}),
            "check": _check(),
        })


def _object(keys: dict[str, Key], doc: str, **more: dict[str, Any]) -> dict[str, Any]:
    properties = {k.name: key_schema(k, **more.get(k.name, {})) for k in keys.values()}
    return object_schema(properties, [k.name for k in keys.values() if k.required], doc)


def _group() -> dict[str, Any]:
    tables = {"type": "object", "propertyNames": NAMES}
    schema = _object(
        SECTION_KEYS, "What belongs together, once or in several blocks.",
        when={"$ref": "#/$defs/when"},
        parameter={**tables, "additionalProperties": {"$ref": "#/$defs/parameter"}},
        check={**tables, "additionalProperties": {"$ref": "#/$defs/check"}})
    schema["anyOf"] = [{"required": ["parameter"]}, {"required": ["check"]}]
    schema["dependentRequired"] = {"count": ["every"], "every": ["count"], "copies": ["count"]}
    return schema


def _when() -> dict[str, Any]:
    schema = _object(WHEN_KEYS, "Bits that say whether the group is there.", bits=_BITS,
                     **{"from": {"enum": list(ORIGINS)}})
    schema["oneOf"] = [{"required": [key]} for key in RELATIONS]
    return schema


def _parameter() -> dict[str, Any]:
    schema = typed_schema(FIXED_TYPES, FIXED_PARAMETER_KEYS, "One parameter, and where it lies.")
    properties = schema["properties"]
    properties["bits"] |= _BITS
    properties["order"] |= _ORDER
    properties["coding"] |= {"enum": [c.value for c in DATE_CODINGS]}
    properties["to"] |= {"oneOf": [{"type": "string"}, {"$ref": "#/$defs/target"}]}
    schema["oneOf"] = [{"required": ["at"]}, {"required": ["bits"]}]
    schema["dependentRequired"] = {"base": ["scale_from"]}
    return schema


def _check() -> dict[str, Any]:
    schema = _object(CHECK_KEYS, "A checksum.", over=_RANGES, order=_ORDER,
                     type={"enum": [kind.value for kind in CheckKind]},
                     width={"enum": list(CRC_WIDTHS)})
    schema["if"] = {"properties": {"type": {"const": "crc"}}}
    schema["then"] = {"required": ["polynomial"]}
    return schema
