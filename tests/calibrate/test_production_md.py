"""PRODUCTION.md says what the tables of keys say, and its recipe is one."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path

import paramstore
from paramstore.calibrate.keys import COMMON_KEYS, EQUATIONS, GIVES, MODELS, ROOT_KEYS, SMALLEST
from paramstore.calibrate.recipe_reader import read_recipe
from paramstore.calibrate.record_keys import ACCEPTANCE_KEYS, REFERENCE_KEYS, STORES_KEYS
from paramstore.calibrate.table import COLUMNS
from paramstore.core.disk import read_text
from paramstore.core.errors import SourceText
from paramstore.located.keys import Key
from paramstore.releases.project import open_project
from tests.goldens import golden

PAGE = Path(paramstore.__file__).parent / "PRODUCTION.md"
TEXT = PAGE.read_text("utf-8")
SCHEMA = Path(__file__).parents[2] / "schemas" / "tank_probe.toml"
CHOICES = {"equation": EQUATIONS, "gives": GIVES, "smallest": SMALLEST}


def key_row(key: Key) -> str:
    takes = " or ".join(f"`{c}`" for c in CHOICES.get(key.name, ())) or (
        "a parameter" if key.doc.startswith("Parameter that takes") else key.form.words)
    if key.required:
        takes += "; **required**"
    elif key.default not in (None, ""):
        takes += f"; else `{json.dumps(key.default)}`"
    return f"| `{key.name}` | {takes} | {key.doc} | `{key.example}` |"


def model_lines() -> Iterator[str]:
    for name, info in MODELS.items():
        names = ", ".join(f"`{n}`" for n in info.at_least_one_of)
        many = "one" if info.at_least_one_of == info.at_most_one_of else "one or more"
        needs = f" It needs {many} of {names}." if names else ""
        if info.at_most_one_of and info.at_most_one_of != info.at_least_one_of:
            needs += f" Not both of {', '.join(f'`{n}`' for n in info.at_most_one_of)}."
        yield f"**`{name}`**: {info.doc}.{needs}"
        yield ""
        yield from HEAD
        yield from map(key_row, info.keys.values())
        yield ""


HEAD = ["| key | takes | what it is | example |", "|---|---|---|---|"]
TABLES = {
    "root": [*HEAD, *map(key_row, ROOT_KEYS.values())],
    "common": [*HEAD, *map(key_row, COMMON_KEYS.values())],
    "reference": [*HEAD, *map(key_row, REFERENCE_KEYS.values())],
    "stores": [*HEAD, *map(key_row, STORES_KEYS.values())],
    "acceptance": [*HEAD, *map(key_row, ACCEPTANCE_KEYS.values())],
    "models": list(model_lines())[:-1],
}


def test_tables_are_those_of_the_reader() -> None:
    """Every model and key stands in the page, and no other one does."""
    pieces = re.split(r"(?s)(<!-- table: \w+ -->\n).*?(<!-- end -->)", TEXT)
    assert list(TABLES) == re.findall(r"<!-- table: (\w+) -->", TEXT)
    filled = pieces[0] + "".join(
        start + "\n".join(TABLES[name]) + "\n" + end + text
        for name, start, end, text in zip(TABLES, pieces[1::3], pieces[2::3], pieces[3::3],
                                          strict=True))
    assert golden(PAGE, filled) == filled


def test_its_recipe_is_read() -> None:
    """As it stands, with the schema that ships."""
    (text,) = re.findall(r"(?ms)^```toml\n(.*?)^```$", TEXT)
    schema = open_project(read_text(SCHEMA)).plan.schema
    recipe = read_recipe(schema, SourceText("PRODUCTION.md", text))
    assert ["amplifier"] == [c.name for c in recipe.calibrations]


def test_every_column_is_described() -> None:
    """Those that a table of measurements may have."""
    rows = re.findall(r"^\| `(\w+)` \| (?:what|if|in degC)", TEXT, re.MULTILINE)
    assert set(COLUMNS) == set(rows)
