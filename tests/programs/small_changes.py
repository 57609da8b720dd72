"""Small wrong changes to Python source: what a slip of a programmer could have left there.

They are made in the syntax tree, so that each one is Python again. Left alone is what no run can
tell: annotations, decorators, documentation, wording, `__all__`, and `strict` of `zip`.
"""

from __future__ import annotations

import ast
import copy
import re
from collections.abc import Iterator
from dataclasses import dataclass

__all__ = ["KINDS", "Change", "changes", "spelled"]

KINDS = ("comparison", "bound", "arithmetic", "constant", "condition", "statement")

_OPPOSITES: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.GtE, ast.GtE: ast.Lt, ast.Gt: ast.LtE, ast.LtE: ast.Gt, ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq, ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In}
_NEXT: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt}
_OPERATORS: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.FloorDiv, ast.FloorDiv: ast.Mult,
    ast.Div: ast.Mult, ast.Mod: ast.Mult, ast.LShift: ast.RShift, ast.RShift: ast.LShift,
    ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd, ast.BitXor: ast.BitOr}
_CALLS = {"any": "all", "all": "any", "min": "max", "max": "min"}


@dataclass(frozen=True, slots=True)
class Change:
    """One change: the line, the function around it ("" if none), what stands there and what then
    stands there instead."""

    line: int
    within: str
    kind: str
    old: str
    new: str
    _node: int  # its place in `ast.walk`
    _variant: int

    def line_in(self, source: str) -> int:
        """Return the line in `source`, which says the same as that of the change does."""
        node = list(ast.walk(ast.parse(source)))[self._node]
        assert isinstance(node, ast.expr | ast.stmt)
        return node.lineno

    def applied(self, source: str) -> str:
        """Return `source`, of which the change is, with the change made."""
        tree = ast.parse(source)
        node = list(ast.walk(tree))[self._node]
        _, new = list(_variants(node))[self._variant]
        changed = _Replace(node, new).visit(tree)
        return spelled(ast.fix_missing_locations(changed))


def spelled(tree: ast.AST) -> str:
    """Return the source of a tree. Codes of findings are quoted as always: tests search for them.
    """
    return re.sub(r"'(PS\d+)'", r'"\1"', ast.unparse(tree)) + "\n"


def changes(source: str) -> list[Change]:
    """Return every change that can be made to `source`, in the order of its lines."""
    tree = ast.parse(source)
    numbers = {id(node): number for number, node in enumerate(ast.walk(tree))}
    found = []
    for node, parent, within in _places(tree, ""):
        for variant, (kind, new) in enumerate(_variants(node)):
            found.append(Change(node.lineno, within, kind, *_told(node, new, parent),
                                numbers[id(node)], variant))
    return sorted(found, key=lambda c: c.line)


class _Replace(ast.NodeTransformer):
    def __init__(self, old: ast.AST, new: ast.AST) -> None:
        self._old, self._new = old, new

    def visit(self, node: ast.AST) -> ast.AST:
        return self._new if node is self._old else self.generic_visit(node)


def _told(node: ast.AST, new: ast.AST, parent: ast.AST) -> tuple[str, str]:
    """Return what stands there and what then does; of a number or a slice with what it is in."""
    if not isinstance(node, ast.Constant | ast.Slice):
        return _text(node), _text(new)
    before = _text(parent)
    _Replace(node, new).visit(parent)
    after = _text(parent)
    _Replace(new, node).visit(parent)
    return before, after


def _text(node: ast.AST) -> str:
    return ast.unparse(node).partition("\n")[0]


# ---- Where ---------------------------------------------------------------------------------------


def _places(node: ast.AST, within: str) -> Iterator[tuple[ast.expr | ast.stmt, ast.AST, str]]:
    """Yield what may be changed below `node`, each with what it is in, and the name of the function
    around it."""
    for child in _looked_into(node):
        inner = within
        if isinstance(child, ast.FunctionDef | ast.ClassDef):
            inner = f"{within}.{child.name}".lstrip(".")
        elif isinstance(child, ast.expr | ast.stmt):
            yield child, node, within
        yield from _places(child, inner)


