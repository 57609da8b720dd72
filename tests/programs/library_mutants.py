"""Make random small mistakes in rooms of the Python library, and tell which their tests miss.

    python -m tests.programs.library_mutants parts layout --count 100
    python -m tests.programs.library_mutants layout --of layout/moves.py:may_round --count 0
    python -m tests.programs.library_mutants parts --to tests/programs/figures/library_mutants

A room is a package or a module of `paramstore`; its tests are `tests/ROOM` or `tests/test_ROOM.py`.
Each mistake is made in a copy of the tree, and only the room's tests look for it: first those that
ran the changed function when nothing was changed, then all others. One that uses up much more
computing time than the tests need counts as noticed. `equal_mutants.toml` has the mistakes that are
none, with the reason; each must still be possible in the code, and none may be noticed.

`--seed` chooses other mistakes, `--of` only those of a place, `--count 0` all of them. `--to`
writes a file for each room. Needs a system that can fork. Exit code 1 if a mistake was missed, or
if `equal_mutants.toml` is wrong.
"""

from __future__ import annotations

import argparse
import ast
import os
import pickle
import random
import resource
import shutil
import signal
import sys
import tempfile
import time
import tomllib
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType
from typing import Any

import hypothesis  # noqa: F401  loaded once, before the forks
import numpy  # noqa: F401
import pytest

from paramstore.core.disk import make_folder, write_text
from paramstore.report.tables import Column, table
from tests.programs.progress import Progress
from tests.programs.small_changes import KINDS, Change, changes, spelled

ROOT = Path(__file__).parents[2]
EQUAL = Path(__file__).with_name("equal_mutants.toml")
_OURS = ("paramstore", "tests", "host_tools")
_SAID = "said.txt"
_PATIENCE = 20
"""How many times the computing time a run may last: the computer may have other work."""


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


@dataclass(frozen=True, slots=True)
class Equal:
    """A change that no run can tell, and why."""

    file: str
    within: str
    old: str
    new: str
    why: str

    @property
    def key(self) -> tuple[str, str, str, str]:
        """As that of the mutant."""
        return self.file, self.within, self.old, self.new


@dataclass(slots=True)
class Outcome:
    """What became of the mutants of a room."""

    room: str
    possible: int
    caught: list[Mutant] = field(default_factory=list)
    survived: list[Mutant] = field(default_factory=list)
    argued: list[Mutant] = field(default_factory=list)
    wrong: list[Mutant] = field(default_factory=list)  # argued, but noticed

    def add(self, mutant: Mutant, noticed: bool, argued: bool) -> None:
        """Put a mutant where it belongs."""
        if noticed:
            self.caught.append(mutant)
            if argued:
                self.wrong.append(mutant)
        else:
            (self.argued if argued else self.survived).append(mutant)

    @property
    def share(self) -> float:
        """The part noticed of those that can be."""
        looked_for = len(self.caught) + len(self.survived)
        return len(self.caught) / looked_for if looked_for else 1.0


# ---- What can be changed -------------------------------------------------------------------------


def sources(room: str, library: Path) -> dict[str, str]:
    """The modules of a room and their text; none if there is no such room."""
    files = (library / f"{room}.py", *sorted((library / room).rglob("*.py")))
    return {f.relative_to(library).as_posix(): f.read_text("utf-8") for f in files if f.is_file()}


def mutants(texts: Mapping[str, str]) -> list[Mutant]:
    """All that can be made of modules."""
    return [Mutant(file, c) for file, text in texts.items() for c in changes(text)]


def chosen(possible: Sequence[Mutant], seed: str, count: int) -> list[Mutant]:
    """`count` of them, in no order that has to do with the code; all, in their order, if 0."""
    if not count:
        return list(possible)
    return random.Random(seed).sample(possible, min(count, len(possible)))


def read_equal(text: str) -> list[Equal]:
    """The mutants that are argued to change nothing."""
    return [Equal(**entry) for entry in tomllib.loads(text).get("mutant", [])]


def stale(equal: Sequence[Equal], library: Path) -> list[str]:
    """Complaints about those that are not possible in the code any more, or are named twice."""
    possible: dict[str, set[tuple[str, str, str, str]]] = {}
    for file in {e.file for e in equal}:
        path = library / file
        texts = {file: path.read_text("utf-8")} if path.is_file() else {}
        possible[file] = {m.key for m in mutants(texts)}
    said = Counter(e.key for e in equal)
    return [f"{e.file} {e.within}: `{e.old}` cannot become `{e.new}` there"
            for e in equal if e.key not in possible[e.file]] + [
        f"{key[0]} {key[1]}: `{key[2]}` becomes `{key[3]}` twice"
        for key, times in said.items() if times > 1]


