"""Run mutants: each by a process of its own, so that one that crashes or hangs harms no other.

The process changes what it is about to import or to compile, and nothing on the disk; then it does
what should notice: the quick campaign of the explorer, random histories, units of earlier releases,
or a test of the suite.
"""

from __future__ import annotations

import importlib.abc
import importlib.machinery
import importlib.util
import multiprocessing
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from multiprocessing.connection import Connection
from pathlib import Path
from types import CodeType, ModuleType
from typing import TYPE_CHECKING, Any

from paramstore.verify.cuts.results import Verdict
from tests.verify.cuts.mutants import HISTORIES, RUNTIME, Mutant
from tests.verify.cuts.mutants_in_c import IN_C
from tests.verify.cuts.mutants_in_python import IN_CHANGES, IN_TWIN

if TYPE_CHECKING:
    from paramstore.layout.plan import Plan
    from paramstore.verify.cuts.pictures import Pictures

__all__ = ["MUTANTS", "who_catches"]

MUTANTS = (*IN_C, *IN_TWIN, *IN_CHANGES)

ROOT = Path(__file__).parents[3]
TIME_S = 100
FLAGS = ("-std=c99", "-O1", "-Werror=implicit-function-declaration",
         *(() if sys.platform == "win32" else ("-fPIC",)))
# Nothing that a mutant may change: the other packages that tests of this suite import.
PRELOADED = ["pytest", "hypothesis", "crcmod", "jinja2", "tree_sitter", "unicorn",
             "elftools.elf.elffile"]
COUNTED = {"mixed": Verdict.MIXED, "returned": Verdict.RETURNED, "back": Verdict.BACK,
           "empty": Verdict.EMPTY, "lost": Verdict.LOST, "failed": Verdict.UNSTABLE}
"""What histories count, and the verdict that it is."""


@dataclass(frozen=True, slots=True)
class Kit:
    """The harness of an example, all compiled but the runtime."""

    plan: Plan
    pictures: Pictures
    headers: Path
    objects: tuple[Path, ...]


def who_catches(mutant: Mutant) -> Verdict | str:
    """Make a mistake and do what should notice. Return `mutant.caught_by` if it did, else what
    happened instead. AssertionError if the text to change is not there exactly once."""
    mutant.change((ROOT / mutant.file).read_text("utf-8"))
    explored = (mutant.file == RUNTIME and isinstance(mutant.caught_by, Verdict)
                and mutant.example != HISTORIES)
    kit = _kit(mutant.example) if explored else None
    context = _context()
    here, there = context.Pipe(duplex=False)
    process = context.Process(target=_child, args=(mutant, kit, there))
    process.start()
    there.close()
    try:
        if not here.poll(TIME_S):
            return "it did not end"
        found: Verdict | str = here.recv()
        return found
    except EOFError:
        process.join()
        return f"it crashed: {process.exitcode}"
    finally:
        process.kill()
        process.join()
        here.close()


@cache
def _context() -> Any:
    """Processes that begin with other people's packages in place, if the platform can."""
    if "forkserver" not in multiprocessing.get_all_start_methods():
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(PRELOADED)
    return context


@cache
def _kit(example: str) -> Kit:
    from paramstore.verify.cuts.build import write_harness
    from paramstore.verify.cuts.pictures import make_pictures
    from paramstore.verify.rig.toolchain import find_compiler
    from tests.firmware.builds import example_plan
    from tests.verify.cuts.harnesses import fresh_folder

    plan, folder = example_plan(example), fresh_folder()
    pictures = make_pictures(plan)
    sources = [path for path in write_harness(plan, pictures, folder)
               if path.name != "paramstore.c"]
    return Kit(plan, pictures, folder, tuple(
        find_compiler().object(path, path.with_suffix(".o"), FLAGS) for path in sources))


# ---- In the process of a mutant ------------------------------------------------------------------


def _child(mutant: Mutant, kit: Kit | None, parent: Connection) -> None:
    try:
        parent.send(_judge(mutant, kit))
    except Exception as error:
        parent.send(f"{type(error).__name__}: {error} {getattr(error, 'help', '')}")


def _judge(mutant: Mutant, kit: Kit | None) -> Verdict | str:
    text = mutant.change((ROOT / mutant.file).read_text("utf-8"))
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder:
        if mutant.file.endswith(".c"):
            runtime = _compilable(Path(folder), text)
            if kit is not None:
                return _campaign(Path(folder), kit, mutant.kind)
            if mutant.example == HISTORIES:
                return _histories(Path(folder), runtime, mutant.caught_by)
            _use_runtime(runtime)
        else:
            _use_module(mutant.file, text)
            if isinstance(mutant.caught_by, Verdict):
                return _announced(Path(folder))
        assert isinstance(mutant.caught_by, str)
        return _test(mutant.caught_by)


