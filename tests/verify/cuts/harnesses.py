"""Harnesses of the example schemas, compiled once, and runtimes that are broken on purpose."""

from __future__ import annotations

import tempfile
from functools import cache
from pathlib import Path

from paramstore.firmware.generate import runtime_files
from paramstore.layout.plan import Plan
from paramstore.verify.cuts.build import Harness, build_harness, build_library
from paramstore.verify.cuts.pictures import make_pictures
from paramstore.verify.eeprom.bench import Bench
from paramstore.verify.eeprom.device import Device
from paramstore.verify.rig.native import NativeCode, compile_native
from tests.firmware.builds import example_plan
from tests.verify.cuts.mutants import NO_CRC, changed

__all__ = ["NO_CRC", "bench", "broken_harness", "broken_runtime", "fresh_folder", "harness",
           "native"]

_folders: list[tempfile.TemporaryDirectory[str]] = []


def fresh_folder() -> Path:
    """A folder that lives as long as the tests do: a loaded library keeps its file."""
    _folders.append(tempfile.TemporaryDirectory(ignore_cleanup_errors=True))
    return Path(_folders[-1].name)


@cache
def harness(name: str) -> Harness:
    """The harness of an example."""
    return build_harness(example_plan(name), fresh_folder())


@cache
def native(name: str) -> NativeCode:
    """The firmware of an example, compiled for the byte-level simulator."""
    return compile_native(example_plan(name), fresh_folder())


def broken_harness(name: str, old: str, new: str) -> Harness:
    """The harness of an example with a runtime in which `old` has become `new`."""
    plan = example_plan(name)
    runtime = broken_runtime(old, new)
    pictures = make_pictures(plan)
    return Harness(plan, pictures, build_library(plan, pictures, fresh_folder(), runtime=runtime),
                   "any")


def broken_runtime(old: str, new: str) -> dict[str, str]:
    """The runtime with a change in it; the text to change must be there once."""
    runtime = runtime_files()
    return runtime | {"paramstore.c": changed(runtime["paramstore.c"], old, new, "paramstore.c")}


def bench(plan: Plan) -> Bench:
    """A bench with a blank part."""
    return Bench(Device(plan.part, plan.schema.address), plan.schema.bus_khz)
