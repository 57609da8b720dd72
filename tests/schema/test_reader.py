"""The reader: what a schema in TOML means, and that every mistake is told once and in its place."""

from __future__ import annotations

from hypothesis import given

from paramstore.errors import SourceText
from paramstore.schema.model import Schema
from paramstore.schema.reader import read_schema
from tests.strategies import schema_toml, schemas


def read(text: str) -> Schema:
    return read_schema(SourceText("test.toml", text))[0]


@given(schemas())
def test_a_schema_is_read_as_it_was_spelled(schema: Schema) -> None:
    """Every valid schema, spelled as TOML, is read back equal, without a warning."""
    found, warnings = read_schema(SourceText("test.toml", schema_toml(schema)))
    assert (schema, ()) == (found, warnings)