# ---- Running tests -------------------------------------------------------------------------------


class Watch:
    """A plugin that notes how long each test takes and which functions of the library it runs."""

    def __init__(self, library: Path) -> None:
        self._library = f"{library}{os.sep}"
        self._codes: dict[Any, str | None] = {}
        self.seconds: dict[str, float] = {}
        self.run: dict[str, set[str]] = {}

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[None]:
        """Look at one test, with its fixtures."""
        seen: set[str] = set()
        self.run[item.nodeid] = seen

        def note(frame: FrameType, event: str, _arg: object) -> None:
            code = frame.f_code
            if event == "call":
                if code not in self._codes:
                    self._codes[code] = self._name(code.co_filename, code.co_qualname)
                name = self._codes[code]
                if name:
                    seen.add(name)

        start = time.process_time()
        sys.setprofile(note)
        try:
            return (yield)
        finally:
            sys.setprofile(None)
            self.seconds[item.nodeid] = time.process_time() - start

    def _name(self, file: str, qualified: str) -> str | None:
        if not file.startswith(self._library):
            return None
        parts = [part for part in qualified.split(".") if not part.startswith("<")]
        return f"{file.removeprefix(self._library)}:{'.'.join(parts)}"


class Order:
    """A plugin that puts the tests that ran a function before all others, quick ones first."""

    def __init__(self, watch: Watch, place: str) -> None:
        self._watch, self._place = watch, place

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        """Sort them."""
        watch = self._watch
        items.sort(key=lambda item: (self._place not in watch.run.get(item.nodeid, ()),
                                     watch.seconds.get(item.nodeid, 0.0)))


@dataclass(frozen=True, slots=True)
class Bench:
    """A copy of the tree, what the tests of a room do there, and the computing time they need."""

    tree: Path
    tests: Path
    texts: Mapping[str, str]
    watch: Watch
    limit_s: int

    def notices(self, mutant: Mutant) -> bool:
        """Make a mistake, run the tests, undo it; return whether they failed."""
        path = self.tree / "paramstore" / mutant.file
        before = path.stat()
        whole = path.read_text("utf-8")
        path.write_text(mutant.change.applied(self.texts[mutant.file]), "utf-8")
        os.utime(path, ns=(before.st_mtime_ns, before.st_mtime_ns + 10**9))
        place = f"{mutant.file}:{mutant.change.within}"
        try:
            return 0 != in_child(self.tree, self.limit_s, lambda: run_tests(
                self.tests, Order(self.watch, place)))
        finally:
            path.write_text(whole, "utf-8")
            os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))


def copied(room: str, tree: Path, source: Path = ROOT, least_s: int = 20) -> Bench:
    """Copy the tree, and run the tests of a room there; a mistake may cost `least_s` and twice
    their time. RuntimeError if they fail, although only comments and line breaks are gone."""
    shutil.copytree(source, tree, ignore=shutil.ignore_patterns(
        ".*", "__pycache__", "*.egg-info", "build"))
    texts = sources(room, tree / "paramstore")
    for file, text in texts.items():
        (tree / "paramstore" / file).write_text(spelled(ast.parse(text)), "utf-8")
    folder, module = tree / "tests" / room, tree / "tests" / f"test_{room}.py"
    tests = folder if folder.is_dir() else module
    kept = tree / "watched.pickle"

    def watched() -> int:
        watch = Watch(tree / "paramstore")
        code = run_tests(tests, watch)
        kept.write_bytes(pickle.dumps((watch.seconds, watch.run)))
        return code

    if in_child(tree, 0, watched):
        said = (tree / _SAID).read_text("utf-8", "replace")
        raise RuntimeError(f"the tests of {room} fail although nothing was changed:\n{said}")
    watch = Watch(tree / "paramstore")
    watch.seconds, watch.run = pickle.loads(kept.read_bytes())
    return Bench(tree, tests, texts, watch, least_s + int(2 * sum(watch.seconds.values())))


def run_tests(tests: Path, plugin: object) -> int:
    """Run tests up to the first that fails; return the exit code."""
    return int(pytest.main(["-x", "-q", "-p", "no:cacheprovider", str(tests)], [plugin]))