def _compilable(folder: Path, text: str) -> dict[str, str]:
    """The runtime with `text` for paramstore.c, which is left in `folder`. ToolError unless it
    compiles: a slip of the pen that the compiler notices proves nothing."""
    from paramstore.firmware.generate import runtime_files
    from paramstore.verify.rig.toolchain import find_compiler

    runtime = runtime_files() | {"paramstore.c": text}
    for name, content in runtime.items():
        (folder / name).write_text(content, "utf-8")
    find_compiler().object(folder / "paramstore.c", folder / "paramstore.o", FLAGS)
    return runtime


def _campaign(folder: Path, kit: Kit, kind: str) -> Verdict | str:
    """Do the quick campaign, or all cases of a class of faults, until something is wrong."""
    from paramstore.verify.cuts.explorer import Explorer
    from paramstore.verify.cuts.faults import FaultClass, FaultJob, run_fault_job
    from paramstore.verify.cuts.results import Start
    from paramstore.verify.cuts.sweeps import Level, fault_starts, sweeps
    from paramstore.verify.rig.native import NativeTarget
    from paramstore.verify.rig.toolchain import find_compiler

    objects = (*kit.objects, folder / "paramstore.o")
    library = find_compiler().library(objects, folder / "cuts").resolve()
    explorer = Explorer(kit.plan, kit.pictures, NativeTarget(library))
    if kind:
        for start in (*fault_starts(kit.plan), Start(packed=False)):
            found = run_fault_job(explorer, FaultJob(start, FaultClass[kind])).first
            if found is not None:
                return found[1].verdict
        return "no violation"
    for sweep in sweeps(kit.plan, Level.QUICK):
        for job in sweep.jobs():
            for violation in explorer.run(job).violations:
                return violation.verdict
    return "no violation"


def _histories(folder: Path, runtime: dict[str, str], expected: Verdict | str) -> Verdict | str:
    """Live through histories of a ring of three slots whose cells read the same every time."""
    from paramstore.verify.cuts.histories import (
        STEADY,
        Setting,
        build_lives,
        one_group_plan,
        run_histories,
    )

    library = build_lives(one_group_plan(3, 1), folder, runtime=runtime)
    counts = run_histories(library, Setting(3, 1, False, STEADY), 2000)
    found = [verdict for kind, verdict in COUNTED.items() if getattr(counts, kind) > 0]
    return expected if expected in found else f"{[v.name for v in found]}"


def _announced(folder: Path) -> Verdict | str:
    """Judge units of earlier releases until something is wrong."""
    from paramstore.verify.cuts.announced import judge_units
    from paramstore.verify.cuts.build import build_harness
    from tests.verify.cuts.releases import plans

    explorer = build_harness(plans()[-1], folder).explorer()
    for at in range(len(plans()) - 1):
        found = judge_units(explorer, plans()[:-1], at, range(150)).first
        if found is not None:
            return found.verdict
    return "no violation"


def _use_runtime(runtime: dict[str, str]) -> None:
    """From here on, whoever compiles the runtime compiles this one."""
    from paramstore.firmware import generate

    assert "paramstore.verify.rig.native" not in sys.modules, "it has the right runtime already"
    generate.runtime_files = lambda: dict(runtime)


def _use_module(file: str, text: str) -> None:
    """From here on, whoever imports the module of a file imports this text."""
    name = file.removesuffix(".py").replace("/", ".")
    assert name not in sys.modules, f"{name} is imported already"
    sys.meta_path.insert(0, _Changed(name, ROOT / file, text))


class _Changed(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Finds one module, whose text is not what is on the disk."""

    def __init__(self, name: str, path: Path, text: str) -> None:
        self.name = name
        self.code: CodeType = compile(text, str(path), "exec")

    def find_spec(self, name: str, path: Sequence[str] | None,
                  target: ModuleType | None = None) -> importlib.machinery.ModuleSpec | None:
        return importlib.util.spec_from_loader(name, self) if name == self.name else None

    def exec_module(self, module: ModuleType) -> None:
        exec(self.code, module.__dict__)


class _Failures:
    """A pytest plugin that keeps what failed."""

    def __init__(self) -> None:
        self.promises: list[str] = []
        self.others: list[str] = []

    def pytest_exception_interact(self, node: Any, call: Any) -> None:
        """An assertion is what should notice; anything else may have nothing to do with it."""
        kept = call.when == "call" and call.excinfo.errisinstance(AssertionError)
        (self.promises if kept else self.others).append(f"{node.nodeid}: {call.excinfo.value!r}")


def _test(test: str) -> str:
    """Run a test; return its name if it fails in an assertion."""
    import pytest

    failures = _Failures()
    with tempfile.TemporaryFile("w+") as nowhere:
        sys.stdout = sys.stderr = nowhere
        code = pytest.main(["-x", "-p", "no:cacheprovider", "--rootdir", str(ROOT),
                            "-c", str(ROOT / "pyproject.toml"), str(ROOT / test)], [failures])
    if failures.promises and not failures.others:
        return test
    return f"pytest {code!s}, {failures.others or 'nothing noticed'}"
