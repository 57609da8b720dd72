"""The programs around dumps: arbitrary inputs break nothing, and reading loads little."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.inspect.scenes import SCHEMA
from tests.programs import command_times, fuzz_dumps, fuzzing

ROOT = Path(__file__).parents[2]
HEAVY = {"construct", "bincopy", "jinja2", "numpy", "hashlib"}


def test_arbitrary_inputs_are_read_or_refused() -> None:
    """Some hundred inputs, the same in each run: each end is reached, and nothing else."""
    totals = fuzzing.run(fuzz_dumps.one, 0, 480, 1)
    assert 480 == totals.reached.total()
    assert {"refused as a file", "no schema, or outside the part", "reported", "salvaged",
            "reported as a fixed layout", "refused as a schema",
            "read with a damaged schema"} == set(totals.reached)
    assert totals.slowest_s < 2


@pytest.mark.long
def test_a_million_inputs_are_read_or_refused() -> None:
    """The same with 10^6 inputs."""
    totals = fuzzing.run_all(fuzz_dumps.one, 1_000_000, 2, 2)
    assert 1_000_000 == totals.reached.total()
    assert totals.slowest_s < 5


@pytest.mark.parametrize("form", ["bin", "hex", "txt"])
def test_a_sound_dump_is_examined_without_heavy_libraries(form: str, tmp_path: Path) -> None:
    """What writes, or serves releases, is not loaded to read: that is most of the time."""
    (tmp_path / "unit.toml").write_text(SCHEMA, "utf-8")
    lines = ["import sys", "from host_tools.main import main",
             "main(sys.argv[1:], standalone_mode=False)",
             f"print(sorted({HEAVY!r} & sys.modules.keys()), file=sys.stderr)"]

    def run(*arguments: str) -> str:
        done = subprocess.run([sys.executable, "-c", "\n".join(lines), *arguments], cwd=tmp_path,
                              env={"PYTHONPATH": str(ROOT)}, capture_output=True, text=True,
                              check=True)
        return done.stderr.splitlines()[-1]

    assert "[]" != run("generate", "unit.toml", "-o", "firmware")
    run("pack", "unit.toml", "-o", f"unit.{form}")
    assert "[]" == run("examine", "unit.toml", f"unit.{form}")


def test_the_time_of_commands_is_measured() -> None:
    """Each command whose name was asked for has a time, and so has the minimal program."""
    base, found = command_times.measure(1, "examine unit.")
    assert [f"examine unit.{form}" for form in command_times.FORMS] == [p.name for p in found]
    assert 0 < base < min(found.values())
