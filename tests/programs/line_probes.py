"""Which lines of functions a test runs, for a few percent of its computing time.

Each statement gets a probe before it that marks its line. That costs next to nothing in the watched
modules, and nothing at all in others, where a trace function is called at each call.
"""

from __future__ import annotations

import ast
import gc
from collections.abc import Iterator, Mapping
from types import CodeType, FunctionType

__all__ = ["Probes"]

_MARKS = "__line_probes__"


class Probes:
    """Probes in all functions that there are of some files, given by path with their text, in which
    a line has no more than one statement."""

    def __init__(self, texts: Mapping[str, str]) -> None:
        self._marks = {path: bytearray(text.count("\n") + 2) for path, text in texts.items()}
        codes = {key: code for path, text in texts.items() for key, code in _probed(path, text)}
        for one in gc.get_objects():
            if isinstance(one, FunctionType) and (new := codes.get(_key(one.__code__))) and (
                    new.co_freevars == one.__code__.co_freevars):
                one.__code__ = new
                one.__globals__[_MARKS] = self._marks[new.co_filename]

    def taken(self) -> dict[str, list[int]]:
        """Return the lines that were run since this was asked last, by path."""
        ran = {}
        for path, marks in self._marks.items():
            ran[path] = [line for line, mark in enumerate(marks) if mark]
            marks[:] = bytes(len(marks))
        return ran


def _key(code: CodeType) -> tuple[str, str, int]:
    return code.co_filename, code.co_qualname, code.co_firstlineno


def _probed(path: str, text: str) -> Iterator[tuple[tuple[str, str, int], CodeType]]:
    """Yield the code of every function of a file, with probes, and what it is found by."""
    tree = ast.parse(text)
    tree.body = _body(tree.body, inside=False)
    todo = [compile(ast.fix_missing_locations(tree), path, "exec", dont_inherit=True)]
    while todo:
        code = todo.pop()
        if not code.co_name.startswith("<"):
            yield _key(code), code
        todo += [c for c in code.co_consts if isinstance(c, CodeType)]


def _body(statements: list[ast.stmt], inside: bool) -> list[ast.stmt]:
    """Return statements with probes, if they are inside a function, and so all that is in them."""
    result: list[ast.stmt] = []
    for statement in statements:
        deeper = inside or isinstance(statement, ast.FunctionDef)
        lines = [statement.lineno]
        for part in (statement, *getattr(statement, "handlers", ()),
                     *getattr(statement, "cases", ())):
            if isinstance(part, ast.match_case):
                lines.append(part.pattern.lineno)
            elif isinstance(part, ast.ExceptHandler):
                lines.append(part.lineno)
            for name in ("body", "orelse", "finalbody"):
                if inner := getattr(part, name, None):
                    setattr(part, name, _body(inner, deeper))
        if inside and not _is_text(statement):
            result += [_probe(line, statement) for line in lines]
        result.append(statement)
    return result


def _is_text(statement: ast.stmt) -> bool:
    """Whether a statement is documentation, which must come first."""
    return isinstance(statement, ast.Expr) and isinstance(statement.value, ast.Constant)


def _probe(line: int, before: ast.stmt) -> ast.stmt:
    (probe,) = ast.parse(f"{_MARKS}[{line}] = 1").body
    for node in ast.walk(probe):
        ast.copy_location(node, before)
    return probe
