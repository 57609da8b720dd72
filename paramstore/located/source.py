"""TOML text as plain data, with the place of every key and value.

tomllib decides what the text means, tree-sitter only where it stands; this is the one module that
imports the latter. It knows nothing of schemas: values files are read with it as well.
"""

from __future__ import annotations

import importlib.util
import re
import tomllib
from collections.abc import Iterator
from decimal import Decimal, InvalidOperation
from functools import lru_cache
from importlib.machinery import PathFinder
from types import ModuleType

import tree_sitter

from paramstore.core.errors import Finding, FindingsError, SourceText, Span
from paramstore.located.keys import KeyPath, TomlTable

__all__ = ["MAX_CHARACTERS", "MAX_DEPTH", "Document", "load_document"]

_Repeat = tuple[KeyPath, Span, Span]
"""A path that is given twice, and where."""

MAX_CHARACTERS = 1_000_000
MAX_DEPTH = 32
MAX_NUMBER_CHARACTERS = 160
"""Limits far beyond any real file, so that a hostile one is refused early."""


class Document:
    """The data of one TOML file and where each key and value of it stands.

    `data` is as tomllib makes it, with `Decimal` for floats. `keys` and `values` have the places by
    path. Line ends `\\r\\n` count as one character, as in tomllib.
    """

    __slots__ = ("_keys", "_values", "data", "source")

    def __init__(self, source: SourceText, data: TomlTable, keys: dict[KeyPath, Span],
                 values: dict[KeyPath, Span]) -> None:
        self.source = source
        self.data = data
        self._keys, self._values = keys, values

    def key_span(self, path: KeyPath) -> Span:
        """Return where the last key of `path` is written; of its nearest named parent otherwise.

        A table has its place in its own header `[a.b]` if it has one, else where it is first
        named. An array element has the place of its value.
        """
        return _nearest(self._keys, path)

    def value_span(self, path: KeyPath) -> Span:
        """Return where the value at `path` is written; for a table of its own its header."""
        return _nearest(self._values, path)

    def paths(self) -> Iterator[KeyPath]:
        """Yield the path of every located value, parents before children."""
        return iter(sorted(self._values, key=len))


def load_document(source: SourceText) -> Document:
    """Return the document in `source`; FindingsError (PS101 to PS103) if it is not valid TOML."""
    _refuse_unreadable(source)
    text = source.text.replace("\r\n", "\n")
    try:
        data = tomllib.loads(text, parse_float=_decimal)
    except tomllib.TOMLDecodeError as error:
        repeats = _repeats(source, str(error)) if _REPEATED.match(str(error)) else []
        from paramstore.located.syntax import explain_syntax  # only for what is no TOML

        raise FindingsError(repeats or [explain_syntax(source, str(error))]) from error
    except RecursionError as error:
        raise FindingsError([_too_deep(None).finding(source)]) from error
    except (InvalidOperation, ValueError) as error:
        # Python limits the digits of an integer, decimal the size of an exponent.
        lines = text.split("\n")
        row = max(range(len(lines)), key=lambda i: sum(map(str.isdigit, lines[i])))
        span = Span(row + 1, 1, row + 1, len(lines[row]) + 1)
        raise FindingsError([_too_long(span).finding(source)]) from error
    try:
        return Document(source, data, *_Locator(source.text).locate())
    except _Refused as error:
        raise FindingsError([error.finding(source)]) from error


def _outermost(repeats: list[_Repeat]) -> Iterator[_Repeat]:
    """Leave out what is repeated only because the table around it is."""
    paths = {path for path, _, _ in repeats}
    for path, first, again in repeats:
        if not any(path[:length] in paths for length in range(1, len(path))):
            yield path, first, again


_REPEATED = re.compile("Cannot (declare|overwrite|mutate|redefine)|Duplicate")


def _repeats(source: SourceText, error: str) -> list[Finding]:
    """Return a finding for each key and table that is given twice, as far as they are found."""
    locator = _Locator(source.text)
    if locator.has_error and (line := re.search(r"at line (\d+)", error)):
        # Something else is wrong further down: look at what comes before it only.
        locator = _Locator("\n".join(source.text.split("\n")[: int(line[1])]))
    try:
        locator.locate()
    except (_Refused, tomllib.TOMLDecodeError):
        return []
    return [
        Finding(
            "PS102",
            f"`{path[-1]}` is given twice",
            source,
            again,
            "again here",
            help="take one out, rename it, or move its keys to the first",
            also=((first, "first here"),),
        )
        for path, first, again in _outermost(locator.repeats)
    ]


def _decimal(text: str) -> Decimal:
    return Decimal(text.replace("_", ""))


def _nearest(places: dict[KeyPath, Span], path: KeyPath) -> Span:
    while path and path not in places:
        path = path[:-1]
    return places.get(path, Span(1, 1, 1, 1))


def _refuse_unreadable(source: SourceText) -> None:
    if len(source.text) > MAX_CHARACTERS:
        raise FindingsError([Finding(
            "PS103",
            f"the file has {len(source.text)} characters, more than {MAX_CHARACTERS}",
            source,
            help="give a schema or a values file; a store of 200 parameters takes about 40000",
        )])
    for number, line in enumerate(source.text.split("\n"), start=1):
        if not line.isprintable():
            for column, character in enumerate(line, start=1):
                if "\ud800" <= character <= "\udfff":
                    raise FindingsError([Finding(
                        "PS101",
                        f"U+{ord(character):04X} is half a character and stands alone",
                        source,
                        Span(number, column, number, column + 1),
                        help="save the file as UTF-8",
                    )])


