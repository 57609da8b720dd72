"""The JSON Schema of the schema language, for editors that complete and check TOML.

Made from the tables of keys; `paramstore.schema.json` is its result, kept as a file. It says what
a table may hold; rules between values are left to the reader.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from paramstore.schema import catalogue
from paramstore.schema.frequency import WRITES
from paramstore.schema.identifiers import MAX_NAME, NAME
from paramstore.schema.keys import (
    AXIS_KEYS,
    FLOATS,
    GROUP_KEYS,
    INTEGERS,
    PARAMETER_KEYS,
    STORAGE,
    STORE_KEYS,
    TYPES,
    Form,
    Key,
    TypeInfo,
)
from paramstore.schema.model import Kind, Role
from paramstore.schema.part_table import KEYS as PART_KEYS
from paramstore.schema.part_table import Form as PartForm
from paramstore.schema.part_table import Key as PartKey

__all__ = ["NAMES", "document_schema", "json_schema", "key_schema", "object_schema", "typed_schema"]

_FORMS: dict[Form, dict[str, Any]] = {
    Form.TEXT: {"type": "string"},
    Form.INTEGER: {"type": "integer"},
    Form.NUMBER: {"type": "number"},
    Form.VALUE: {},
    Form.TABLE: {"type": "object"},
    Form.MEMBERS: {},
    Form.PART: {},
    Form.TARGET: {},
    Form.NAMES: {"type": "array", "items": {"type": "string"}},
    Form.TEXTS: {"type": "array", "items": {"type": "string"}},
    Form.BOOL: {"type": "boolean"},
}
NAMES = {"pattern": f"^{NAME}$", "maxLength": MAX_NAME}
_NUMBER_OR_QUANTITY = {"type": ["number", "string"]}


def document_schema(title: str, head: str, groups: str, defs: dict[str, Any]) -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of a file with a table `head` and groups; `groups`
    says what those are."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": title,
        "type": "object",
        "required": [head, "group"],
        "additionalProperties": False,
        "properties": {
            head: {"$ref": f"#/$defs/{head}"},
            "group": {
                "type": "object",
                "description": groups,
                "minProperties": 1,
                "propertyNames": NAMES,
                "additionalProperties": {"$ref": "#/$defs/group"},
            },
        },
        "$defs": defs,
    }


def json_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) as plain data."""
    return document_schema(
        "A parameter store on an I2C EEPROM", "store", "The groups: what is committed together.", {
            "store": _store(),
            "part": _part(),
            "group": _group(),
            "parameter": _parameter(),
            "axis": typed_schema({n: TYPES[n] for n in INTEGERS + FLOATS}, AXIS_KEYS,
                                 "Axis of a curve."),
        })


def key_schema(key: Key, **more: Any) -> dict[str, Any]:
    """Return the schema of what a key takes."""
    result = {"description": key.doc, **_FORMS[key.form], **more}
    if key.low is not None:
        result |= {"minimum": key.low, "maximum": key.high}
    if key.default is not None:
        result["default"] = key.default
    return result


def object_schema(properties: Mapping[str, Any], required: Iterable[str],
                  doc: str) -> dict[str, Any]:
    """Return the schema of a table with these keys and no other."""
    return {
        "type": "object",
        "description": doc,
        "properties": dict(properties),
        "required": list(required),
        "additionalProperties": False,
    }


def _store() -> dict[str, Any]:
    known = {"type": "string", "anyOf": [{"enum": list(catalogue.names())}, {}]}
    more: dict[str, dict[str, Any]] = {
        "name": NAMES,
        "part": {"oneOf": [known, {"$ref": "#/$defs/part"}]},
        "life_years": {"exclusiveMinimum": 0},
    }
    properties = {k.name: key_schema(k, **more.get(k.name, {})) for k in STORE_KEYS.values()}
    required = [k.name for k in STORE_KEYS.values() if k.required]
    return object_schema(properties, required, "The store as a whole: its part and how it is used.")


