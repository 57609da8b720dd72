"""The JSON Schema of recipes: it is what the tables of keys say, and agrees with the reader."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import jsonschema
import pytest

import paramstore.calibrate
from paramstore.calibrate.editor import recipe_schema
from paramstore.calibrate.keys import MODELS
from tests.calibrate.test_recipe_reader import MISTAKES
from tests.goldens import golden

FILE = Path(paramstore.calibrate.__file__).parent / "recipe.schema.json"
EXAMPLE = Path(__file__).parents[2] / "schemas" / "tank_probe.calibration.toml"
VALIDATOR = jsonschema.Draft202012Validator(recipe_schema())
STRUCTURE = ("a schema", "a values file", "no calibration", "misspelt", "not a table", "no model",
             "unknown model", "name", "missing keys", "unknown key", "wrong type", "full scale",
             "equation", "gives")
"""Mistakes that an editor can see."""


def test_file_is_what_the_tables_say() -> None:
    """The file that ships is made from the tables of keys."""
    text = json.dumps(recipe_schema(), indent=2, ensure_ascii=False) + "\n"
    assert golden(FILE, text) == text


def test_it_is_a_valid_json_schema() -> None:
    """It keeps the rules of JSON Schema 2020-12."""
    jsonschema.Draft202012Validator.check_schema(recipe_schema())


def test_example_is_valid() -> None:
    """An editor has nothing to say about the example that ships."""
    # JSON has no dates: editors take one for a text of the format `date`.
    data = json.loads(json.dumps(tomllib.loads(EXAMPLE.read_text("utf-8")), default=str))
    assert [] == [e.message for e in VALIDATOR.iter_errors(data)]


@pytest.mark.parametrize("name", STRUCTURE)
def test_mistakes_of_structure_are_seen(name: str) -> None:
    """An editor marks unknown keys, wrong types and values out of range."""
    assert not VALIDATOR.is_valid(tomllib.loads(MISTAKES[name]))


@pytest.mark.parametrize("model", MODELS)
def test_every_key_is_described(model: str) -> None:
    """Every model and key has a text for the editor to show, and an example that is TOML."""
    assert MODELS[model].doc
    for key in MODELS[model].keys.values():
        assert key.doc.endswith(".")
        assert [key.name] == list(tomllib.loads(key.example))
