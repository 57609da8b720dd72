"""The JSON Schemas of stores and of fixed layouts, for editors that complete and check TOML.

Made from the tables of keys; `paramstore.schema.json` and `fixed.schema.json` are the results, kept
as files. They say what a table may hold; rules between values are left to the reader.
"""

from __future__ import annotations

from collections.abc import Mapping

from paramstore.core.text import Json
from paramstore.located.json_schema import (
    conditional,
    document_schema,
    object_schema,
    reference,
    required_in,
    tables_of,
)
from paramstore.located.keys import Keys
from paramstore.schema import catalogue
from paramstore.schema.fixed.keys import (
    CHECK_KEYS,
    FIXED_KEYS,
    FIXED_PARAMETER_KEYS,
    FIXED_TYPES,
    RELATIONS,
    SECTION_KEYS,
    TARGET_KEYS,
    WHEN_KEYS,
)
from paramstore.schema.identifiers import NAME_SCHEMA
from paramstore.schema.keys import (
    AXIS_KEYS,
    FLOATS,
    GROUP_KEYS,
    INTEGERS,
    PARAMETER_KEYS,
    STORAGE,
    STORE_KEYS,
    TYPES,
    TypeInfo,
)
from paramstore.schema.model import Kind
from paramstore.schema.part_table import KEYS as PART_KEYS

__all__ = ["fixed_schema", "store_schema"]


def store_schema() -> dict[str, Json]:
    """Return the JSON Schema (draft 2020-12) of stores, as plain data."""
    known: Json = {"type": "string", "anyOf": [{"enum": list(catalogue.names())}, {}]}
    store_keys = STORE_KEYS | {"part": STORE_KEYS["part"]._replace(
        json={"oneOf": [known, reference("part")]})}
    return _groups_schema(
        "A parameter store on an I2C EEPROM", "store", "The groups: what is committed together.", {
            "store": object_schema(store_keys,
                                   "The store as a whole: its part and how it is used."),
            "part": object_schema(PART_KEYS, "An EEPROM part that is not in the catalogue, from "
                                  "its data sheet."),
            "group": object_schema(GROUP_KEYS, "What is committed together.",
                                   required=[*required_in(GROUP_KEYS), "parameter"]),
            "parameter": _typed_schema(TYPES, PARAMETER_KEYS, "One parameter."),
            "axis": _typed_schema({n: TYPES[n] for n in INTEGERS + FLOATS}, AXIS_KEYS,
                                 "Axis of a curve."),
        })


def fixed_schema() -> dict[str, Json]:
    """Return the JSON Schema (draft 2020-12) of fixed layouts, as plain data."""
    return _groups_schema(
        "A fixed layout: bytes that are there already", "fixed",
        "The groups: what belongs together.", {
            "fixed": object_schema(FIXED_KEYS, "The layout as a whole."),
            "group": object_schema(
                SECTION_KEYS, "What belongs together, once or in several blocks.",
                anyOf=[{"required": ["parameter"]}, {"required": ["check"]}],
                dependentRequired={"count": ["every"], "every": ["count"], "copies": ["count"]}),
            "when": object_schema(WHEN_KEYS, "Bits that say whether the group is there.",
                                  oneOf=[{"required": [key]} for key in RELATIONS]),
            "parameter": _typed_schema(
                FIXED_TYPES, FIXED_PARAMETER_KEYS, "One parameter, and where it lies.",
                oneOf=[{"required": ["at"]}, {"required": ["bits"]}],
                dependentRequired={"base": ["scale_from"]}),
            "target": object_schema(TARGET_KEYS, "What becomes of a value in a store."),
            "check": object_schema(CHECK_KEYS, "A checksum.") | {
                "if": {"properties": {"type": {"const": "crc"}}},
                "then": {"required": ["polynomial"]}},
        })


def _groups_schema(title: str, head: str, groups: str, defs: Mapping[str, Json]) -> dict[str, Json]:
    """Return the JSON Schema (draft 2020-12) of a file with a table `head` and groups; `groups`
    says what those are."""
    tables = {"type": "object", "description": groups,
              **tables_of("group", NAME_SCHEMA, minProperties=1)}
    return document_schema(title, {head: reference(head), "group": tables}, [head, "group"], defs)


def _typed_schema(types: Mapping[str, TypeInfo], keys: Keys, doc: str,
                 **more: Json) -> dict[str, Json]:
    """Return the schema of a table whose `type` decides which other keys it may have."""
    keys = {**keys, "type": keys["type"]._replace(json={"enum": list(types)})}
    rules = [conditional("type", name, _rule(info, keys)) for name, info in types.items()]
    return object_schema(keys, doc, required=["type"], allOf=rules, **more)


def _rule(info: TypeInfo, keys: Keys) -> dict[str, Json]:
    """Return that a table of a type has these keys, and no other."""
    allowed = [k for k in info.keys if k in keys]
    values: dict[str, Json] = dict.fromkeys(allowed, True)
    if info.kind in (Kind.INTEGER, Kind.FLOAT):
        values |= {key: {"type": ["number", "string"]} for key in ("min", "max")}
    if info.kind in STORAGE:
        values["storage"] = {"enum": list(STORAGE[info.kind])}
    required = [k for k in allowed if keys[k].required and k != "type"]
    if info.kind is Kind.CURVE:
        required.append("default")
    then: dict[str, Json] = {"properties": values, "additionalProperties": False}
    return then | {"required": required} if required else then
