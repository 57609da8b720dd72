"""The JSON Schema for editors: it is what the tables of keys say, and agrees with the reader."""

from __future__ import annotations

import json
import tomllib
from datetime import date
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from hypothesis import given

import paramstore.schema
from paramstore.schema.editor import store_schema
from paramstore.schema.model import Schema
from tests.goldens import golden
from tests.strategies import schema_toml, schemas

ROOT = Path(__file__).parents[2]
FILE = Path(paramstore.schema.__file__).parent / "paramstore.schema.json"
EXAMPLES = sorted(p for p in (ROOT / "schemas").glob("*.toml") if "." not in p.stem)
CORPUS = ROOT / "tests" / "corpus" / "schemas"
VALIDATOR = jsonschema.Draft202012Validator(store_schema())

STRUCTURE = (
    "address_out_of_range", "bare_type", "group_without_parameters", "groups_misspelt",
    "invalid_names", "keys_of_other_types", "member_names", "members_unreadable", "missing_type",
    "name_of_store", "no_groups", "no_store", "part_table", "sizes_out_of_range", "store_keys",
    "store_numbers", "unknown_key", "unknown_type",
)
"""Mistakes of the corpus that an editor can see: keys, types, ranges and names."""


def as_json(text: str) -> Any:
    """TOML as the JSON that a validator in an editor sees: dates are texts there."""
    return json.loads(json.dumps(tomllib.loads(text), default=date.isoformat))


def test_file_is_what_the_tables_say() -> None:
    """The file that ships is made from the tables of keys."""
    text = json.dumps(store_schema(), indent=2, ensure_ascii=False) + "\n"
    assert golden(FILE, text) == text


def test_it_is_a_valid_json_schema() -> None:
    """It keeps the rules of JSON Schema 2020-12."""
    jsonschema.Draft202012Validator.check_schema(store_schema())


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda p: p.stem)
def test_examples_are_valid(path: Path) -> None:
    """An editor has nothing to say about the examples that ship."""
    assert [] == [e.message for e in VALIDATOR.iter_errors(as_json(path.read_text("utf-8")))]


@given(schemas(max_groups=2, max_parameters=3))
def test_what_the_reader_accepts_is_valid(schema: Schema) -> None:
    """An editor accepts every schema that the reader accepts."""
    assert [] == [e.message for e in VALIDATOR.iter_errors(as_json(schema_toml(schema)))]


@pytest.mark.parametrize("name", STRUCTURE)
def test_mistakes_of_structure_are_seen(name: str) -> None:
    """An editor marks unknown keys, wrong types and values out of range."""
    assert not VALIDATOR.is_valid(as_json((CORPUS / f"{name}.toml").read_text("utf-8")))


def test_every_key_is_described() -> None:
    """Every key has a text for the editor to show."""
    definitions = store_schema()["$defs"]
    undescribed = [
        f"{name}.{key}" for name, definition in definitions.items()
        for key, value in definition["properties"].items() if not value.get("description")
    ]
    assert [] == undescribed
