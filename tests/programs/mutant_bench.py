"""A package's tests against changed modules, each in a process of its own that costs little.

The tests are collected once, and run once to learn which of them run which line. A mistake in a
function is then made in a fork of the process that collected them: the function gets the changed
code, and the tests that ran its line run, the quickest first. So is one in a private constant that
only functions read. What else was run already when the tests were collected, as tables and classes
are, is changed in the file instead, and all tests are collected anew: first those that ran the
line, then all others.
"""

from __future__ import annotations

import ast
import gc
import importlib
import inspect
import os
import pickle
import resource
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from types import CodeType, FunctionType

import construct  # noqa: F401  loaded once, before the forks
import coverage
import crcmod  # noqa: F401
import hypothesis
import jinja2  # noqa: F401
import numpy  # noqa: F401
import pytest
import tree_sitter  # noqa: F401

from tests.programs.line_probes import Probes
from tests.programs.small_changes import Change, spelled

__all__ = ["ROOT", "Bench", "Mutant", "copied", "sources"]

ROOT = Path(__file__).parents[2]
_OURS = ("paramstore", "tests", "host_tools")
_SAID = "said.txt"
_PATIENCE = 40
"""How many times the computing time a run may last: the computer may have other work."""
_FAILED = 1


@dataclass(frozen=True, slots=True)
class Mutant:
    """A change to a file of the library (its name below `paramstore`)."""

    file: str
    change: Change

    @property
    def key(self) -> tuple[str, str, str, str]:
        """What says which change it is while lines move."""
        return self.file, self.change.within, self.change.old, self.change.new

    def __str__(self) -> str:
        c = self.change
        return f"{self.file}:{c.line} {c.within or '(module)'}: `{c.old}` became `{c.new}`"


def sources(package: str, library: Path) -> dict[str, str]:
    """The modules of a package and their text; none if there is no such package."""
    files = (library / f"{package}.py", *sorted((library / package).rglob("*.py")))
    return {f.relative_to(library).as_posix(): f.read_text("utf-8") for f in files if f.is_file()}


@dataclass(slots=True)
class Watch:
    """What tests do when nothing is changed: their computing time, and by file and line which of
    them ran it; the empty name stands for the collection."""

    seconds: dict[str, float] = field(default_factory=dict)
    lines: dict[str, dict[int, set[str]]] = field(default_factory=dict)

    def ran(self, file: str, line: int) -> list[str]:
        """Return the tests that ran a line, the quickest first."""
        tests = self.lines.get(file, {}).get(line, set()) - {""}
        return sorted(tests, key=lambda name: self.seconds.get(name, 0.0))

    def collected(self, file: str, line: int) -> bool:
        """Return whether a line was run before the first test."""
        return "" in self.lines.get(file, {}).get(line, set())

    def cost(self, tests: Sequence[str]) -> float:
        """Return the computing time of tests."""
        return sum(self.seconds.get(name, 0.0) for name in tests)