def in_child(tree: Path, limit_s: int, work: Callable[[], int]) -> int:
    """Do work in a process of its own, whose modules are those of `tree`; return its exit code, or
    the number of the signal that ended it, negative. With a limit it leaves no bytecode."""
    pid = os.fork()
    if not pid:
        code = 70
        try:
            _settle(tree, limit_s)
            code = work()
        finally:
            os._exit(code)
    _, status = os.waitpid(pid, 0)
    with suppress(ProcessLookupError):
        os.killpg(pid, signal.SIGKILL)  # compilers and commands that it left behind
    return os.waitstatus_to_exitcode(status)


def _settle(tree: Path, limit_s: int) -> None:
    os.setsid()
    if limit_s:
        sys.dont_write_bytecode = True
        os.environ["PYTHONDONTWRITEBYTECODE"] = "1"
        resource.setrlimit(resource.RLIMIT_CPU, (limit_s, limit_s))
        signal.alarm(_PATIENCE * limit_s)
    for name in [n for n in sys.modules if n.partition(".")[0] in _OURS]:
        del sys.modules[name]
    here = {"", str(ROOT), str(Path.cwd())}
    sys.path[:] = [str(tree), *(p for p in sys.path if p not in here)]
    os.environ["PYTHONPATH"] = str(tree)
    os.chdir(tree)
    said = os.open(tree / _SAID, os.O_RDWR | os.O_CREAT | os.O_TRUNC)
    for stream in (0, 1, 2):
        os.dup2(said, stream)


# ---- Telling -------------------------------------------------------------------------------------


def judged(bench: Bench, room: str, options: argparse.Namespace,
           equal: Sequence[Equal]) -> Outcome:
    """Make the chosen mistakes of a room one after the other."""
    possible = mutants(bench.texts)
    among = [m for m in possible
             if any(word in f"{m.file}:{m.change.within}" for word in options.of or [""])]
    todo = chosen(among, f"{options.seed} {room}", options.count)
    outcome, argued, progress = Outcome(room, len(possible)), {e.key for e in equal}, Progress()
    end = time.monotonic() + options.minutes * 60
    for number, mutant in enumerate(todo):
        if time.monotonic() > end:
            break
        outcome.add(mutant, bench.notices(mutant), mutant.key in argued)
        if mutant in outcome.survived:
            print(f"missed: {mutant}", file=sys.stderr, flush=True)
        progress(number / len(todo))
    return outcome


def report(outcome: Outcome, equal: Sequence[Equal]) -> list[str]:
    """What to say of a room."""
    def of(kind: str, among: Sequence[Mutant]) -> int:
        return sum(kind in ("all", m.change.kind) for m in among)

    rows = []
    for kind in (*KINDS, "all"):
        found = [of(kind, among) for among in (outcome.caught, outcome.survived, outcome.argued)]
        rows.append([kind, str(sum(found)), *map(str, found)])
    columns = [Column("kind", right=False),
               *(Column(title, right=True) for title in ("made", "noticed", "missed", "equal"))]
    why = {e.key: e.why for e in equal}
    return [
        f"{outcome.room}: {outcome.share:.1%} of the mistakes noticed that can be "
        f"({outcome.possible} could be made)", "", *table(columns, rows),
        *(f"missed: {m}" for m in outcome.survived),
        *(f"equal: {m}: {why[m.key]}" for m in outcome.argued),
        *(f"said to be equal, but noticed: {m}" for m in outcome.wrong)]


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the program."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0] if __doc__ else "")
    parser.add_argument("rooms", nargs="+")
    parser.add_argument("--count", type=int, default=100, help="mistakes in each room; 0 for all")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--of", action="append", help="only in places with this: FILE:FUNCTION")
    parser.add_argument("--minutes", type=float, default=1e6, help="stop a room after this time")
    parser.add_argument("--to", type=Path, help="a folder for a file of each room")
    options = parser.parse_args(arguments)
    equal = read_equal(EQUAL.read_text("utf-8"))
    complaints = stale(equal, ROOT / "paramstore")
    wrong = bool(complaints)
    print(*complaints, sep="\n", end="\n" if complaints else "")
    for room in options.rooms:
        if not sources(room, ROOT / "paramstore"):
            parser.error(f"there is no room {room!r}")
        with tempfile.TemporaryDirectory() as folder:
            outcome = judged(copied(room, Path(folder) / "tree"), room, options, equal)
        lines = report(outcome, equal)
        print(*lines, "", sep="\n", flush=True)
        if options.to is not None:
            command = f"python -m tests.programs.library_mutants {room} --seed {options.seed}"
            make_folder(options.to)
            write_text(options.to / f"{room}.txt", "\n".join(
                [f"{command} --count {options.count}", "", *lines, ""]))
        wrong |= bool(outcome.survived or outcome.wrong)
    return int(wrong)


if __name__ == "__main__":
    raise SystemExit(main())
