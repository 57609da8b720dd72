"""The JSON Schema (draft 2020-12) of TOML tables, for editors that complete and check them.

Made from tables of keys. It says what a table may hold; rules between values are left to readers.
"""

from __future__ import annotations

from collections.abc import Mapping

from paramstore.core.text import Json
from paramstore.located.keys import Key, Keys

__all__ = ["conditional", "document_schema", "key_schema", "object_schema", "properties_of",
           "reference", "required_in", "tables_of"]


def document_schema(title: str, properties: Mapping[str, Json], required: list[str],
                    defs: Mapping[str, Json]) -> dict[str, Json]:
    """Return the schema of a file with these tables at its root."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": title,
        "type": "object",
        "properties": properties,
        "required": required,
        "additionalProperties": False,
        "$defs": defs,
    }


def object_schema(keys: Keys, doc: str, **more: Json) -> dict[str, Json]:
    """Return the schema of a table with these keys and no other; `more` is added to it."""
    return {
        "type": "object",
        "description": doc,
        "properties": properties_of(keys),
        "required": required_in(keys),
        "additionalProperties": False,
        **more,
    }


def properties_of(keys: Keys) -> dict[str, Json]:
    """Return the schema of each key."""
    return {key.name: key_schema(key) for key in keys.values()}


def required_in(keys: Keys) -> list[str]:
    """Return the keys that a table must have."""
    return [key.name for key in keys.values() if key.required]


def key_schema(key: Key) -> dict[str, Json]:
    """Return the schema of what a key takes."""
    result: dict[str, Json] = {"description": key.doc, **key.form.json}
    if key.choices:
        result["enum"] = list(key.choices)
    result |= key.json
    if key.low is not None and key.high is not None:
        bounds: dict[str, Json] = {"minimum": key.low, "maximum": key.high}
        result |= {"anyOf": [{"enum": list(key.also)}, bounds]} if key.also else bounds
    if key.default is not None and key.default != {}:
        result["default"] = key.default
    return result


def reference(name: str) -> dict[str, Json]:
    """Return a reference to a definition of the same file."""
    return {"$ref": f"#/$defs/{name}"}


def tables_of(definition: str, names: Mapping[str, Json], **more: Json) -> dict[str, Json]:
    """Return what is true of a table of tables: those are like a definition, their keys like
    `names`."""
    return {**more, "propertyNames": names, "additionalProperties": reference(definition)}


def conditional(key: str, value: str, then: Mapping[str, Json]) -> dict[str, Json]:
    """Return: if `key` is there with this value, then what `then` says."""
    return {"if": {"properties": {key: {"const": value}}, "required": [key]}, "then": then}
