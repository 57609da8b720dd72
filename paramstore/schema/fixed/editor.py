"""The JSON Schema of fixed layouts, for editors that complete and check TOML.

Made from the tables of keys; `fixed.schema.json` is its result, kept as a file. It says what a
table may hold; rules between values are left to the reader.
"""

from __future__ import annotations

from paramstore.core.text import Json
from paramstore.located.json_schema import object_schema
from paramstore.schema.editor import groups_schema, typed_schema
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

__all__ = ["json_schema"]


def json_schema() -> dict[str, Json]:
    """Return the JSON Schema (draft 2020-12) as plain data."""
    return groups_schema(
        "A fixed layout: bytes that are there already", "fixed",
        "The groups: what belongs together.", {
            "fixed": object_schema(FIXED_KEYS, "The layout as a whole."),
            "group": object_schema(
                SECTION_KEYS, "What belongs together, once or in several blocks.",
                anyOf=[{"required": ["parameter"]}, {"required": ["check"]}],
                dependentRequired={"count": ["every"], "every": ["count"], "copies": ["count"]}),
            "when": object_schema(WHEN_KEYS, "Bits that say whether the group is there.",
                                  oneOf=[{"required": [key]} for key in RELATIONS]),
            "parameter": typed_schema(
                FIXED_TYPES, FIXED_PARAMETER_KEYS, "One parameter, and where it lies.",
                oneOf=[{"required": ["at"]}, {"required": ["bits"]}],
                dependentRequired={"base": ["scale_from"]}),
            "target": object_schema(TARGET_KEYS, "What becomes of a value in a store."),
            "check": object_schema(CHECK_KEYS, "A checksum.") | {
                "if": {"properties": {"type": {"const": "crc"}}},
                "then": {"required": ["polynomial"]}},
        })
