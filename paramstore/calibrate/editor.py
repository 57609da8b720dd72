"""The JSON Schema of recipes, for editors that complete and check TOML.

Made from the tables of keys; `recipe.schema.json` is its result, kept as a file. What a parameter
can take, and units, are left to the reader.
"""

from __future__ import annotations

from paramstore.calibrate.keys import COMMON_KEYS, MODELS, ROOT_KEYS
from paramstore.core.text import Json
from paramstore.located.json_schema import (
    conditional,
    document_schema,
    properties_of,
    required_in,
)

__all__ = ["recipe_schema"]


def recipe_schema() -> dict[str, Json]:
    """Return the JSON Schema (draft 2020-12) as plain data."""
    model = COMMON_KEYS["model"]._replace(json={"enum": list(MODELS)})
    calibration: Json = {
        "type": "object",
        "description": "One calibration: its model, and the parameters it feeds.",
        "properties": properties_of({"model": model}),
        "required": ["model"],
        "allOf": [
            conditional("model", name, {
                "description": info.doc,
                "properties": properties_of({**COMMON_KEYS, "model": model, **info.keys}),
                "required": required_in({**COMMON_KEYS, **info.keys}),
                "additionalProperties": False,
            })
            for name, info in MODELS.items()
        ],
    }
    return document_schema("How a parameter store is calibrated", properties_of(ROOT_KEYS),
                           required_in(ROOT_KEYS), {"calibration": calibration})
