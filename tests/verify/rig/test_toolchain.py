"""Finding a C compiler, and what is said when there is none or it fails."""

from __future__ import annotations

import ctypes
import subprocess
import sys
from pathlib import Path

import pytest

from paramstore.core.errors import ToolError
from paramstore.verify.rig import toolchain
from paramstore.verify.rig.toolchain import (
    Compiler,
    available_compilers,
    find_compiler,
    zig_compiler,
)

ANSWER = "int answer(void);\nint answer(void) { return 42; }\n"


@pytest.fixture
def answer(tmp_path: Path) -> Path:
    """A C file with one function."""
    source = tmp_path / "answer.c"
    source.write_text(ANSWER, "utf-8")
    return source


@pytest.mark.parametrize("compiler", available_compilers(), ids=lambda c: c.name)
def test_every_compiler_makes_objects_libraries_and_programs(
        compiler: Compiler, answer: Path, tmp_path: Path) -> None:
    """What was compiled can be loaded and run."""
    assert compiler.object(answer, tmp_path / "answer.o").stat().st_size > 0
    library = compiler.library([answer], tmp_path / "lib" / "answer")
    assert 42 == ctypes.CDLL(str(library)).answer()
    main = tmp_path / "main.c"
    main.write_text("int answer(void);\nint main(void) { return answer(); }\n", "utf-8")
    program = compiler.program([main, answer], tmp_path / "main.exe", ["-O1"])
    assert 42 == subprocess.run([program], check=False).returncode


@pytest.mark.parametrize("compiler", available_compilers(), ids=lambda c: c.name)
def test_a_failure_carries_the_words_of_the_compiler(compiler: Compiler, tmp_path: Path) -> None:
    """The help of the error has the line that the compiler complains about."""
    source = tmp_path / "wrong.c"
    source.write_text("int f(void) { return nowhere; }\n", "utf-8")
    with pytest.raises(ToolError) as caught:
        compiler.object(source, tmp_path / "wrong.o")
    assert f"{compiler.name} failed on -c wrong.c" == caught.value.message
    assert "nowhere" in caught.value.help


def test_the_compiler_named_in_cc_comes_first(monkeypatch: pytest.MonkeyPatch) -> None:
    """CC may hold several words."""
    monkeypatch.setenv("CC", f"{sys.executable} -m ziglang cc")
    assert (sys.executable, "-m", "ziglang", "cc") == find_compiler().command


@pytest.mark.parametrize("named", ["no-such-compiler", '"'])
def test_a_wrong_cc_is_told(named: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """A misspelt CC is a mistake to mend, no reason to take another compiler."""
    monkeypatch.setenv("CC", named)
    with pytest.raises(ToolError, match="which the variable CC names"):
        find_compiler()


def test_zig_serves_where_nothing_else_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """A machine with only pip has a compiler."""
    monkeypatch.delenv("CC", raising=False)
    monkeypatch.setattr(toolchain.shutil, "which", lambda name: None)
    assert zig_compiler() == find_compiler()


def test_without_any_compiler_the_help_says_how_to_get_one(
        monkeypatch: pytest.MonkeyPatch) -> None:
    """No compiler is not the end: pip has one."""
    monkeypatch.delenv("CC", raising=False)
    monkeypatch.setattr(toolchain.shutil, "which", lambda name: None)
    monkeypatch.setattr(toolchain, "zig_compiler", lambda language="cc": None)
    with pytest.raises(ToolError) as caught:
        find_compiler()
    assert "pip install ziglang" in caught.value.help


def test_a_compiler_that_cannot_be_started_is_told(answer: Path, tmp_path: Path) -> None:
    """A command that vanished is a ToolError, no traceback."""
    with pytest.raises(ToolError, match="cannot run gone"):
        Compiler("gone", (str(tmp_path / "gone"),)).object(answer, tmp_path / "x.o")


def test_zig_leaves_nothing_outside_the_given_folder(
        answer: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its cache goes beside the target, not into the home of the user."""
    for name in ("ZIG_GLOBAL_CACHE_DIR", "ZIG_LOCAL_CACHE_DIR"):
        monkeypatch.delenv(name, raising=False)
    home = tmp_path / "home"
    home.mkdir()
    for name in ("HOME", "XDG_CACHE_HOME", "LOCALAPPDATA"):
        monkeypatch.setenv(name, str(home))
    zig = zig_compiler()
    assert zig is not None
    zig.object(answer, tmp_path / "build" / "answer.o")
    assert [] == list(home.iterdir())
    assert {"answer.o", "zig-cache"} == {p.name for p in (tmp_path / "build").iterdir()}
