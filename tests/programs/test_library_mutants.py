"""The program of small mistakes in the library: what it changes, what it takes for noticed."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

from tests.programs.library_mutants import (
    EQUAL,
    Equal,
    Outcome,
    chosen,
    mutants,
    read_equal,
    report,
    stale,
)
from tests.programs.mutant_bench import ROOT, Mutant, copied, sources
from tests.programs.small_changes import KINDS, changes, spelled

FIGURES = Path(__file__).parent / "figures" / "library_mutants"
PACKAGE = '''"""A package."""

__all__ = ["within"]


def within(number: int, most: int = 9) -> bool:
    """Whether it is."""
    if number < 0:
        raise ValueError(number)
    return number <= most
'''
TESTS = '''from paramstore.package import within


def test_ends() -> None:
    assert within(0) and within(9) and not within(10)
'''


@pytest.mark.parametrize(("line", "told"), [
    ("x = a < b", {"a >= b", "a <= b"}), ("x = a == b", {"a != b"}),
    ("x = a < b <= c", {"a >= b <= c", "a <= b <= c", "a < b > c", "a < b < c"}),
    ("x = a is None", {"a is not None"}), ("x = a not in b", {"a in b"}),
    ("x = a + b", {"a - b"}), ("x = a // b", {"a * b"}), ("x = a & b", {"a | b"}),
    ("x = f'{a} ' + b", set()), ("x = -a", {"a"}),
    ("x = 5", {"x = 6", "x = 4"}), ("f(x=True)", {"x=False", "pass"}),
    ("x = 'text'", set()), ("x = None", set()),
    ("x = a and b", {"a or b"}), ("x = not a", {"a"}),
    ("x = a if b else c", {"a if not b else c"}), ("x = any(a)", {"all(a)"}),
    ("x = a[b:c]", {"a[:c]", "a[b:]"}), ("x = a[0][0]", {
        "a[1]", "a[-1]", "a[0][1]", "a[0][-1]"}),
    ("if a: b()", {"if not a:", "pass"}), ("a.b = c", {"pass"}), ("a += b", {"pass"}),
    ("for a in b: continue", {"pass"}), ("raise a", {"pass"}),
    ("def f(): return a", {"return None"}), ("def f(): return None", set()),
    ("def f(a: 'b | c') -> d[1]: 'words'", set()), ("@f(1)\ndef g(): pass", set()),
    ("__all__ = a + b", set()), ("Raw = int | float", set()), ("zip(a, b, strict=True)", {"pass"}),
    ("if TYPE_CHECKING: f(1)", set()), ("import a", set()),
])
def test_what_is_changed(line: str, told: set[str]) -> None:
    """All that could be another way, nothing that no run can tell; and each is Python."""
    found = changes(line)
    assert told == {c.new for c in found}
    for change in found:
        assert ast.dump(ast.parse(change.applied(line))) != ast.dump(ast.parse(line))


def test_places_are_told() -> None:
    """Line and function, also of a method in a function."""
    text = "a = 1\ndef f():\n    class B:\n        def g(self):\n            return 2 < x\n"
    assert {(1, ""), (5, "f.B.g")} == {(c.line, c.within) for c in changes(text)}


def test_codes_of_findings_keep_their_quotes() -> None:
    """The tests that look for them in the source still find them."""
    (change,) = changes('f("PS123", \'word\', a < b)\n')[:1]
    assert "pass\n" == change.applied('f("PS123", \'word\', a < b)\n')
    bound = next(c for c in changes('x = "PS123", a < b\n') if c.kind == "bound")
    assert 'x = ("PS123", a <= b)\n' == bound.applied('x = "PS123", a < b\n')


def room_in(folder: Path) -> Path:
    for name, text in (("paramstore/__init__.py", ""), ("paramstore/package.py", PACKAGE),
                       ("tests/test_package.py", TESTS)):
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
    return folder


def test_a_package_of_one_module(tmp_path: Path) -> None:
    """What its tests notice, and what they do not; the tree is left as it was, the copy too."""
    tree = room_in(tmp_path / "tree")
    bench = copied("package", tmp_path / "copy", tree)
    before = (tmp_path / "copy" / "paramstore" / "package.py").read_text()
    outcome = Outcome("package", 0)
    for mutant, noticed in bench.judge(mutants(bench.texts)):
        outcome.add(mutant, noticed, argued=False)
    missed = [(m.change.old, m.change.new) for m in outcome.survived]
    assert [("number < 0", "number < -1"), ("raise ValueError(number)", "pass")] == missed
    assert len(mutants(bench.texts)) == len(outcome.caught) + 2
    assert PACKAGE == (tree / "paramstore" / "package.py").read_text()
    assert before == (tmp_path / "copy" / "paramstore" / "package.py").read_text()
    text = "\n".join(report(outcome, ()))
    assert f"package: {outcome.share:.1%} of the mistakes noticed" in text
    assert "missed: package.py:9 within: `raise ValueError(number)` became `pass`" in text


def test_functions_of_all_kinds_are_changed(tmp_path: Path) -> None:
    """Of a class, with decorators, in one another, and run while the tests are collected; constants
    that they read, or that others are made of."""
    tree = room_in(tmp_path / "tree")
    (tree / "paramstore" / "package.py").write_text('''
from functools import cache, cached_property

class Box:
    size = 3

    @property
    def twice(self):
        return self.size * 2

    @cached_property
    def next(self):
        return self.size + 1

    @staticmethod
    @cache
    def part(whole):
        return whole // 2

def adder(first):
    def add(second):
        return first + second
    return add

_ONE = 1
_TWO = _ONE + 1
_LOST = 7

def early():
    return 4 + _ONE

def more(a=_TWO):
    return a + _THREE

_THREE = 3

def late():
    return 6

def kind(of):
    """Words."""
    match of:
        case int() if of > 7:
            return 1
        case str():
            return 2
    try:
        return 1 + of[0]
    except KeyError:
        return 3
    except TypeError:
        return 4
''')
    (tree / "tests" / "test_package.py").write_text('''
from paramstore.package import Box, adder, early, kind, more

FIVE = early()

def test_all():
    assert (Box().twice, Box().next, Box.part(8), adder(2)(3), FIVE, more()) == (6, 4, 4, 5, 5, 5)

def test_kinds():
    assert [kind(8), kind("a"), kind([5, 0]), kind({}), kind(7)] == [1, 2, 6, 3, 4]
''')
    bench = copied("package", tmp_path / "copy", tree)
    missed = [(m.change.within, m.change.new) for m, noticed in bench.judge(mutants(bench.texts))
              if not noticed]
    assert [("", "_LOST = 8"), ("", "_LOST = 6"), ("late", "return 7"), ("late", "return 5")
            ] == missed


@pytest.mark.parametrize("package", sorted(
    p.name for p in (ROOT / "paramstore").iterdir() if (p / "__init__.py").exists()))
def test_the_copy_has_the_same_places(package: str) -> None:
    """A change is found by its place in the tree, so that without comments must be the same."""
    for text in sources(package, ROOT / "paramstore").values():
        tree = ast.parse(text)
        assert list(map(type, ast.walk(tree))) == [
            type(node) for node in ast.walk(ast.parse(spelled(tree)))]


def test_tests_that_fail_anyway_are_no_judges(tmp_path: Path) -> None:
    """They would notice everything."""
    tree = room_in(tmp_path / "tree")
    (tree / "tests" / "test_package.py").write_text(TESTS + "    assert False\n")
    bench = copied("package", tmp_path / "copy", tree)
    with pytest.raises(RuntimeError, match="fail although nothing was changed"):
        list(bench.judge([]))


def test_a_mistake_that_never_ends_is_noticed(tmp_path: Path) -> None:
    """By the computing time that it uses up."""
    tree = room_in(tmp_path / "tree")
    (tree / "paramstore" / "package.py").write_text(
        "def count(n):\n    while n > 3:\n        n -= 1\n    return n\n")
    (tree / "tests" / "test_package.py").write_text(
        "from paramstore.package import count\ndef test_it():\n    assert count(5) == 3\n")
    bench = copied("package", tmp_path / "copy", tree, least_s=1)
    endless = [m for m in mutants(bench.texts) if m.change.new == "pass"]
    assert [True] == [noticed for _, noticed in bench.judge(endless)]


def test_arguments_are_about_the_library_as_it_is() -> None:
    """Each mutant that is said to be none can be made, and has a reason."""
    equal = read_equal(EQUAL.read_text("utf-8"))
    assert [] == stale(equal, ROOT / "paramstore")
    assert all(len(e.why) > 20 for e in equal)


def test_an_argument_that_is_out_of_date_is_told(tmp_path: Path) -> None:
    """The code changed, the file is gone, or it stands there twice."""
    library = room_in(tmp_path) / "paramstore"
    good = Equal("package.py", "within", "number < 0", "number <= 0", "not true")
    assert [] == stale([good], library)
    gone = Equal("gone.py", "within", "number < 0", "number <= 0", "")
    other = Equal("package.py", "within", "number < 1", "number <= 1", "")
    assert 2 == len(stale([good, gone, other], library))
    assert 1 == len(stale([good, good], library))


def test_the_share_leaves_out_what_is_equal() -> None:
    """And one that was noticed all the same is an error."""
    made = mutants({"package.py": PACKAGE})[:4]
    outcome = Outcome("package", 10)
    for mutant, noticed, argued in zip(made, (True, False, False, True),
                                       (False, False, True, True), strict=True):
        outcome.add(mutant, noticed, argued)
    assert (2 / 3, [made[3]]) == (outcome.share, outcome.wrong)


def test_the_choice_follows_from_the_seed() -> None:
    """The same again for the same seed, all in their order if no count is given."""
    possible = [Mutant("package.py", c) for c in changes(PACKAGE)]
    assert chosen(possible, "1 package", 3) == chosen(possible, "1 package", 3)
    assert chosen(possible, "1 package", 3) != chosen(possible, "2 package", 3)
    assert possible == chosen(possible, "1 package", 0)
    assert {c.kind for c in changes(PACKAGE)} <= set(KINDS)


@pytest.mark.parametrize("path", sorted(FIGURES.glob("*.txt")), ids=lambda p: p.stem)
def test_the_figures_kept_add_up(path: Path) -> None:
    """They are of a package that is there, by its name, and have all that was missed."""
    text = path.read_text("utf-8")
    assert sources(path.stem, ROOT / "paramstore")
    found = re.search(r"^all +(\d+) +(\d+) +(\d+) +(\d+)$", text, re.MULTILINE)
    assert found is not None
    made, noticed, missed, equal = map(int, found.groups())
    assert made == noticed + missed + equal
    assert missed == len(re.findall("^missed: ", text, re.MULTILINE))
    assert equal == len(re.findall("^equal: ", text, re.MULTILINE))
    assert f"{path.stem}: {noticed / (noticed + missed):.1%} of the mistakes" in text
