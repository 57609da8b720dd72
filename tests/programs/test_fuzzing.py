"""What the programs share that feed arbitrary inputs: limits, and figures that add up over runs."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from tests.programs import fuzzing
from tests.programs.fuzzing import Fed


def one(number: int, chance: random.Random) -> Fed:
    """Even numbers and odd ones, each with a command."""
    return Fed(("even", "odd")[number % 2], number, ("check",))


def bad(number: int, chance: random.Random) -> Fed:
    """A bug at input 1200."""
    if number == 1200:
        raise RuntimeError("bug")
    return one(number, chance)


def feed(of: fuzzing.One, path: Path, *more: str) -> list[str]:
    """Run as from a command line; return the lines of the figures without the times."""
    fuzzing.main("any", "", of, ["--to", str(path), *more])
    return path.read_text("utf-8").splitlines()


def test_a_run_that_goes_on_adds_up(tmp_path: Path) -> None:
    """Two runs after one another keep the same counts as one."""
    whole = feed(one, tmp_path / "whole.txt", "--inputs", "3001")
    feed(one, tmp_path / "two.txt", "--inputs", "1000")
    two = feed(one, tmp_path / "two.txt", "--first", "1000", "--inputs", "2001")
    assert "inputs 0 to 3,000 of seed 1: 3,001 in" in two[1]
    counts = ["     1,501  even", "     1,500  odd", "3,001 commands:", "     3,001  check"]
    assert counts == whole[2:6] == two[2:6]


@pytest.mark.parametrize("more", [("--first", "999"), ("--first", "1000", "--seed", "2")])
def test_a_run_that_would_leave_a_gap_is_refused(tmp_path: Path, more: tuple[str, ...]) -> None:
    """The next input is the one that the file names, of the same seed."""
    feed(one, tmp_path / "figures.txt", "--inputs", "1000")
    with pytest.raises(SystemExit, match="goes on with --seed 1 --first 1000"):
        feed(one, tmp_path / "figures.txt", *more)


def test_a_run_that_goes_on_from_nothing_is_refused(tmp_path: Path) -> None:
    """There are no figures to add to."""
    with pytest.raises(SystemExit, match="goes on from what --to FILE has"):
        feed(one, tmp_path / "figures.txt", "--first", "1000")


def test_a_run_that_ends_with_a_bug_says_so(tmp_path: Path) -> None:
    """It keeps what was done before, without a gap; the run after it still tells of the bug."""
    path = tmp_path / "figures.txt"
    with pytest.raises(RuntimeError):
        feed(bad, path, "--inputs", "3000")
    lines = path.read_text("utf-8").splitlines()
    assert "inputs 0 to 999 of seed 1: 1,000 in" in lines[1]
    assert "ended this run: RuntimeError('bug'); input 1200 of seed 1" == lines[-2]
    after = feed(one, path, "--first", "1000", "--inputs", "2000")
    assert "inputs 0 to 2,999 of seed 1: 3,000 in" in after[1]
    assert "ended a run, mended since: RuntimeError('bug'); input 1200 of seed 1" == after[-2]


def test_no_input_is_fed_after_the_time(tmp_path: Path) -> None:
    """The figures are of whole shares, from the first one on."""
    assert "inputs 0 to -1 of seed 1: 0 in" in feed(one, tmp_path / "none.txt", "--minutes", "0")[1]


def test_an_input_that_takes_too_long_ends_the_run(monkeypatch: pytest.MonkeyPatch) -> None:
    """The time is that of the processor: other work on the machine does not count."""
    def endless(number: int, chance: random.Random) -> Fed:
        while True:
            pass

    monkeypatch.setattr(fuzzing, "MOST_S", 0.1)
    with pytest.raises(fuzzing.TooLong):
        fuzzing.run(endless, 0, 1, 1)