@dataclass(frozen=True, slots=True)
class Bench:
    """A copy of the tree. `texts` are the package's modules as they are; in the copy comments and
    line breaks are gone. A mistake may cost `least_s` and twice the time of the tests that it is
    shown."""

    tree: Path
    tests: Path
    texts: Mapping[str, str]
    least_s: int

    def judge(self, mutants: Sequence[Mutant], minutes: float = 1e6) -> Iterator[
            tuple[Mutant, bool]]:
        """Yield mistakes, and whether the tests notice each, until the time is up. RuntimeError if
        they fail although nothing was changed."""
        end = time.monotonic() + 60 * minutes
        kept = self.tree / "judged.pickle"

        def collected() -> int:
            session = _Session(self, mutants, end, kept)
            pytest.main(["-q", "-p", "no:cacheprovider", str(self.tests)], [session])
            return 0 if session.done else _FAILED

        if in_child(self.tree, 0, collected):
            said = (self.tree / _SAID).read_text("utf-8", "replace")
            raise RuntimeError(f"the tests in {self.tests.relative_to(self.tree)} fail although "
                               f"nothing was changed:\n{said}")
        *seen, answers = pickle.loads(kept.read_bytes())
        watch = Watch(*seen)
        for mutant, answer in zip(mutants, answers, strict=False):
            if answer is None:
                if time.monotonic() > end:
                    continue
                answer = self._noticed_anew(mutant, watch)
            yield mutant, answer

    def _noticed_anew(self, mutant: Mutant, watch: Watch) -> bool:
        """Make a mistake in the file, collect and run the tests, undo it."""
        path = self.tree / "paramstore" / mutant.file
        before, whole = path.stat(), path.read_text("utf-8")
        first = watch.ran(mutant.file, mutant.change.line_in(whole))
        limit = self.least_s + int(2 * watch.cost(list(watch.seconds)))
        path.write_text(mutant.change.applied(whole), "utf-8")
        os.utime(path, ns=(before.st_mtime_ns, before.st_mtime_ns + 10**9))
        options = ["-x", "-q", "-p", "no:cacheprovider", str(self.tests)]
        try:
            return 0 != in_child(self.tree, limit, lambda: int(pytest.main(
                options, [_Order(watch, first)])))
        finally:
            path.write_text(whole, "utf-8")
            os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))


def copied(package: str, tree: Path, source: Path = ROOT, least_s: int = 20) -> Bench:
    """Copy the tree for the mistakes of a package."""
    shutil.copytree(source, tree, ignore=shutil.ignore_patterns(
        ".*", "__pycache__", "*.egg-info", "build"))
    texts = sources(package, tree / "paramstore")
    for file, text in texts.items():
        (tree / "paramstore" / file).write_text(spelled(ast.parse(text)), "utf-8")
    folder, module = tree / "tests" / package, tree / "tests" / f"test_{package}.py"
    return Bench(tree, folder if folder.is_dir() else module, texts, least_s)


# ---- Plugins of pytest ---------------------------------------------------------------------------


class _Plain:
    """Makes hypothesis give up at the first example that fails, without a smaller one."""

    @pytest.hookimpl(trylast=True)
    def pytest_configure(self) -> None:
        """After `conftest.py` chose its profile."""
        hypothesis.settings.register_profile(
            "plain", hypothesis.settings(), phases=(hypothesis.Phase.explicit,
                                                    hypothesis.Phase.generate))
        hypothesis.settings.load_profile("plain")


class _Order(_Plain):
    """Puts some tests before all others, and the quick ones first."""

    def __init__(self, watch: Watch, first: Sequence[str]) -> None:
        self._watch, self._first = watch, set(first)

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        """Sort them."""
        items.sort(key=lambda item: (item.nodeid not in self._first,
                                     self._watch.seconds.get(item.nodeid, 0.0)))


