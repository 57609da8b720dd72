"""Builds in which the compiler's sanitizers watch the runtime, and runs of them."""

from __future__ import annotations

import subprocess
from pathlib import Path

from paramstore.layout.plan import Plan
from paramstore.verify.rig.toolchain import Compiler
from tests.firmware.builds import write_store

# zig has the checks but no address sanitizer; a trap needs no support library.
TRAP = ("-fsanitize=undefined", "-fsanitize-trap=undefined", "-O1")
FULL = ("-fsanitize=address,undefined", "-fno-sanitize-recover=all", "-O1", "-g")


def watched(compiler: Compiler) -> tuple[str, ...]:
    """The flags that make a compiler watch as much as it can."""
    return TRAP if compiler.name.startswith("zig") else FULL


def build(folder: Path, plan: Plan, source: Path, compiler: Compiler,
          runtime: Path | None = None) -> Path:
    """A C program of the tests with runtime (or another one) and tables of a plan, watched.

    It finds the header and the names of the store in macros called like its file.
    """
    write_store(folder, plan)
    store, macro = plan.schema.name, source.stem.upper()
    return compiler.program(
        [source, runtime or folder / "paramstore.c", folder / f"{store}_params.c"],
        folder / source.stem,
        (*watched(compiler), "-std=c99", "-Wall", "-Wextra", "-Werror", f"-I{folder}",
         f'-D{macro}_HEADER="{store}_params.h"', f"-D{macro}_STORE(x)={store}_##x"))


def run(program: Path, seed: int, rounds: int) -> dict[str, int]:
    """The counts that it prints; AssertionError with the output if it went wrong."""
    done = subprocess.run([program, str(seed), str(rounds)], capture_output=True, text=True,
                          errors="replace", check=False)
    assert 0 == done.returncode, done.stdout + done.stderr
    return {name: int(count) for name, count in map(str.split, done.stdout.splitlines())}
