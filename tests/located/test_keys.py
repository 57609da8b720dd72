"""Tables of keys: what a reader takes is what the JSON Schema says, and what else is said."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from paramstore.core.errors import FindingsError, Severity, SourceText, Span
from paramstore.located.json_schema import (
    conditional,
    document_schema,
    object_schema,
    reference,
    tables_of,
)
from paramstore.located.keys import (
    BOOL,
    INTEGER,
    NAMES,
    NUMBER,
    TABLE,
    TEXT,
    TEXTS,
    VALUE,
    Key,
    check_table,
    key_table,
    range_problem,
)
from paramstore.located.source import load_document
from paramstore.located.validator import CheckedTable, Validator

KEYS = key_table(
    Key("name", TEXT, "Name of it.", 'name = "x"', required=True),
    Key("doc", TEXT, "What it is.", 'doc = "x"'),
    Key("count", INTEGER, "How many.", "count = 3", low=2, high=9, code="PS900", why="few fit"),
    Key("ratio", NUMBER, "Share.", "ratio = 0.5", low=0.1, high=1, code="PS901", also=(0,)),
    Key("address", INTEGER, "Where.", "address = 0x50", low=0x50, high=0x57, code="PS902"),
    Key("mode", TEXT, "Way.", 'mode = "a"', choices=("auto", "manual"), noun="mode", code="PS903"),
    Key("bits", INTEGER, "Width.", "bits = 8", choices=(8, 16), code="PS904"),
    Key("on", BOOL, "Whether.", "on = true", default=False),
    Key("inner", TABLE, "More.", "inner = {}"),
    Key("names", NAMES, "All.", 'names = ["a"]'),
    Key("texts", TEXTS, "Words.", 'texts = ["a"]'),
    Key("any", VALUE, "Anything.", "any = 1"),
)

VALUES: st.SearchStrategy[Any] = st.one_of(
    st.booleans(), st.integers(-3, 100), st.floats(-1, 2).map(lambda x: round(x, 2)),
    st.sampled_from(["", "auto", "manual", "x"]), st.lists(st.sampled_from(["a", 1]), max_size=2),
    st.just({}))


def problems(**data: Any) -> list[tuple[str, str, str]]:
    check = check_table({"name": "x", **data}, KEYS, "the thing")
    return [(p.code, p.message, p.help) for p in check.problems]


@given(st.dictionaries(st.sampled_from([*KEYS, "other"]), VALUES, max_size=4))
def test_a_reader_takes_what_the_json_schema_says(data: dict[str, Any]) -> None:
    """And nothing else; what is not in order is told of its key, and is not among the values."""
    schema = object_schema(KEYS, "A thing.")
    check = check_table(data, KEYS, "the thing")
    valid = jsonschema.Draft202012Validator(schema).is_valid(data)
    # JSON knows one kind of number: 3.0 is a whole one there.
    if not any(isinstance(v, float) and v.is_integer() for v in data.values()):
        assert valid == (not check.problems)
    wrong = {p.path[0] for p in check.problems if p.path}
    assert check.values == {k: v for k, v in data.items() if k not in wrong}
    assert not check.spoilt & check.values.keys()


@pytest.mark.parametrize(("data", "code", "message", "help"), [
    ({"count": True}, "PS106", "`count` must be a whole number, not true or false",
     "write it like `count = 3`"),
    ({"ratio": True}, "PS106", "`ratio` must be a number, not true or false",
     "write it like `ratio = 0.5`"),
    ({"texts": ["a", 1]}, "PS106", "`texts` must be an array of texts, not an array",
     "write it like `texts = [\"a\"]`"),
    ({"inner": date(2026, 1, 31)}, "PS106", "`inner` must be a table, not a date",
     "write it like `inner = {}`"),
    ({"count": 1}, "PS900", "`count` = 1 is not within 2 to 9", "give a value from 2 to 9"),
    ({"count": 10}, "PS900", "`count` = 10 is not within 2 to 9", "give a value from 2 to 9"),
    ({"ratio": Decimal("0.09")}, "PS901", "`ratio` = 0.09 is not within 0.1 to 1",
     "give a value from 0.1 to 1"),
    ({"ratio": Decimal("NaN")}, "PS901", "`ratio` = nan is not within 0.1 to 1",
     "give a value from 0.1 to 1"),
    ({"address": 0x58}, "PS902", "`address` = 0x58 is not within 0x50 to 0x57",
     "give a value from 0x50 to 0x57"),
    ({"mode": "manul"}, "PS903", "there is no mode `manul`", "did you mean `manual`?"),
    ({"mode": "zz"}, "PS903", "there is no mode `zz`", "the modes are `auto` and `manual`"),
    ({"bits": 9}, "PS904", "`bits` cannot be 9", "use one of 8, 16"),
    ({"name": "a\x07"}, "PS112", "`name` has a character that does not print, U+0007",
     "type the text anew, in letters, signs and blanks"),
    ({"name": "a\nb"}, "PS112", "`name` has a character that does not print, U+000A",
     "type the text anew, in letters, signs and blanks"),
    ({"doc": "a\x1b"}, "PS112", "`doc` has a character that does not print, U+001B",
     "type the text anew, in letters, signs and blanks"),
    ({"cuont": 3}, "PS104", "the thing has no key `cuont`", "did you mean `count`?"),
])
def test_what_is_wrong_is_told(data: dict[str, Any], code: str, message: str, help: str) -> None:
    """With what to write instead."""
    assert [(code, message, help)] == problems(**data)


@pytest.mark.parametrize("data", [
    {"count": 2}, {"count": 9}, {"ratio": Decimal("0.1")}, {"ratio": 0.1}, {"ratio": 1},
    {"ratio": 0}, {"address": 0x50}, {"address": 0x57}, {"doc": "a\n\tb"}, {"any": None}])
def test_what_is_right_is_taken(data: dict[str, Any]) -> None:
    """Both ends of a range, a value outside that is allowed, lines of a `doc`."""
    assert [] == problems(**data)


def test_a_range_has_a_reason() -> None:
    """Where its key gives one."""
    problem = range_problem(KEYS["count"], 1, 2, 9, "PS900")
    assert problem is not None and ("few fit",) == problem.notes


def test_a_key_that_is_missing_is_told_with_what_it_is() -> None:
    """Unless a misspelt one stands for it, or it is not asked for."""
    check = check_table({}, KEYS, "the thing")
    assert [("PS105", "the thing has no `name`", "add `name = \"x\"`", ("name of it",))] == [
        (p.code, p.message, p.help, p.notes) for p in check.problems]
    assert {"name"} == check.spoilt
    misspelt = check_table({"nmae": "x"}, KEYS, "the thing")
    assert (["PS104"], {"name"}) == ([p.code for p in misspelt.problems], misspelt.spoilt)
    wrong = check_table({"name": 3}, KEYS, "the thing")
    assert (["PS106"], {"name"}) == ([p.code for p in wrong.problems], wrong.spoilt)
    assert [] == check_table({}, KEYS, "the thing", allowed=["count"]).problems


def test_an_unknown_key_may_have_another_word() -> None:
    """An alias, or what the caller guesses; only keys that are not there are meant."""
    def first(data: dict[str, Any], **more: Any) -> tuple[str, set[str]]:
        check = check_table({"name": "x", **data}, KEYS, "the thing", **more)
        return check.problems[0].help, check.spoilt

    aliases = {"qqq": "count"}
    assert ("the key is called `count`", {"count"}) == first({"QQQ": 1}, aliases=aliases)
    assert first({"QQQ": 1, "count": 3}, aliases=aliases)[0].startswith("it can also have `doc`")
    assert ("so", {"on"}) == first({"qqq": 1}, guess=lambda name, value: ("on", "so"))
    help, spoilt = first({"qqq": 1}, guess=lambda name, value: None, allowed=["doc", "on"])
    assert ("it can also have `doc` and `on`", set()) == (help, spoilt)


# ---- Documents ----------------------------------------------------------------------------------

TEXT_OF_ONE = "[thing]\nname = 'x'\ncount = 20\nnmes = []\n[thing.inner]\non = 1\n"


def validator_of(text: str) -> Validator:
    return Validator(load_document(SourceText("a.toml", text)))


def test_findings_stand_at_their_places() -> None:
    """A key that is wrong at the key, a value at the value, a missing key at the table's."""
    validator = validator_of(TEXT_OF_ONE)
    table = validator.table(("thing",), KEYS, "the thing")
    assert table is not None
    inner = table.inner("inner", KEYS, "the inner thing")
    assert inner is not None
    assert [("PS900", Span(3, 9, 3, 11)), ("PS104", Span(4, 1, 4, 5)), ("PS106", Span(6, 6, 6, 7)),
            ("PS105", Span(5, 8, 5, 13))] == [(f.code, f.span) for f in validator.findings]
    with pytest.raises(FindingsError):
        validator.sound_findings()
    assert {"name": "x"} == {k: v for k, v in table.values.items() if k != "inner"}
    assert (True, True, False) == tuple(map(table.given, ("name", "count", "doc")))
    assert ("x", None, 7) == (table.get("name"), table.get("count"), table.get("count", 7))
    assert (Span(2, 1, 2, 5), Span(1, 2, 1, 7)) == (table.key("name"), table.key())
    assert (Span(2, 8, 2, 11), Span(1, 1, 1, 8)) == (table.span("name"), table.span("doc"))
    table.spoil("name")
    assert (None, True) == (table.get("name"), table.given("name"))


