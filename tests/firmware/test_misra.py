"""Required rules of MISRA C:2012 in generated C and ports, by the addon of cppcheck.

The addon knows most of the rules that a single program can check, not all of them.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from paramstore.firmware.generate import port_files
from tests.firmware.builds import EXAMPLES, example_plan, write, write_store

_ADVISORY_LIST = """
2.3 2.4 2.5 2.6 2.7 4.2 5.9 8.7 8.9 8.11 8.13 10.5 11.4 11.5 12.1 12.3 12.4 13.3 13.4 15.1 15.4
15.5 17.5 17.8 18.4 18.5 19.2 20.1 20.5 21.12
"""
ADVISORY = frozenset(_ADVISORY_LIST.split())
"""Rules of MISRA C:2012 that are not required (from memory)."""
LINUX_ONLY = {"21.1", "21.10"}
"""The port for Linux asks for POSIX by its macro, and waits by <time.h>: PORTING.md says so."""


def required(folder: Path, *sources: str) -> set[tuple[str, str]]:
    """File and rule of every hit of a required rule."""
    if shutil.which("cppcheck") is None:
        pytest.skip("cppcheck is not installed")
    done = subprocess.run(
        ["cppcheck", "--addon=misra", "--std=c99", "--platform=unix32", "--quiet",
         "--suppress=missingIncludeSystem", "-DCHAR_BIT=8", "-DDBL_MANT_DIG=53",
         "--template={file}:{line}:{id}", *sources],
        cwd=folder, text=True, capture_output=True, check=True)
    hits = re.findall(r"^(\S+):\d+:misra-c2012-([\d.]+)$", done.stderr, re.MULTILINE)
    assert any(rule in ADVISORY for _, rule in hits), "the addon did not run"
    return {(file, rule) for file, rule in hits if rule not in ADVISORY}


@pytest.mark.parametrize("name", EXAMPLES)
def test_generated_c_keeps_the_required_rules(name: str, tmp_path: Path) -> None:
    """Tables, accessors and conversions, with every inline function in use."""
    plan = example_plan(name)
    write_store(tmp_path, plan)
    assert set() == required(tmp_path, f"{plan.schema.name}_params.c")


def test_the_runtime_keeps_the_required_rules(tmp_path: Path) -> None:
    """All of them; PORTING.md lists the advisory ones that it does not keep."""
    write_store(tmp_path, example_plan("minimal"))
    assert set() == required(tmp_path, "paramstore.c")


def test_ports_keep_the_required_rules(tmp_path: Path) -> None:
    """The port for bare metal keeps all of them, that for Linux all that POSIX lets it keep."""
    write_store(tmp_path, example_plan("minimal"))
    write(tmp_path, port_files() | port_files(linux=True))
    assert set() == required(tmp_path, "bitbang.c")
    assert LINUX_ONLY == {rule for _, rule in required(tmp_path, "linux_i2cdev.c")}
