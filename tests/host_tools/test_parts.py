"""The command `paramstore parts`: options, exit codes, which stream says what."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner, Result

from host_tools.main import main
from paramstore.schema.catalogue import names


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, ["parts", *arguments])


def found(*arguments: str) -> set[str]:
    result = run("--json", *arguments)
    assert result.exit_code == 0
    return {p["name"] for p in json.loads(result.stdout)["parts"]}


def test_help_begins_with_an_example() -> None:
    """The first thing help shows is a command line."""
    assert run("--help").stdout.splitlines()[2].strip().startswith("Example: paramstore parts")


def test_all_parts_by_default() -> None:
    """Without arguments every part is listed."""
    assert set(names()) == found()
    assert f"{len(names())} parts" in run().stdout


@pytest.mark.parametrize(
    ("size", "capacities"),
    [("4K", {4096}), ("4096", {4096}), ("32kbit", {4096}), ("4 KiB", {4096}), ("1Mbit", {131072}),
     ("..256", {128, 256}), ("512kbit..", {65536, 131072}), ("1K..2K", {1024, 2048})],
)
def test_capacity(size: str, capacities: set[int]) -> None:
    """A size is given in bytes or bits, as one value or as a range."""
    result = run("--json", "--capacity", size)
    assert capacities == {p["capacity"] for p in json.loads(result.stdout)["parts"]}


@pytest.mark.parametrize("size", ["4Kb", "..", "8K..4K", "x", "", "-1", "4K..8Q", "٣"])
def test_wrong_capacity(size: str) -> None:
    """A size that cannot be read is an error of use, not a guess."""
    result = run("--capacity", size)
    assert result.exit_code == 2
    assert "--capacity" in result.stderr
    assert result.stdout == ""


def test_options_narrow_together() -> None:
    """All options must hold."""
    assert found("--protect", "quarter", "--supply", "1.8") == {"24AA32AF"}
    assert found("--page", "256", "--khz", "1000") == {"M24M01-R", "M24M01-DF"}
    assert found("rohm", "automotive") == {"BR24H32-5AC"}


def test_name_shows_the_part() -> None:
    """The name of a part, with an ordering suffix too, shows it with sources."""
    assert found("24lc32a") == {"24LC32A"}
    assert "DS21713M" in run("24LC32AT-I/SN").stdout


def test_sources_of_several() -> None:
    """With --sources every match is shown in full."""
    shown = run("--sources", "24LC32").stdout
    assert "24LC32A, Microchip" in shown
    assert "24LC32AF, Microchip" in shown


def test_no_match() -> None:
    """Nothing found: exit code 1, the talk on stderr, and an empty list as data."""
    result = run("24LC23A")
    assert (result.exit_code, result.stdout) == (1, "")
    assert "no part matches `24LC23A`\n  mend  did you mean `24LC32A`" in result.stderr
    result = run("24LC23A", "--json")
    assert result.exit_code == 1
    assert json.loads(result.stdout)["parts"] == []


@pytest.mark.parametrize(("plain", "with_unit"), [
    (("--supply", "3.3"), ("--supply", "3.3V")), (("--supply", "1.8"), ("--supply", "1800 mV")),
    (("--khz", "400"), ("--khz", "400kHz")), (("--khz", "1000"), ("--khz", "1MHz")),
])
def test_units_may_be_written(plain: tuple[str, str], with_unit: tuple[str, str]) -> None:
    """A number with its unit means the same as without."""
    assert found(*plain) == found(*with_unit) != set()


@pytest.mark.parametrize(("option", "value", "help"), [
    ("--supply", "3.3A", "write 3.3 or 3.3V"), ("--supply", "0", "write 3.3 or 3.3V"),
    ("--khz", "1 GHz", "write 400, 400kHz or 1MHz"), ("--khz", "fast", "write 400, 400kHz or 1MHz"),
])
def test_wrong_unit(option: str, value: str, help: str) -> None:
    """What is no voltage or frequency is an error of use that says what to write."""
    result = run(option, value)
    assert (2, "") == (result.exit_code, result.stdout)
    assert f"`{value}` is not a" in result.stderr and help in result.stderr


def test_no_match_says_how_to_go_on() -> None:
    """A part that is not known can be described; one of a later revision is offered by its name."""
    result = run("--capacity", "3K")
    assert "a schema can describe any other part in a table `[store.part]`" in result.stderr
    assert {"AT24C02D"} == found("at24c02")
