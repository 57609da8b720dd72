"""Positions in TOML: every key and value that tomllib sees is found where it is written."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from datetime import date
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from paramstore.core.errors import FindingsError, ParamstoreError, SourceText, Span
from paramstore.located.keys import KeyPath
from paramstore.located.source import MAX_DEPTH, Document, load_document

KEYS = ("a", "b2", "long_key", "x-y", "7", "ä ö", "", 'q"t', "p.q", "𝄞")
LETTERS = "a é𝄞\"'\\#=[]{}\t\n"

scalars = st.one_of(
    st.booleans(),
    st.integers(-(2**63), 2**63),
    st.decimals(allow_nan=False, allow_infinity=False, places=3, min_value=-9999, max_value=9999),
    st.text(st.sampled_from(LETTERS), max_size=6),
    st.dates(),
)
values = st.recursive(
    scalars,
    lambda inner: st.lists(inner, max_size=3)
    | st.dictionaries(st.sampled_from(KEYS), inner, max_size=3),
    max_leaves=8,
)
documents = st.dictionaries(st.sampled_from(KEYS), values, max_size=5)


class Writer:
    """Spells a document in TOML, drawing among the ways in which each table can be written."""

    def __init__(self, draw: st.DrawFn) -> None:
        self.draw = draw
        self.end = draw(st.sampled_from(("\n", "\r\n")))

    def document(self, data: dict[str, Any]) -> str:
        lines = [self.comment(), *self.table((), data)]
        return self.end.join(lines) + self.draw(st.sampled_from(("", self.end)))

    def comment(self) -> str:
        return self.draw(st.sampled_from(("", "# é = [1] {", "  ", "\t# x")))

    def pick(self, *ways: str) -> str:
        return self.draw(st.sampled_from(ways))

    def table(self, path: tuple[str, ...], data: dict[str, Any]) -> Iterator[str]:
        later = []
        for name, value in data.items():
            if value and isinstance(value, dict):
                way = self.pick("inline", "dotted", "header")
                if way == "dotted":
                    yield from self.dotted((name,), value)
                    continue
                if way == "header":
                    later.append((name, value))
                    continue
            tables = value and isinstance(value, list) and all(isinstance(v, dict) for v in value)
            if tables and self.pick("inline", "tables") == "tables":
                later.append((name, value))
                continue
            yield f"{self.keys((name,))} = {self.value(value)} {self.comment()}"
        for name, value in later:
            inner = (*path, name)
            tables, brackets = (value, "[[]]") if isinstance(value, list) else ([value], "[]")
            half = len(brackets) // 2
            for table in tables:
                yield self.comment()
                yield f"{brackets[:half]} {self.keys(inner)} {brackets[half:]} {self.comment()}"
                yield from self.table(inner, table)

    def dotted(self, path: tuple[str, ...], data: dict[str, Any]) -> Iterator[str]:
        for name, value in data.items():
            if value and isinstance(value, dict):
                yield from self.dotted((*path, name), value)
            else:
                yield f"{self.keys((*path, name))} = {self.value(value)}"

    def keys(self, path: tuple[str, ...]) -> str:
        return self.pick(".", " . ").join(map(self.key, path))

    def key(self, name: str) -> str:
        if name.isascii() and name.replace("_", "").replace("-", "").isalnum():
            return name if self.pick("bare", "quoted") == "bare" else f"'{name}'"
        return self.text(name)

    def text(self, text: str) -> str:
        return '"' + "".join(
            {'"': '\\"', "\\": "\\\\", "\n": "\\n"}.get(c, c) for c in text
        ) + '"'

    def value(self, value: Any) -> str:
        match value:
            case bool():
                return "true" if value else "false"
            case str():
                plain = value and "'" not in value and "\n" not in value
                if plain and self.pick("basic", "literal") == "literal":
                    return f"'{value}'"
                if self.pick("one", "several") == "several":
                    return f'""{self.text(value)}""'.replace("\\n", self.end)
                return self.text(value)
            case list():
                gap = self.pick(" ", self.end + " # é" + self.end)
                return "[" + "".join(f"{self.value(v)},{gap}" for v in value) + "]"
            case dict():
                pairs = (f"{self.keys((k,))} = {self.value(v)}" for k, v in value.items())
                return "{ " + ", ".join(pairs) + " }"
            case _:
                return str(value)


@st.composite
def texts(draw: st.DrawFn) -> str:
    return Writer(draw).document(draw(documents))


def load(text: str) -> Document:
    return load_document(SourceText("test.toml", text))


def cut(text: str, span: Span) -> str:
    """The text of a span, as a person would count lines and columns."""
    lines = text.replace("\r\n", "\n").split("\n")[span.line - 1 : span.end_line]
    lines[-1] = lines[-1][: span.end_column - 1]
    lines[0] = lines[0][span.column - 1 :]
    return "\n".join(lines)


def walk(data: Any, path: KeyPath = ()) -> Iterator[tuple[KeyPath, Any]]:
    items: Any = data.items() if isinstance(data, dict) else enumerate(data)
    for key, value in items:
        yield (*path, key), value
        if isinstance(value, dict | list):
            yield from walk(value, (*path, key))


@given(texts())
def test_every_key_and_value_is_found_where_it_is_written(text: str) -> None:
    """The text at a key spells that key, the text at a value means that value, none is missing."""
    document = load(text)
    assert tomllib.loads(text, parse_float=Decimal) == document.data
    found = list(walk(document.data))
    assert {path for path, _ in found} == set(document.paths())
    for path, value in found:
        key, written = (cut(text, s) for s in (document.key_span(path), document.value_span(path)))
        if isinstance(path[-1], str):
            assert {path[-1]: 0} == tomllib.loads(f"{key} = 0")
        if not isinstance(value, dict) and not written.startswith("[["):
            again = tomllib.loads(f"x = {written}", parse_float=Decimal)["x"]
            assert value == again


@given(texts())
def test_places_do_not_meet(text: str) -> None:
    """Two keys never share a place, other than through an array or table they open."""
    document = load(text)
    named = [p for p, _ in walk(document.data) if isinstance(p[-1], str)]
    assert len(named) == len({document.key_span(p) for p in named})


def test_table_has_its_place_in_its_own_header() -> None:
    """A table that was first named on the way to another has its place where it is opened."""
    document = load("[group.a.parameter]\nx = 1\n[group.a]\nrole = 2\n")
    assert Span(3, 8, 3, 9) == document.key_span(("group", "a"))
    assert Span(3, 1, 3, 10) == document.value_span(("group", "a"))
    assert Span(1, 2, 1, 7) == document.key_span(("group",))


def test_missing_path_has_the_place_of_its_parent() -> None:
    """What is not there is told at the nearest thing around it."""
    document = load("[store]\nname = 'x'\n")
    assert Span(1, 2, 1, 7) == document.key_span(("store", "part", "page"))
    assert Span(1, 1, 1, 1) == document.value_span(("nothing",))


def test_columns_count_characters() -> None:
    """Letters beyond ASCII count as one column each, in keys and before them."""
    document = load("'größe 𝄞' = { 'é' = 'ü' }\r\nb = 1\r\n")
    assert Span(1, 15, 1, 18) == document.key_span(("größe 𝄞", "é"))
    assert Span(1, 21, 1, 24) == document.value_span(("größe 𝄞", "é"))
    assert Span(2, 5, 2, 6) == document.value_span(("b",))


@pytest.mark.parametrize(
    "text",
    [
        "[" * 100_000, "a = " + "[" * 5000 + "]" * 5000, "a = " + "{a=" * 2000,
        "a = " + "[" * (MAX_DEPTH + 1) + "]" * (MAX_DEPTH + 1), ".".join("a" * 50) + " = 1",
        "a = " + "9" * 5000, "a = 0x" + "f" * 9000, "a = 1e" + "9" * 40, "a = " + "9" * 161,
        "a = 1." + "0" * 200, "\x00", "a = '\x00'", "a = '\ud800'", "\udfff = 1", "a = 1\rb = 2",
        "\ufeff\ufeffa = 1", "x" * 1_000_001, "a = 2026-99-99", "a = 25:61:61", "\x0c", "'", '"""',
    ],
    ids=lambda text: ascii(text[:12]) + f" {len(text)}",
)
def test_hostile_text_is_refused(text: str) -> None:
    """Text made to break a reader gives a finding with a place in it, and no other error."""
    with pytest.raises(FindingsError) as caught:
        load(text)
    for finding in caught.value.findings:
        assert finding.code in ("PS101", "PS102", "PS103")
        assert finding.help


