"""Finding and running a C compiler.

Any compiler with the usual command line will do: the one named in CC, then gcc, clang or cc, else
the one in the Python package `ziglang`, which needs no installation beside pip. Knows no store.
"""

from __future__ import annotations

import importlib.util
import os
import shlex
import shutil
import subprocess
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from paramstore.core.errors import ToolError

__all__ = ["WARNINGS", "Compiler", "available_compilers", "find_compiler", "zig_compiler"]

WARNINGS = ("-std=c99", "-Wall", "-Wextra", "-Wpedantic", "-Wconversion", "-Wshadow", "-Wundef",
            "-Wcast-align", "-Wcast-qual", "-Werror")
"""What runtime and generated C must compile with."""

_LIBRARY_ENDS = {"darwin": ".dylib", "win32": ".dll"}
_TIME_S = 300  # a first run of zig builds its own support library


@dataclass(frozen=True, slots=True)
class Compiler:
    """A C compiler: its name for people and the words that start its command line."""

    name: str
    command: tuple[str, ...]

    def object(self, source: Path, target: Path, flags: Sequence[str] = ()) -> Path:
        """Compile one file to the object `target`; ToolError with its messages if it fails."""
        return self._run((*flags, "-c", str(source)), target)

    def program(self, sources: Sequence[Path], target: Path, flags: Sequence[str] = ()) -> Path:
        """Compile and link to the executable `target`; ToolError if it fails."""
        return self._run((*map(str, sources), *flags), target)

    def library(self, sources: Sequence[Path], target: Path, flags: Sequence[str] = ()) -> Path:
        """Compile and link to a shared library; return its path, `target` with the usual end."""
        # At -O0 zig would build its whole sanitizer first.
        words = ("-shared", "-O1", *(() if sys.platform == "win32" else ("-fPIC",)))
        end = _LIBRARY_ENDS.get(sys.platform, ".so")
        return self._run((*words, *map(str, sources), *flags), target.with_suffix(end))

    def _run(self, words: Sequence[str], target: Path) -> Path:
        target.parent.mkdir(parents=True, exist_ok=True)
        command = (*self.command, *words, "-o", str(target))
        try:
            done = subprocess.run(command, capture_output=True, text=True, errors="replace",
                                  timeout=_TIME_S, env=_environment(target.parent), check=False)
        except (OSError, subprocess.TimeoutExpired) as error:
            raise ToolError(f"cannot run {self.name}: {error}", _HELP) from error
        if done.returncode != 0:
            raise ToolError(f"{self.name} failed on {' '.join(Path(w).name for w in words)}",
                            (done.stderr or done.stdout).strip())
        return target


_HELP = ("install gcc or clang, name your compiler in the variable CC, or get one with "
         "`pip install ziglang`")


def _environment(folder: Path) -> Mapping[str, str]:
    """The environment of a compiler; zig keeps its cache beside the target unless told where."""
    cache = str(folder / "zig-cache")
    return {"ZIG_GLOBAL_CACHE_DIR": cache, "ZIG_LOCAL_CACHE_DIR": cache, **os.environ}


def zig_compiler(language: str = "cc") -> Compiler | None:
    """Return the compiler of the package `ziglang` (`c++` for C++); None if it is not there."""
    if importlib.util.find_spec("ziglang") is None:
        return None
    return Compiler(f"zig {language}", (sys.executable, "-m", "ziglang", language))


def available_compilers() -> list[Compiler]:
    """Return every compiler for this machine, the preferred one first."""
    found = []
    if named := os.environ.get("CC"):
        words = _words(named)
        if not words or shutil.which(words[0]) is None:
            raise ToolError(f"there is no compiler `{named}`, which the variable CC names", _HELP)
        found.append(Compiler(named, tuple(words)))
    found += [Compiler(name, (name,)) for name in ("gcc", "clang", "cc") if shutil.which(name)]
    if len(found) > 1 and found[-1].name == "cc":
        found.pop()  # another name of one of the others
    if zig := zig_compiler():
        found.append(zig)
    return found


def _words(command: str) -> list[str]:
    try:
        return shlex.split(command)
    except ValueError:  # an open quotation mark
        return []


def find_compiler() -> Compiler:
    """Return the preferred compiler; ToolError if there is none."""
    found = available_compilers()
    if not found:
        raise ToolError("there is no C compiler", _HELP)
    return found[0]