class _Refused(Exception):
    """Valid TOML that no real file holds."""

    def __init__(self, span: Span | None, message: str, help: str) -> None:
        super().__init__(message)
        self._facts = (span, message, help)

    def finding(self, source: SourceText) -> Finding:
        span, message, help = self._facts
        return Finding("PS103", message, source, span, help=help)


def _too_deep(span: Span | None) -> _Refused:
    return _Refused(
        span,
        f"tables and arrays are nested more than {MAX_DEPTH} levels deep",
        "nothing in a schema or a values file goes deeper than 8 levels",
    )


def _too_long(span: Span) -> _Refused:
    return _Refused(
        span,
        "the number is too long",
        "no stored type needs more than 20 digits, or an exponent beyond 308",
    )


@lru_cache(maxsize=1)
def _parser() -> tree_sitter.Parser:
    return tree_sitter.Parser(tree_sitter.Language(_grammar().language()))


def _grammar() -> ModuleType:
    """Return the compiled part of tree_sitter_toml. The package around it loads importlib.resources
    for texts that nothing needs here, which takes longer than to read a schema."""
    package = importlib.util.find_spec("tree_sitter_toml")
    spec = package and PathFinder.find_spec(
        "tree_sitter_toml._binding", package.submodule_search_locations)
    if spec is None or spec.loader is None:
        raise ModuleNotFoundError("tree_sitter_toml")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


class _Locator:
    """Walks the syntax tree of a text that tomllib has accepted."""

    def __init__(self, text: str) -> None:
        data = text.replace("\r\n", "\n").encode()
        self._root = _parser().parse(data).root_node
        self.has_error = self._root.has_error
        self._lines = [] if data.isascii() else data.split(b"\n")  # else columns are bytes
        self._keys: dict[KeyPath, Span] = {}
        self._values: dict[KeyPath, Span] = {}
        self._elements: dict[KeyPath, int] = {}  # of each array of tables, so far
        self._defined: dict[KeyPath, Span] = {}
        self.repeats: list[_Repeat] = []

    def locate(self) -> tuple[dict[KeyPath, Span], dict[KeyPath, Span]]:
        """Return the spans of keys and of values by path; nothing where the text is no TOML."""
        for node in () if self.has_error else self._root.named_children:
            match node.type:
                case "pair":
                    self._pair((), node)
                case "table" | "table_array_element":
                    self._table(node)
        return self._keys, self._values

    def _table(self, node: tree_sitter.Node) -> None:
        opening, key, closing = [c for c in node.children if c.type != "comment"][:3]
        header = self._span(opening, closing)
        *outer, last = _key_nodes(key)
        path = self._enter((), outer)
        path += (_spelled(last),)
        if node.type == "table":
            self._define(path, last)
        else:
            self._keys.setdefault(path, self._span(last))
            self._values.setdefault(path, header)
            index = self._elements.get(path, 0)
            self._elements[path] = index + 1
            path += (index,)
            self._keys[path] = self._span(last)
        self._values[path] = header
        for child in node.named_children:
            if child.type == "pair":
                self._pair(path, child)

    def _pair(self, base: KeyPath, node: tree_sitter.Node) -> None:
        key, _, value = [c for c in node.children if c.type != "comment"]
        *outer, last = _key_nodes(key)
        path = (*self._enter(base, outer), _spelled(last))
        self._define(path, last)
        self._value(path, value)

    def _define(self, path: KeyPath, key: tree_sitter.Node) -> None:
        self._keys[path] = span = self._span(key)
        first = self._defined.setdefault(path, span)
        if first is not span:
            self.repeats.append((path, first, span))

    def _enter(self, path: KeyPath, keys: list[tree_sitter.Node]) -> KeyPath:
        """Follow `keys` down from `path`, through the newest element of arrays of tables."""
        for key in keys:
            span = self._span(key)
            if len(path) >= MAX_DEPTH:
                raise _too_deep(span)
            path += (_spelled(key),)
            self._keys.setdefault(path, span)
            self._values.setdefault(path, span)
            if path in self._elements:
                path += (self._elements[path] - 1,)
        return path

    def _value(self, path: KeyPath, node: tree_sitter.Node) -> None:
        self._values[path] = span = self._span(node)
        if len(path) > MAX_DEPTH:
            raise _too_deep(span)
        if node.type in ("integer", "float") and len(node.text or b"") > MAX_NUMBER_CHARACTERS:
            raise _too_long(span)
        if node.type == "array":
            elements = (c for c in node.named_children if c.type != "comment")
            for index, element in enumerate(elements):
                self._keys[(*path, index)] = self._span(element)
                self._value((*path, index), element)
        elif node.type == "inline_table":
            for child in node.named_children:
                if child.type == "pair":
                    self._pair(path, child)

    def _span(self, first: tree_sitter.Node, last: tree_sitter.Node | None = None) -> Span:
        start, end = first.start_point, (last or first).end_point
        return Span(start.row + 1, self._column(start), end.row + 1, self._column(end))

    def _column(self, point: tree_sitter.Point) -> int:
        if not self._lines:
            return point.column + 1
        return len(self._lines[point.row][: point.column].decode()) + 1


def _key_nodes(node: tree_sitter.Node) -> list[tree_sitter.Node]:
    """Return the simple keys of a key; the grammar nests `a.b.c` to the left."""
    keys: list[tree_sitter.Node] = []
    while node.type == "dotted_key":
        left, *_, last = node.named_children
        keys.append(last)
        node = left
    return [node, *reversed(keys)]


def _spelled(node: tree_sitter.Node) -> str:
    text = (node.text or b"").decode()
    if node.type == "bare_key":
        return text
    (key,) = tomllib.loads(text + "=0")
    return key
