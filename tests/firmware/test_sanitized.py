"""Hostile parts, buses and arguments against the runtime under sanitizers: nothing undefined.

More of it, for longer: `python -m tests.programs.sanitizers`.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from paramstore.core.status import Status
from paramstore.verify.rig.toolchain import Compiler, find_compiler
from tests.firmware.builds import EXAMPLES, example_plan, host_compilers, zig
from tests.firmware.sanitizers import build, run

FUZZ = Path(__file__).parent / "fuzz.c"
IMAGES = Path(__file__).parent / "images.c"
KINDS = {"noise", "flips", "burst", "pages", "shift", "rings", "labels"}


@pytest.mark.parametrize("compiler", host_compilers(), ids=lambda c: c.name)
@pytest.mark.parametrize("name", EXAMPLES)
def test_nothing_is_undefined(name: str, compiler: Compiler, tmp_path: Path) -> None:
    """Random bytes, damaged images, failing buses, arguments out of range."""
    seen = run(build(tmp_path, example_plan(name), FUZZ, compiler), 1, 2000)
    # The walk reached every kind of answer that a part and a bus of the right size can give.
    never = {name for name, count in seen.items() if count == 0}
    assert never <= {"PS_ERR_PART", "PS_ERR_LAYOUT", "PS_ERR_RULE", "PS_ERR_LOCKED", "PS_ERR_FULL",
                     "PS_OLDER"}
    assert {f"PS_{s.name}" for s in Status} == set(seen)


@pytest.mark.parametrize(("name", "images"), [("minimal", 200_000), ("tank_probe", 20_000)])
def test_no_image_is_too_strange(name: str, images: int, tmp_path: Path) -> None:
    """Whatever the part holds, mount writes nothing, ends, and serves what has a right CRC and
    keeps its limits, or says that it does not."""
    seen = run(build(tmp_path, example_plan(name), IMAGES, find_compiler()), 1, images)
    assert images == sum(seen[kind] for kind in KINDS)
    assert images == sum(count for status, count in seen.items() if status.startswith("PS_"))
    expected = {"PS_OK", "PS_FLAGGED", "PS_ERR_FOREIGN", "PS_ERR_LAYOUT", "PS_ERR_PART"}
    assert expected <= set(seen)
    assert 0 < seen["mended"] < seen["served"]


def broken(folder: Path, old: str, new: str, source: Path, name: str) -> Path:
    """A watched program whose runtime has `new` for `old`."""
    plan = example_plan(name)
    assert run(build(folder, plan, source, zig()), 1, 50)
    text = (folder / "paramstore.c").read_text("utf-8")
    assert 1 == text.count(old)
    changed = folder / "changed.c"
    changed.write_text(text.replace(old, new), "utf-8")
    return build(folder, plan, source, zig(), changed)


def test_the_fuzzer_finds_a_bug(tmp_path: Path) -> None:
    """A runtime that trusts a count from outside is caught: the net has no hole there."""
    program = broken(tmp_path, "if (first > f->count || count > f->count - first) {",
                     "if (first > f->count) {", FUZZ, "minimal")
    with pytest.raises(AssertionError):
        run(program, 1, 2000)


def test_images_find_a_bug(tmp_path: Path) -> None:
    """A runtime that takes a record at its word is caught by images with a wrong CRC."""
    end = "++at;\n        }\n    }\n    return "
    program = broken(tmp_path, end + "store->crc == CRC_RESIDUE ? PS_OK : PS_FLAGGED;",
                     end + "PS_OK;", IMAGES, "minimal")
    with pytest.raises(AssertionError, match="a record that is none is served"):
        run(program, 1, 2000)