def _part() -> dict[str, Any]:
    required = [k.name for k in PART_KEYS.values() if k.default is None]
    return object_schema({k.name: _part_key(k) for k in PART_KEYS.values()}, required,
                   "An EEPROM part that is not in the catalogue, from its data sheet.")


def _part_key(key: PartKey) -> dict[str, Any]:
    result: dict[str, Any] = {"description": key.doc[0].upper() + key.doc[1:] + "."}
    match key.form:
        case PartForm.TEXT:
            result["type"] = "string"
        case PartForm.INTEGER:
            result["type"] = "integer"
        case PartForm.NUMBER:
            bounds = {"minimum": key.ranges[0][0], "maximum": key.ranges[0][1]}
            result |= {"type": "number", **(
                {"anyOf": [{"enum": list(key.also)}, bounds]} if key.also else bounds)}
        case PartForm.POINTS:
            pair = [{"type": "number", "minimum": a, "maximum": b} for a, b in key.ranges]
            result |= {"type": "array", "minItems": 1, "items": {
                "type": "array", "prefixItems": pair, "minItems": 2, "maxItems": 2}}
        case PartForm.SOURCES:
            names = {"type": "array", "items": {"enum": list(PART_KEYS)}}
            result |= {"type": "object", "additionalProperties": names}
    if key.choices:
        result["enum"] = list(key.choices)
    if key.default not in (None, {}):
        result["default"] = key.default
    return result


def _group() -> dict[str, Any]:
    parameters = {
        "type": "object", "minProperties": 1, "propertyNames": NAMES,
        "additionalProperties": {"$ref": "#/$defs/parameter"},
    }
    more: dict[str, dict[str, Any]] = {
        "role": {"enum": [r.value for r in Role]},
        "writes": {"pattern": f"^({WRITES})$"},
        "parameter": parameters,
    }
    properties = {k.name: key_schema(k, **more.get(k.name, {})) for k in GROUP_KEYS.values()}
    required = [k.name for k in GROUP_KEYS.values() if k.required]
    return object_schema(properties, [*required, "parameter"], "What is committed together.")


def _parameter() -> dict[str, Any]:
    schema = typed_schema(TYPES, PARAMETER_KEYS, "One parameter.")
    axis = {"$ref": "#/$defs/axis"}
    schema["properties"] |= {n: {**schema["properties"][n], **axis} for n in ("x", "y")}
    return schema


def typed_schema(types: Mapping[str, TypeInfo], keys: Mapping[str, Key],
                 doc: str) -> dict[str, Any]:
    """Return the schema of a table whose `type` decides which other keys it may have."""
    more = {"type": {"enum": list(types)}, "members": _members()}
    properties = {k.name: key_schema(k, **more.get(k.name, {})) for k in keys.values()}
    rules = [_rule(name, info, keys) for name, info in types.items()]
    return {
        **object_schema(properties, ["type"], doc),
        "allOf": rules,
    }


def _members() -> dict[str, Any]:
    return {"oneOf": [
        {"type": "array", "minItems": 1, "uniqueItems": True,
         "items": {"type": "string", **NAMES}},
        {"type": "object", "minProperties": 1, "propertyNames": NAMES,
         "additionalProperties": {"type": "integer", "minimum": 0}},
    ]}


def _rule(name: str, info: TypeInfo, keys: Mapping[str, Key]) -> dict[str, Any]:
    """Return: if `type` is `name`, then these keys, and no other."""
    allowed = [k for k in info.keys if k in keys]
    values: dict[str, Any] = dict.fromkeys(allowed, True)
    if info.kind in (Kind.INTEGER, Kind.FLOAT):
        values |= dict.fromkeys(("min", "max"), _NUMBER_OR_QUANTITY)
    if info.kind in STORAGE:
        values["storage"] = {"enum": list(STORAGE[info.kind])}
    required = [k for k in allowed if keys[k].required and k != "type"]
    if info.kind is Kind.CURVE:
        required.append("default")
    then: dict[str, Any] = {"properties": values, "additionalProperties": False}
    if required:
        then["required"] = required
    return {
        "if": {"properties": {"type": {"const": name}}, "required": ["type"]},
        "then": then,
    }