@given(st.text(st.characters(), max_size=60))
def test_any_text_is_read_or_refused(text: str) -> None:
    """Whatever the text, only errors of ours come out."""
    try:
        load(text)
    except ParamstoreError as error:
        assert str(error)


@given(st.text(st.sampled_from("[]{}=\"'.,a1 \n\\#-:x_eè"), max_size=30))
def test_any_text_of_toml_characters_is_read_or_refused(text: str) -> None:
    """Broken TOML gives findings whose places lie in the text."""
    try:
        load(text)
    except FindingsError as error:
        lines = text.split("\n")
        for finding in error.findings:
            if finding.span:
                assert 1 <= finding.span.line <= len(lines)
                assert 1 <= finding.span.column <= len(lines[finding.span.line - 1]) + 1


@pytest.mark.parametrize(("text", "place"), [
    ("x = 1\na = '\ud800'", Span(2, 6, 2, 7)), ("x = 1\na = " + "9" * 5000, Span(2, 1, 2, 5005)),
    ("a = 1e" + "9" * 40 + "\n", Span(1, 1, 1, 47)),
    ("x = 1\na = " + "9" * 161, Span(2, 5, 2, 166)),
    ("x = 1\na = [1,\n 2", Span(3, 3, 3, 4)), ("x = 123456\na = [1\n\n", Span(2, 7, 2, 8))])
