"""Hostile parts, buses and arguments against the runtime under sanitizers: nothing undefined."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from paramstore.rig.toolchain import Compiler
from paramstore.status import Status
from tests.firmware.builds import EXAMPLES, example_plan, host_compilers, write_store, zig

FUZZ = Path(__file__).parent / "fuzz.c"

# zig has the checks but no address sanitizer; a trap needs no support library.
TRAP = ("-fsanitize=undefined", "-fsanitize-trap=undefined", "-O1")
FULL = ("-fsanitize=address,undefined", "-fno-sanitize-recover=all", "-O1", "-g")


def build(folder: Path, name: str, compiler: Compiler) -> Path:
    """Runtime, tables and fuzzer of an example as one program."""
    plan = example_plan(name)
    write_store(folder, plan)
    store = plan.schema.name
    flags = TRAP if compiler.name.startswith("zig") else FULL
    return compiler.program(
        [FUZZ, folder / "paramstore.c", folder / f"{store}_params.c"], folder / "fuzz",
        (*flags, "-std=c99", "-Wall", "-Wextra", "-Werror", f"-I{folder}",
         f'-DFUZZ_HEADER="{store}_params.h"', f"-DFUZZ_STORE(x)={store}_##x"),
    )


def run(program: Path, seed: int, rounds: int) -> dict[str, int]:
    """How often each status was returned; AssertionError with the output if it went wrong."""
    done = subprocess.run([program, str(seed), str(rounds)], capture_output=True, text=True,
                          check=False)
    assert 0 == done.returncode, done.stdout + done.stderr
    return {name: int(count) for name, count in map(str.split, done.stdout.splitlines())}


@pytest.mark.parametrize("compiler", host_compilers(), ids=lambda c: c.name)
@pytest.mark.parametrize("name", EXAMPLES)
def test_nothing_is_undefined(name: str, compiler: Compiler, tmp_path: Path) -> None:
    """Random bytes, damaged images, failing buses, arguments out of range."""
    seen = run(build(tmp_path, name, compiler), 1, 2000)
    # The walk reached every kind of answer that a part and a bus of the right size can give.
    never = {name for name, count in seen.items() if count == 0}
    assert never <= {"PS_ERR_PART", "PS_ERR_LAYOUT", "PS_ERR_RULE", "PS_ERR_LOCKED", "PS_OLDER"}
    assert {f"PS_{s.name}" for s in Status} == set(seen)


def test_the_fuzzer_finds_a_bug(tmp_path: Path) -> None:
    """A runtime that trusts a count from outside is caught: the net has no hole there."""
    plan = example_plan("minimal")
    write_store(tmp_path, plan)
    source = tmp_path / "paramstore.c"
    text = source.read_text("utf-8")
    check = "    if (first > f->count || count > f->count - first) {\n"
    assert check in text
    program = build(tmp_path, "minimal", zig())
    assert run(program, 1, 50)
    source.write_text(text.replace(check, "    if (first > f->count) {\n"), "utf-8")
    broken = zig().program(
        [FUZZ, source, tmp_path / "dimmer_params.c"], tmp_path / "broken",
        (*TRAP, "-std=c99", f"-I{tmp_path}", '-DFUZZ_HEADER="dimmer_params.h"',
         "-DFUZZ_STORE(x)=dimmer_##x"))
    with pytest.raises(AssertionError):
        run(broken, 1, 2000)