def _looked_into(node: ast.AST) -> Iterator[ast.AST]:
    for name, value in ast.iter_fields(node):
        if name in ("annotation", "returns", "decorator_list", "format_spec", "ctx"):
            continue
        for child in value if isinstance(value, list) else [value]:
            if isinstance(child, ast.AST) and not _silent(child):
                yield child


def _silent(node: ast.AST) -> bool:
    match node:
        case ast.Expr(value=ast.Constant()):  # documentation
            return True
        case ast.If(test=ast.Name(id="TYPE_CHECKING")):
            return True
        case ast.Assign(targets=[ast.Name(id="__all__")]):
            return True
        case ast.keyword(arg="strict"):
            return True
        case ast.Assign(value=ast.BinOp(op=ast.BitOr())):
            return _of_types(node.value)
    return isinstance(node, ast.Import | ast.ImportFrom)


def _of_types(node: ast.expr) -> bool:
    """Whether `A | B` names types, as in `Raw = int | float`."""
    if isinstance(node, ast.BinOp):
        return _of_types(node.left) and _of_types(node.right)
    inner = node.value if isinstance(node, ast.Subscript) else node
    named = inner.attr if isinstance(inner, ast.Attribute) else getattr(inner, "id", "")
    return (named[:1].isupper() and not named.isupper()) or named in (
        "int", "float", "str", "bytes", "bool", "tuple", "dict", "list")


# ---- What ----------------------------------------------------------------------------------------


def _variants(node: ast.AST) -> Iterator[tuple[str, ast.AST]]:
    """Yield what could stand in place of `node`, each with its kind."""
    match node:
        case ast.Compare():
            yield from _comparisons(node)
        case ast.BoolOp():
            new = ast.Or() if isinstance(node.op, ast.And) else ast.And()
            yield "condition", ast.BoolOp(new, node.values)
        case ast.UnaryOp(op=ast.Not()):
            yield "condition", node.operand
        case ast.UnaryOp(op=ast.USub(), operand=operand) if not isinstance(operand, ast.Constant):
            yield "arithmetic", operand
        case ast.BinOp() if type(node.op) in _OPERATORS and not _is_text(node):
            yield "arithmetic", ast.BinOp(node.left, _OPERATORS[type(node.op)](), node.right)
        case ast.Constant(value=bool()):
            yield "constant", ast.Constant(not node.value)
        case ast.Constant(value=int() | float() as value):
            yield "constant", ast.Constant(value + 1)
            yield "constant", ast.Constant(value - 1)
        case ast.Call(func=ast.Name(id=name)) if name in _CALLS:
            called = ast.Name(_CALLS[name], ast.Load())
            yield "bound", ast.Call(called, node.args, node.keywords)
        case ast.Slice():
            for end in ("lower", "upper"):
                if getattr(node, end) is not None:
                    less = copy.copy(node)
                    setattr(less, end, None)
                    yield "bound", less
        case ast.If() | ast.While() | ast.IfExp():
            negated = copy.copy(node)
            negated.test = ast.UnaryOp(ast.Not(), node.test)
            yield "condition", negated
        case ast.Return(value=ast.expr() as value) if not isinstance(value, ast.Constant):
            yield "statement", ast.Return(ast.Constant(None))
        case ast.Assign(targets=[ast.Attribute() | ast.Subscript()]):
            yield "statement", ast.Pass()
        case ast.Expr() | ast.AugAssign() | ast.Raise() | ast.Continue() | ast.Break():
            yield "statement", ast.Pass()


def _comparisons(node: ast.Compare) -> Iterator[tuple[str, ast.AST]]:
    for number, operator in enumerate(node.ops):
        for kind, others in (("comparison", _OPPOSITES), ("bound", _NEXT)):
            if type(operator) in others:
                operators = list(node.ops)
                operators[number] = others[type(operator)]()
                yield kind, ast.Compare(node.left, operators, node.comparators)


def _is_text(node: ast.expr) -> bool:
    """Whether an operand is plainly text, which has no arithmetic but `+`."""
    match node:
        case ast.JoinedStr() | ast.Constant(value=str() | bytes()):
            return True
        case ast.BinOp():
            return _is_text(node.left) or _is_text(node.right)
        case ast.IfExp():
            return _is_text(node.body) or _is_text(node.orelse)
    return False