def test_what_is_no_table_is_told() -> None:
    """With how such a table begins."""
    validator = validator_of("thing = 3\n")
    assert validator.table(("thing",), KEYS, "`thing`", example="[thing]") is None
    (finding,) = validator.findings
    assert ("PS106", "`thing` must be a table, not a whole number", "write `[thing]`",
            Span(1, 9, 1, 10)) == (finding.code, finding.message, finding.help, finding.span)


def test_warnings_come_in_the_order_of_their_places() -> None:
    """Without the notes that say nothing."""
    validator = validator_of("a = 1\nb = 2\n")
    for name in "ba":
        validator.add("PS1", name, validator.key(name), notes=("", "x"), severity=Severity.WARNING)
    assert [("a", ("x",)), ("b", ("x",))] == [
        (f.message, f.notes) for f in validator.sound_findings()]
    table = CheckedTable(validator, (), "it", {}, {}, set())
    table.add("PS2", "c", None)
    assert ("PS2", "c", None) == (validator.findings[-1].code, *(
        getattr(validator.findings[-1], name) for name in ("message", "span")))


# ---- JSON Schema --------------------------------------------------------------------------------


def test_the_json_schema_of_a_document() -> None:
    """Tables of tables by name, and what depends on a value."""
    schema = document_schema("demo", {
        "thing": tables_of("thing", {"pattern": "^[a-z]+$"}, minProperties=1)}, ["thing"], {
        "thing": object_schema(KEYS, "A thing.", allOf=[
            conditional("mode", "auto", {"required": ["count"]})])})
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    for data, valid in (
            ({"thing": {"a": {"name": "x"}}}, True), ({"thing": {}}, False), ({}, False),
            ({"thing": {"A": {"name": "x"}}}, False), ({"thing": {"a": {}}}, False),
            ({"thing": {"a": {"name": "x"}}, "more": 1}, False),
            ({"thing": {"a": {"name": "x", "more": 1}}}, False),
            ({"thing": {"a": {"name": "x", "mode": "auto"}}}, False),
            ({"thing": {"a": {"name": "x", "mode": "auto", "count": 3}}}, True)):
        assert valid == validator.is_valid(data)
    assert {"$ref": "#/$defs/thing"} == reference("thing")
    properties: Any = object_schema(KEYS, "A thing.")["properties"]
    assert (False, "Whether.") == (properties["on"]["default"], properties["on"]["description"])


def test_the_json_schema_of_a_number() -> None:
    """Its range, and what is allowed beside it."""
    properties: Any = object_schema(KEYS, "A thing.")["properties"]
    kind = {key: properties[key] for key in ("count", "ratio", "bits")}
    assert {
        "count": {"description": "How many.", "type": "integer", "minimum": 2, "maximum": 9},
        "ratio": {"description": "Share.", "type": "number", "anyOf": [
            {"enum": [0]}, {"minimum": 0.1, "maximum": 1}]},
        "bits": {"description": "Width.", "type": "integer", "enum": [8, 16]}} == kind
    assert {"description": "Words.", "type": "array", "items": {"type": "string"}} == (
        properties["texts"])