class _Session(_Plain):
    """Stands in place of the loop over the tests: watches them once, then shows them mistakes."""

    def __init__(self, bench: Bench, mutants: Sequence[Mutant], end: float, kept: Path) -> None:
        self._bench, self._mutants, self._end, self._kept = bench, mutants, end, kept
        self._library = bench.tree / "paramstore"
        self._coverage = coverage.Coverage(
            data_file=None, config_file=False, messages=False,
            include=[str(self._library / file) for file in bench.texts])
        self._coverage.start()
        self.done = False

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """Do all the work; whatever fails ends the session early."""
        for file in self._bench.texts:
            importlib.import_module(_module_name(file))
        self._coverage.stop()
        if session.testsfailed or self._fork(0, lambda: self._watch(session)):
            return True
        watch = Watch(*pickle.loads(self._kept.read_bytes()))
        self._functions = _functions({str(self._library / file) for file in self._bench.texts})
        self._items = {item.nodeid: item for item in session.items}
        answers = []
        for mutant in self._mutants:
            if time.monotonic() > self._end:
                break
            answers.append(self._noticed(session, mutant, watch))
        self._kept.write_bytes(pickle.dumps((watch.seconds, watch.lines, answers)))
        self.done = True
        return True

    def _fork(self, limit_s: int, work: Callable[[], int]) -> int:
        folder = Path(tempfile.mkdtemp(dir=self._bench.tree.parent))

        def inner() -> int:
            os.environ["PYTEST_DEBUG_TEMPROOT"] = str(folder)
            return work()

        try:
            return in_child(None, limit_s, inner)
        finally:
            shutil.rmtree(folder, ignore_errors=True)

    def _watch(self, session: pytest.Session) -> int:
        watch, data = Watch(), self._coverage.get_data()
        names = {str(self._library / file): file for file in self._bench.texts}
        for path, file in names.items():
            watch.lines[file] = {line: {""} for line in data.lines(path) or ()}
        probes = Probes({path: Path(path).read_text("utf-8") for path in names})
        for item, following in _pairs(session.items):
            start = time.process_time()
            item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
            watch.seconds[item.nodeid] = time.process_time() - start
            for path, lines in probes.taken().items():
                for line in lines:
                    watch.lines[names[path]].setdefault(line, set()).add(item.nodeid)
        self._kept.write_bytes(pickle.dumps((watch.seconds, watch.lines)))
        return _FAILED if session.testsfailed else 0

    def _noticed(self, session: pytest.Session, mutant: Mutant, watch: Watch) -> bool | None:
        """Return whether tests notice a mistake; None if that needs them collected anew."""
        before = (self._library / mutant.file).read_text("utf-8")
        made = self._in_function(mutant, before, watch) or self._in_constant(mutant, before, watch)
        if made is None:
            return None
        tests = made.tests(watch)

        def work() -> int:
            made.make()
            for item, following in _pairs([self._items[test] for test in tests]):
                item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
                if session.testsfailed:
                    return _FAILED
            return 0

        limit_s = self._bench.least_s + int(2 * watch.cost(tests))
        return bool(tests) and 0 != self._fork(limit_s, work)

    def _in_function(self, mutant: Mutant, before: str, watch: Watch) -> _Made | None:
        """Return a mistake in a function that no test was collected with."""
        path = self._library / mutant.file
        line = mutant.change.line_in(before)
        codes = _codes_in(before, path, mutant.change.within)
        if codes is None or watch.collected(mutant.file, line):
            return None
        name, old = codes
        changed = _codes_in(mutant.change.applied(before), path, name)
        functions = self._functions.get((str(path), name), [])
        if changed is None or len(changed[1]) != len(old) or not functions:
            return None
        firsts = {code.co_firstlineno: new for code, new in zip(old, changed[1], strict=True)}
        if any(len(firsts[f.__code__.co_firstlineno].co_freevars) != len(f.__code__.co_freevars)
               for f in functions):
            return None

        def make() -> None:
            for function in functions:
                function.__code__ = firsts[function.__code__.co_firstlineno]

        return _Made(mutant.file, frozenset([line]), make)

    def _in_constant(self, mutant: Mutant, before: str, watch: Watch) -> _Made | None:
        """Return a mistake in a private constant of a module that only functions look at."""
        line = mutant.change.line_in(before)
        match next((s for s in ast.parse(mutant.change.applied(before)).body
                    if s.lineno == line), None):
            case ast.Assign(targets=[ast.Name(id=name)]) as changed if (
                    name.startswith("_") and not mutant.change.within):
                pass
            case _:
                return None
        lines = _read_in_functions(ast.parse(before), name)
        if lines is None or any(watch.collected(mutant.file, used) for used in lines):
            return None
        code = compile(ast.Module([changed], []), "constant", "exec", dont_inherit=True)
        module = importlib.import_module(_module_name(mutant.file))
        return _Made(mutant.file, lines, lambda: exec(code, vars(module)))


@dataclass(frozen=True, slots=True)
class _Made:
    """How to make a mistake in a fork, and the lines of its file that show it."""

    file: str
    lines: frozenset[int]
    make: Callable[[], None]

    def tests(self, watch: Watch) -> list[str]:
        """Return the tests that ran such a line, the quickest first."""
        found = {test for line in self.lines for test in watch.ran(self.file, line)}
        return sorted(found, key=lambda name: watch.seconds.get(name, 0.0))