def test_a_refusal_has_its_place(text: str, place: Span) -> None:
    """Half a character, a number that is too long, the end of what is not closed."""
    with pytest.raises(FindingsError) as caught:
        load(text)
    assert [place] == [f.span for f in caught.value.findings]


def test_what_is_in_a_repeated_table_is_not_told_again() -> None:
    """Only the table itself is given twice."""
    with pytest.raises(FindingsError) as caught:
        load("[a]\nx = 1\n[a]\nx = 1\n[b]\ny = 1\ny = 2\n")
    assert ["`a` is given twice", "`y` is given twice"] == [
        f.message for f in caught.value.findings]


def test_repeated_keys_are_all_told() -> None:
    """Each key that is given twice is one finding with both of its places."""
    with pytest.raises(FindingsError) as caught:
        load("a = 1\nb = 1\na = 2\nb = 2\nb = 3\n")
    found = [(f.code, f.span, f.also[0][0]) for f in caught.value.findings]
    assert [
        ("PS102", Span(3, 1, 3, 2), Span(1, 1, 1, 2)),
        ("PS102", Span(4, 1, 4, 2), Span(2, 1, 2, 2)),
        ("PS102", Span(5, 1, 5, 2), Span(2, 1, 2, 2)),
    ] == found


def test_dates_and_numbers_keep_their_kind() -> None:
    """Floats are exact decimals, whole numbers are integers, dates are dates."""
    data = load("a = 0.1\nb = 1\nc = 2026-01-31\nd = 1e3\n").data
    assert {"a": Decimal("0.1"), "b": 1, "c": date(2026, 1, 31), "d": Decimal("1e3")} == data


def test_each_table_of_an_array_has_its_own_place() -> None:
    """Whatever is written between them; what follows a table belongs to the newest one."""
    document = load("[[a]]\nx = 1\n[[a]]\nx = 2\n[[a.b]]\ny = 3\n[[a.b]]\ny = 4\n"
                    "[c]\n[[a]]\nx = 5\n[a.d]\nz = 6\n")
    for path, line in ((("a", 0, "x"), 2), (("a", 1, "x"), 4), (("a", 1, "b", 0, "y"), 6),
                       (("a", 1, "b", 1, "y"), 8), (("a", 2, "x"), 11), (("a", 2, "d", "z"), 13)):
        assert Span(line, 1, line, 2) == document.key_span(path)
        assert Span(line, 5, line, 6) == document.value_span(path)
    for index, line in enumerate((1, 3, 10)):
        assert Span(line, 3, line, 4) == document.key_span(("a", index))
        assert Span(line, 1, line, 6) == document.value_span(("a", index))
    assert Span(1, 3, 1, 4) == document.key_span(("a",))
    assert (Span(5, 5, 5, 6), Span(7, 5, 7, 6)) == tuple(
        document.key_span(("a", 1, "b", index)) for index in (0, 1))


@pytest.mark.parametrize("half", ["\ud800", "\udbff", "\udc00", "\udfff"])
def test_half_a_character_is_refused_at_its_place(half: str) -> None:
    """Python reads such files, but nothing can write them; whole ones beside it are good."""
    with pytest.raises(FindingsError) as caught:
        load(f"a = 'x'\nb = '\ud7ff\ue000{half}'\n")
    (finding,) = caught.value.findings
    assert ("PS101", f"U+{ord(half):04X} is half a character and stands alone",
            Span(2, 8, 2, 9)) == (finding.code, finding.message, finding.span)


@pytest.mark.parametrize(("text", "most"), [("{} = 1", MAX_DEPTH), ("[{}]", MAX_DEPTH + 1)])
def test_the_deepest_path_of_keys(text: str, most: int) -> None:
    """A value lies no deeper than the limit; a table that holds none may be one level below."""
    load(text.format(".".join("a" * most)))
    with pytest.raises(FindingsError, match="levels deep"):
        load(text.format(".".join("a" * (most + 1))))
