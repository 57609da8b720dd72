"""The JSON Schema of recipes, for editors that complete and check TOML.

Made from the tables of keys; `recipe.schema.json` is its result, kept as a file. What a parameter
can take, and units, are left to the reader.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from paramstore.calibrate.keys import COMMON_KEYS, EQUATIONS, GIVES, MODELS, ROOT_KEYS
from paramstore.schema.identifiers import MAX_NAME, NAME
from paramstore.schema.keys import Form, Key

__all__ = ["recipe_schema"]

_FORMS = {Form.TEXT: "string", Form.INTEGER: "integer", Form.NUMBER: "number", Form.TABLE: "object"}
_CHOICES = {"equation": EQUATIONS, "gives": GIVES, "model": tuple(MODELS)}


def recipe_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) as plain data."""
    properties = _properties(ROOT_KEYS)
    properties["calibration"] |= {
        "minProperties": 1,
        "propertyNames": {"pattern": f"^{NAME}$", "maxLength": MAX_NAME},
        "additionalProperties": {"$ref": "#/$defs/calibration"},
    }
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "How a parameter store is calibrated",
        "type": "object",
        "properties": properties,
        "required": _required(ROOT_KEYS),
        "additionalProperties": False,
        "$defs": {"calibration": _calibration()},
    }


def _calibration() -> dict[str, Any]:
    return {
        "type": "object",
        "description": "One calibration: its model, and the parameters it feeds.",
        "properties": {"model": _properties(COMMON_KEYS)["model"]},
        "required": ["model"],
        "allOf": [
            {
                "if": {"properties": {"model": {"const": name}}, "required": ["model"]},
                "then": {
                    "description": info.doc,
                    "properties": _properties(COMMON_KEYS | info.keys),
                    "required": _required(COMMON_KEYS | info.keys),
                    "additionalProperties": False,
                },
            }
            for name, info in MODELS.items()
        ],
    }


def _properties(keys: Mapping[str, Key]) -> dict[str, dict[str, Any]]:
    return {key.name: _property(key) for key in keys.values()}


def _property(key: Key) -> dict[str, Any]:
    result: dict[str, Any] = {"description": key.doc, "type": _FORMS[key.form]}
    if key.name in _CHOICES:
        result["enum"] = list(_CHOICES[key.name])
    if key.low is not None:
        result |= {"minimum": key.low, "maximum": key.high}
    if key.default is not None:
        result["default"] = key.default
    return result


def _required(keys: Mapping[str, Key]) -> list[str]:
    return [key.name for key in keys.values() if key.required]
