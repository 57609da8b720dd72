"""Plans of the example schemas, and files on disk for the compilers."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from pathlib import Path

from paramstore.core.disk import read_text
from paramstore.firmware.generate import generate, runtime_files
from paramstore.layout.plan import Plan
from paramstore.releases.project import open_project
from paramstore.verify.rig.toolchain import Compiler, available_compilers, zig_compiler

SCHEMAS = Path(__file__).parents[2] / "schemas"
EXAMPLES = ("minimal", "tank_probe", "large")


@cache
def example_plan(name: str) -> Plan:
    """The plan of an example schema, after its releases if it has any."""
    return open_project(read_text(SCHEMAS / f"{name}.toml")).plan


def zig(language: str = "cc") -> Compiler:
    """The compiler that every test machine has."""
    compiler = zig_compiler(language)
    assert compiler is not None, "ziglang belongs to the test extra"
    return compiler


def host_compilers() -> list[Compiler]:
    """Every compiler of this machine; zig is always among them."""
    found = available_compilers()
    assert zig() in found
    return found


def write(folder: Path, texts: Mapping[str, str]) -> Path:
    """Write files into a folder, which is made if need be."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in texts.items():
        (folder / name).write_text(text, "utf-8")
    return folder


def write_store(folder: Path, plan: Plan) -> Path:
    """Write runtime and generated files of a plan."""
    return write(folder, {**generate(plan), **runtime_files()})
