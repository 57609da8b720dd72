"""The program that runs the runtime under sanitizers: a short run, and the figures kept."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from paramstore.verify.cuts.explorer import ExploreJob, Explorer
from paramstore.verify.cuts.pictures import make_pictures
from paramstore.verify.cuts.results import FIRST_GROUP, Start
from paramstore.verify.rig.toolchain import find_compiler
from tests.firmware.builds import example_plan
from tests.firmware.sanitizers import watched
from tests.programs.sanitizers import IMAGES, main
from tests.verify.cuts.harnesses import harness
from tests.verify.cuts.piped import PipedTarget, build_program

FIGURES = Path(__file__).parent / "figures" / "sanitizers.txt"


def test_a_short_run_is_clean(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """A little of everything, with nothing undefined, and figures that are written as printed."""
    written = tmp_path / "figures.txt"
    assert 0 == main(["--divide", "1000", "--jobs", "2", "--to", str(written)])
    printed = capsys.readouterr().out
    assert printed == written.read_text("utf-8")
    assert f"Arbitrary images to mount: {sum(n // 1000 for n in IMAGES.values())}" in printed


def test_a_watched_harness_counts_like_any_other_and_fails_aloud(tmp_path: Path) -> None:
    """The campaign that is watched is the campaign; a program that ends early is no clean one."""
    plan = example_plan("minimal")
    pictures = make_pictures(plan)
    compiler = find_compiler()
    program = build_program(plan, pictures, tmp_path, compiler, watched(compiler))
    job = ExploreJob(Start(rounds=2), 2, 1, (0, 1, 2, FIRST_GROUP), samples=4)
    with PipedTarget(program) as target:
        assert harness("minimal").explorer().run(job) == Explorer(plan, pictures, target).run(job)
        with pytest.raises(AssertionError, match="ended with 2"):
            target.read("no_such_variable", 4)


def test_the_figures_kept_are_those_of_a_whole_run() -> None:
    """Ten million arbitrary images and more, written by the program itself."""
    text = FIGURES.read_text("utf-8")
    assert "python -m tests.programs.sanitizers --to tests/programs/figures/sanitizers.txt" in text
    found = re.search(r"Arbitrary images to mount: (\d+)", text)
    assert found is not None
    assert int(found[1]) == sum(IMAGES.values()) >= 10_000_000
