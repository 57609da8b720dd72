"""SCHEMA.md says what the tables of keys say, and each of its examples is what it claims to be."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest

import paramstore
from paramstore.core.errors import SourceText
from paramstore.image.values import read_values
from paramstore.layout.place import make_plan
from paramstore.located.keys import Key
from paramstore.schema.fixed.keys import (
    CHECK_KEYS,
    FIXED_KEYS,
    FIXED_PARAMETER_KEYS,
    FIXED_TYPES,
    SECTION_KEYS,
    TARGET_KEYS,
    WHEN_KEYS,
)
from paramstore.schema.fixed.reader import read_layout
from paramstore.schema.keys import (
    FLOATS,
    GROUP_KEYS,
    INTEGERS,
    PARAMETER_KEYS,
    STORE_KEYS,
    TYPES,
    TypeInfo,
)
from paramstore.schema.model import Role
from paramstore.schema.part_table import KEYS as PART_KEYS
from paramstore.schema.part_table import PAIRS
from paramstore.schema.reader import read_schema
from tests.goldens import golden

PAGE = Path(paramstore.__file__).parent / "SCHEMA.md"
TEXT = PAGE.read_text("utf-8")

_TAKES = {"a value": "a value of its type", "the name of a part or a table": "a name or a table",
          "the name of a parameter or a table": "a name or a table"}


def shown(value: object) -> str:
    return f"`{json.dumps(value)}`"


def number(value: float, key: str) -> str:
    return f"0x{int(value):02X}" if key == "address" or value > 1e9 else f"{value:g}"


def key_row(key: Key) -> str:
    takes = _TAKES.get(key.form.words, key.form.words)
    if key.low is not None and key.high is not None:
        takes += f", {number(key.low, key.name)} to {number(key.high, key.name)}"
        takes += "".join(f", or {value}" for value in key.also)
    if key.choices and not key.noun:
        choices = [shown(c) for c in key.choices]
        takes = ", ".join(choices if len(choices) <= 6 else [*choices[:2], f"... {choices[-1]}"])
    for index, (low, high) in enumerate(PAIRS.get(key.name, ())):
        takes += f"{' and' if index else ','} {low:g} to {high:g}"
    if key.required:
        takes += "; **required**"
    elif key.default not in (None, "", (), {}):
        plain = isinstance(key.default, int | float) and not isinstance(key.default, bool)
        takes += f"; else {number(key.default, key.name) if plain else shown(key.default)}"
    return f"| `{key.name}` | {takes} | {key.doc} | `{key.example}` |"


def type_rows(types: Mapping[str, TypeInfo], keys_of: Mapping[str, Key],
              left_out: tuple[str, ...]) -> Iterator[str]:
    for names in (INTEGERS, FLOATS, *((n,) for n in types if n not in INTEGERS + FLOATS)):
        info = types[names[0]]
        assert {types[n].keys for n in names} == {info.keys}
        doc = {INTEGERS: "whole number, unsigned or signed, of 8 to 64 bits, scaled or not",
               FLOATS: "IEEE 754 binary32 and binary64"}.get(names, info.doc)
        keys = [f"**`{k}`**" if keys_of[k].required else f"`{k}`"
                for k in info.keys if k not in left_out]
        yield f"| {' '.join(f'`{n}`' for n in names)} | {doc} | {' '.join(keys)} |"


KEY_HEAD = ("| key | takes | what it is | example |", "|---|---|---|---|")

TABLES = {
    "store": [*KEY_HEAD, *map(key_row, STORE_KEYS.values())],
    "part": [*KEY_HEAD, *map(key_row, PART_KEYS.values())],
    "group": [*KEY_HEAD, *map(key_row, GROUP_KEYS.values())],
    "types": ["| type | is | keys besides `type`, `doc` and `was` |", "|---|---|---|",
              *type_rows(TYPES, PARAMETER_KEYS, ("type", "doc", "was"))],
    "parameter": [*KEY_HEAD, *map(key_row, PARAMETER_KEYS.values())],
    "fixed": [*KEY_HEAD, *map(key_row, FIXED_KEYS.values())],
    "section": [*KEY_HEAD, *map(key_row, SECTION_KEYS.values())],
    "when": [*KEY_HEAD, *map(key_row, WHEN_KEYS.values())],
    "fixed_types": ["| type | is | keys besides `type`, `doc` and `to` |", "|---|---|---|",
                    *type_rows(FIXED_TYPES, FIXED_PARAMETER_KEYS, ("type", "doc", "to"))],
    "place": [*KEY_HEAD, *(key_row(k) for n, k in FIXED_PARAMETER_KEYS.items()
                           if n not in PARAMETER_KEYS)],
    "target": [*KEY_HEAD, *map(key_row, TARGET_KEYS.values())],
    "check": [*KEY_HEAD, *map(key_row, CHECK_KEYS.values())],
}


def test_tables_are_those_of_the_reader() -> None:
    """Every key and type stands in the page with its range and default, and no other one does."""
    pieces = re.split(r"(?s)(<!-- table: \w+ -->\n).*?(<!-- end -->)", TEXT)
    names = re.findall(r"<!-- table: (\w+) -->", TEXT)
    assert list(TABLES) == names
    filled = pieces[0] + "".join(
        start + "\n".join(TABLES[name]) + "\n" + end + text
        for name, start, end, text in zip(names, pieces[1::3], pieces[2::3], pieces[3::3],
                                          strict=True))
    assert golden(PAGE, filled) == filled


STORES, _, FIXED = TEXT.partition("\n## Fixed layouts")
BLOCKS, FIXED_BLOCKS = (re.findall(r"(?ms)^```toml\n(.*?)^```$", part) for part in (STORES, FIXED))
WHOLE = [b for b in BLOCKS if b.startswith("[store]")]
EXAMPLES = [b for b in BLOCKS if not b.startswith("[") or ".NAME." in b]
HEAD = '[store]\nname = "demo"\npart = "24LC32A"\n\n[group.NAME]\nrole = "setting"\n' \
       'writes = "1 per day"\n[group.NAME.parameter]\n'


def in_a_schema(lines: str) -> str:
    return (HEAD.replace("[group.NAME.parameter]\n", "" if lines.startswith("[") else
                         "[group.NAME.parameter]\n") + lines).replace("NAME", "demo")


@pytest.mark.parametrize("text", [*WHOLE, *map(in_a_schema, EXAMPLES)],
                         ids=lambda t: t.splitlines()[-1][:20])
def test_examples_are_read_without_a_finding(text: str) -> None:
    """A schema of the page, or one around its lines, has no mistake and fits on its part."""
    schema, findings = read_schema(SourceText("SCHEMA.md", text))
    assert () == findings
    assert make_plan(schema).rings


def test_examples_show_every_type_with_all_of_its_keys() -> None:
    """What a type can have is used by an example of it, except what needs an earlier release."""
    used: dict[str, set[str]] = {}
    for block in EXAMPLES:
        schema, _ = read_schema(SourceText("SCHEMA.md", in_a_schema(block)))
        data = tomllib.loads(in_a_schema(block))["group"]["demo"]["parameter"]
        assert len(schema.groups[0].parameters) == len(data)
        for parameter in data.values():
            used.setdefault(parameter["type"], set()).update(parameter)
    assert set(TYPES) == set(used)
    for names in (INTEGERS, FLOATS, *((n,) for n in TYPES if n not in INTEGERS + FLOATS)):
        together = set().union(*(used[n] for n in names))
        assert set(TYPES[names[0]].keys) - {"was", "convert"} == together


def test_keys_of_releases_are_read() -> None:
    """The example of an edited schema is sound by itself."""
    (block,) = [b for b in BLOCKS if b.startswith("[group.") and ".NAME." not in b]
    text = '[store]\nname = "demo"\npart = "24LC32A"\n' + block
    schema, findings = read_schema(SourceText("SCHEMA.md", text))
    assert ((), "user", ("beeper",)) == (findings, schema.groups[0].was, schema.groups[0].retired)


def test_values_file_belongs_to_the_first_schema() -> None:
    """The example of a values file gives values of the example at the top, without a loss."""
    (values,) = [b for b in BLOCKS if b.startswith("[adjustment]")]
    schema, _ = read_schema(SourceText("SCHEMA.md", WHOLE[0]))
    given = read_values(schema, SourceText("values", values))
    assert (5, ()) == (sum(map(len, given.values.values())), given.warnings)


def test_roles_are_described() -> None:
    """Copies and protection of each role are those of the model."""
    rows = re.findall(r"(?m)^\| `(\w+)` \|.*\| (\d) \| (yes|no) \|$", TEXT)
    assert [r.value for r in Role] == [name for name, _, _ in rows]
    for name, copies, locked in rows:
        text = in_a_schema('level = { type = "u8" }').replace('"setting"', f'"{name}"')
        group = read_schema(SourceText("t", text))[0].groups[0]
        assert (int(copies), locked == "yes") == (group.copies, group.role.protected)


# ---- Fixed layouts ------------------------------------------------------------------------------


def in_a_layout(lines: str) -> str:
    """A layout around lines of parameters or of checksums."""
    if lines.startswith("[fixed]"):
        return lines
    kind = "check" if " over = " in lines else "parameter"
    return f'[fixed]\nname = "demo"\nsize = 64\n\n[group.demo.{kind}]\n{lines}'


@pytest.mark.parametrize("text", [*map(in_a_layout, FIXED_BLOCKS)],
                         ids=lambda t: t.splitlines()[-1][:20])
def test_examples_of_layouts_are_read_without_a_finding(text: str) -> None:
    """A layout of the page, or one around its lines, has no mistake."""
    layout, findings = read_layout(SourceText("SCHEMA.md", text))
    assert ((), True) == (findings, bool(layout.groups))


def test_examples_of_layouts_show_every_type_and_key() -> None:
    """Every type, every key of a parameter and every key of a checksum is used by an example."""
    tables: dict[str, list[dict[str, object]]] = {"parameter": [], "check": []}
    for block in FIXED_BLOCKS:
        for group in tomllib.loads(in_a_layout(block))["group"].values():
            for kind, found in tables.items():
                found += group.get(kind, {}).values()
    types = {str(t["type"]) for t in tables["parameter"]}
    assert {"u8", "u16", "i8", "i16", "f32", "f64"} == types & set(INTEGERS + FLOATS)
    assert set(FIXED_TYPES) - set(INTEGERS + FLOATS) == types - set(INTEGERS + FLOATS)
    for kind, keys in (("parameter", FIXED_PARAMETER_KEYS), ("check", CHECK_KEYS)):
        assert set(keys) == {key for table in tables[kind] for key in table}