def _read_in_functions(tree: ast.Module, name: str) -> frozenset[int] | None:
    """Return the lines in which functions read a name of their module; None if anything else does.
    """
    lines = set()
    todo: list[tuple[ast.AST, bool]] = [(tree, False)]
    while todo:
        node, inside = todo.pop()
        if isinstance(node, ast.Name) and node.id == name and isinstance(node.ctx, ast.Load):
            if not inside:
                return None
            lines.add(node.lineno)
        body = node.body if isinstance(node, ast.FunctionDef) else []
        todo += [(child, inside or child in body) for child in ast.iter_child_nodes(node)]
    return frozenset(lines)


def _pairs(items: Sequence[pytest.Item]) -> Iterator[tuple[pytest.Item, pytest.Item | None]]:
    """Yield each test with the one after it."""
    return zip(items, [*items[1:], None], strict=True)


def _module_name(file: str) -> str:
    parts = ["paramstore", *Path(file).with_suffix("").parts]
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


# ---- Code of functions ---------------------------------------------------------------------------


def _functions(paths: set[str]) -> dict[tuple[str, str], list[FunctionType]]:
    """Return all functions that there are of some files, by file and qualified name."""
    found: dict[tuple[str, str], list[FunctionType]] = {}
    for one in gc.get_objects():
        if isinstance(one, FunctionType) and one.__code__.co_filename in paths:
            code = one.__code__
            found.setdefault((code.co_filename, code.co_qualname), []).append(one)
    return found


def _codes_in(text: str, path: Path, within: str) -> tuple[str, list[CodeType]] | None:
    """Return the name and the code of the outermost function of a place, more than one if several
    have that name; None if the place is in none."""
    found: dict[str, list[CodeType]] = {}
    todo = [compile(text, str(path), "exec", dont_inherit=True)]
    while todo:
        code = todo.pop(0)
        if code.co_flags & inspect.CO_OPTIMIZED:
            found.setdefault(code.co_qualname, []).append(code)
        else:
            todo += [c for c in code.co_consts if isinstance(c, CodeType)]
    parts = within.split(".")
    names = [".".join(parts[:n + 1]) for n in range(len(parts))]
    return next(((name, found[name]) for name in names if name in found), None)


# ---- Processes -----------------------------------------------------------------------------------


def in_child(tree: Path | None, limit_s: int, work: Callable[[], int]) -> int:
    """Do work in a process of its own, whose modules are those of `tree` if there is one; return
    its exit code, or the number of the signal that ended it, negative. With a limit it leaves no
    bytecode."""
    pid = os.fork()
    if not pid:
        code = 70
        try:
            os.setsid()
            _limit(limit_s)
            if tree is not None:
                _settle(tree)
            code = work()
        finally:
            os._exit(code)
    _, status = os.waitpid(pid, 0)
    with suppress(ProcessLookupError):
        os.killpg(pid, signal.SIGKILL)  # compilers and commands that it left behind
    return os.waitstatus_to_exitcode(status)


def _limit(limit_s: int) -> None:
    if limit_s:
        sys.dont_write_bytecode = True
        os.environ["PYTHONDONTWRITEBYTECODE"] = "1"
        resource.setrlimit(resource.RLIMIT_CPU, (limit_s, limit_s))
        signal.alarm(_PATIENCE * limit_s)


def _settle(tree: Path) -> None:
    for name in [n for n in sys.modules if n.partition(".")[0] in _OURS]:
        del sys.modules[name]
    here = {"", str(ROOT), str(Path.cwd())}
    sys.path[:] = [str(tree), *(p for p in sys.path if p not in here)]
    os.environ["PYTHONPATH"] = str(tree)
    os.environ.setdefault("ZIG_GLOBAL_CACHE_DIR", str(tree / "zig"))
    os.environ.setdefault("ZIG_LOCAL_CACHE_DIR", str(tree / "zig"))
    os.chdir(tree)
    said = os.open(tree / _SAID, os.O_RDWR | os.O_CREAT | os.O_TRUNC)
    for stream in (0, 1, 2):
        os.dup2(said, stream)
