"""The JSON Schema of fixed layouts: it is what the tables say, and agrees with the reader."""

from __future__ import annotations

import json
import tomllib
from datetime import date
from pathlib import Path
from typing import Any

import jsonschema
import pytest

import paramstore.schema.fixed
from paramstore.schema.editor import fixed_schema
from tests.goldens import golden

ROOT = Path(__file__).parents[3]
FILE = Path(paramstore.schema.fixed.__file__).parent / "fixed.schema.json"
EXAMPLES = sorted((ROOT / "schemas").glob("*.fixed.toml"))
CORPUS = ROOT / "tests" / "corpus" / "fixed"
VALIDATOR = jsonschema.Draft202012Validator(fixed_schema())

STRUCTURE = ("bits_unreadable", "blocks_do_not_fit", "checksum_parameters", "codings",
             "conditions", "conditions_outside",
             "empty_groups", "head_wrong", "keys_of_stores", "names_wrong", "no_groups_fixed",
             "no_head", "no_place", "orders", "outside_the_image", "scales")
"""Mistakes of the corpus that an editor can see: keys, types, ranges and names."""


def as_json(path: Path) -> Any:
    """TOML as the JSON that a validator in an editor sees."""
    return json.loads(json.dumps(tomllib.loads(path.read_text("utf-8")), default=date.isoformat))


def test_file_is_what_the_tables_say() -> None:
    """The file that ships is made from the tables of keys."""
    text = json.dumps(fixed_schema(), indent=2, ensure_ascii=False) + "\n"
    assert golden(FILE, text) == text


def test_it_is_a_valid_json_schema() -> None:
    """It keeps the rules of JSON Schema 2020-12."""
    jsonschema.Draft202012Validator.check_schema(fixed_schema())


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda p: p.stem)
def test_examples_are_valid(path: Path) -> None:
    """An editor has nothing to say about the examples that ship."""
    assert [] == [e.message for e in VALIDATOR.iter_errors(as_json(path))]


@pytest.mark.parametrize("name", STRUCTURE)
def test_mistakes_of_structure_are_seen(name: str) -> None:
    """An editor marks unknown keys, wrong types and values out of range."""
    assert not VALIDATOR.is_valid(as_json(CORPUS / f"{name}.toml"))


def test_every_key_is_described() -> None:
    """Every key has a text for the editor to show."""
    undescribed = [
        f"{name}.{key}" for name, definition in fixed_schema()["$defs"].items()
        for key, value in definition["properties"].items() if not value.get("description")
    ]
    assert [] == undescribed
