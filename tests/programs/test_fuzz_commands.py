"""The program that feeds arbitrary inputs to every command, and that it notices what is wrong."""

from __future__ import annotations

import os
import random
from collections.abc import Iterator
from contextlib import nullcontext
from pathlib import Path
from unittest.mock import patch

import pytest

from host_tools import terminal
from host_tools.commands import SUMMARIES
from paramstore.image import values_out
from tests.programs import fuzz_commands, fuzzing
from tests.programs.feeds import bench, stores


@pytest.fixture(autouse=True)
def back() -> Iterator[None]:
    """The program works in a folder of its own."""
    before = Path.cwd()
    os.chdir(bench.bench())
    yield
    bench.clear()
    os.chdir(before)


def test_arbitrary_inputs_of_every_kind() -> None:
    """Some hundred, the same in each run: refused, or what was asked for is so."""
    totals = fuzzing.run(fuzz_commands.one, 0, 400, 1)
    assert 400 == totals.reached.total()
    assert {"a schema with mistakes", "a schema, and its image from its own values",
            "values with mistakes", "values that are served as they were given",
            "a table with mistakes", "a table whose units are as it says", "records, read",
            "records, refused", "a release that is refused"} < set(totals.reached)


def test_every_command_comes_up() -> None:
    """Each has its place among the command lines, and the kinds come as often as their shares."""
    totals = fuzzing.run(fuzz_commands.one, 0, 1000, 2)
    assert set(SUMMARIES) == set(totals.commands)
    assert 100 == sum(fuzz_commands.SHARES.values())
    assert 1000 * fuzz_commands.SHARES[stores.feed_values] / 100 == sum(
        count for what, count in totals.reached.items() if what.startswith("values"))


def test_what_is_remembered_is_what_would_be_read() -> None:
    """Each input has the same end with nothing remembered."""
    with patch.object(fuzz_commands, "remembered", nullcontext):
        plain = fuzzing.run(fuzz_commands.one, 0, 200, 1)
    told = fuzzing.run(fuzz_commands.one, 0, 200, 1)
    assert (plain.reached, plain.commands) == (told.reached, told.commands)


def feed(kind: object, seeds: int = 300) -> None:
    for seed in range(seeds):
        kind(random.Random(seed))  # type: ignore[operator]


def test_a_line_that_is_said_raw_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """As if nothing made it printable."""
    monkeypatch.setattr(terminal, "_safe", lambda line: [line])
    monkeypatch.setattr("paramstore.report.findings.printable", lambda text: text)
    with pytest.raises(bench.Wrong, match="what does not print is said"):
        feed(stores.feed_values)


def test_a_value_that_is_not_the_one_given_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """As if a number were written with its last digit lost."""
    monkeypatch.setattr(values_out, "show_number", lambda value: f"{round(value)}.0")
    with pytest.raises(bench.Wrong, match=r"was given, and .* is served"):
        feed(stores.feed_values)


def test_an_error_that_is_none_of_the_commands_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """It ends the run, with the command line."""
    def broken(*_: object) -> None:
        raise RuntimeError("bug")

    monkeypatch.setattr("paramstore.releases.history._digest", broken)
    with pytest.raises(RuntimeError):
        feed(stores.feed_release, 5)
