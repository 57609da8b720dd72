"""The command `paramstore prove`: options, exit codes, which stream says what."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from host_tools.main import main
from paramstore.verify.cuts import agreement, build
from paramstore.verify.cuts.agreement import Agreement, Timed
from paramstore.verify.cuts.results import Totals
from tests.firmware.builds import example_plan
from tests.verify.cuts.harnesses import NO_CRC, broken_runtime

MINIMAL = str(Path(__file__).parents[2] / "schemas" / "minimal.toml")


def run(*arguments: str, **more: Any) -> Result:
    return CliRunner().invoke(main, ["prove", *arguments], **more)


def test_help_begins_with_an_example() -> None:
    """The first thing help shows is a command line."""
    assert run("--help").stdout.splitlines()[2].strip().startswith("Example: paramstore prove")


def test_quick() -> None:
    """A sound schema: the report on stdout, the progress on stderr, exit code 0."""
    result = run(MINIMAL, "--quick", "--jobs", "1")
    assert 0 == result.exit_code
    assert result.stdout.startswith("Power cuts: dimmer on the AT24C02D, quick campaign\n")
    assert "No violation" in result.stdout
    begun, *_, done = result.stderr.splitlines()
    assert "Cutting the power: begun; a line every 10 s" == begun
    assert done.startswith("Cutting the power: done in ")


def test_json() -> None:
    """The same for programs; the seed is in it."""
    data = json.loads(run(MINIMAL, "--quick", "--jobs", "1", "--seed", "5", "--json").stdout)
    assert ("dimmer", "quick", 5, 0) == (data["store"], data["level"], data["seed"],
                                         data["violations"])


def test_a_broken_promise(monkeypatch: pytest.MonkeyPatch) -> None:
    """Exit code 1, and the replay it names ends with exit code 1 too."""
    monkeypatch.setattr(build, "runtime_files", lambda: broken_runtime(*NO_CRC))
    result = run(MINIMAL, "--quick", "--jobs", "1", "--json")
    assert 1 == result.exit_code
    for shown in json.loads(result.stdout)["shown"]:
        again = run(MINIMAL, "--replay", shown["replay"], "--json")
        assert (1, shown["invariant"]) == (again.exit_code, json.loads(again.stdout)["invariant"])


def test_replay() -> None:
    """A sound history: a table for each engine and exit code 0."""
    result = run(MINIMAL, "--replay", "FACTORY,settings@1.mix.x12,BOOT")
    assert (0, "") == (result.exit_code, result.stderr)
    assert "All leave the same image." in result.stdout


def test_what_is_no_history() -> None:
    """A mistake in a history: a message with a hint, exit code 2."""
    result = run(MINIMAL, "--replay", "FACTORY,setings")
    assert (2, "") == (result.exit_code, result.stdout)
    assert "no step" in result.stderr and "settings" in result.stderr


def test_page_beside_the_answer(tmp_path: Path) -> None:
    """--html writes a page of the same campaign after the report; a replay has none."""
    page = tmp_path / "cuts.html"
    result = run(MINIMAL, "--quick", "--jobs", "1", "--html", str(page))
    assert 0 == result.exit_code and "No violation" in result.stdout
    assert "No violation in" in page.read_text("utf-8")
    refused = run(MINIMAL, "--replay", "FACTORY,settings,BOOT", "--html", str(page))
    assert 2 == refused.exit_code and "--html shows a campaign" in refused.stderr


def test_a_case_of_a_fault_is_replayed() -> None:
    """One case of a class by its text; a case that there is not is told."""
    result = run(MINIMAL, "--replay", "FACTORY+4,BIT=642.x1")
    assert (0, "") == (result.exit_code, result.stderr)
    assert "FACTORY+4, one bit at rest is wrong, case 642: nothing is wrong\n" == result.stdout
    data = json.loads(run(MINIMAL, "--replay", "FACTORY+4,BIT=642.x1", "--json").stdout)
    assert ("BIT", 642, "") == (data["class"], data["case"], data["invariant"])
    none = run(MINIMAL, "--replay", "FACTORY+4,BIT=99999.x1")
    assert 2 == none.exit_code and "there is no case 99999" in none.stderr


def test_quick_and_long_exclude_each_other() -> None:
    """Neither is taken silently for the other."""
    result = run(MINIMAL, "--quick", "--long")
    assert 2 == result.exit_code and "give one of the two" in result.stderr


def test_a_migration_is_replayed() -> None:
    """A history that begins with a part of an earlier release; one that there is not is told."""
    schema = str(Path(MINIMAL).with_name("tank_probe.toml"))
    result = run(schema, "--replay", "RELEASE3,FORMAT@1.prefix.4,BOOT")
    assert (0, "RELEASE3,FORMAT@1.prefix.4,BOOT: nothing is wrong\n") == (
        result.exit_code, result.stdout)
    data = json.loads(run(schema, "--replay", "RELEASE3,BOOT", "--json").stdout)
    assert (None, "RELEASE3,BOOT") == (data["invariant"], data["history"])
    result = run(schema, "--replay", "RELEASE9,BOOT")
    assert 2 == result.exit_code and "the releases before are 1, 2, 3, 4" in result.stderr


def test_a_unit_of_an_earlier_release_is_replayed() -> None:
    """One unit with values on edges; one of a release that there is not is told."""
    schema = str(Path(MINIMAL).with_name("tank_probe.toml"))
    result = run(schema, "--replay", "RELEASE3,UNIT=4.x1")
    assert 0 == result.exit_code
    assert re.fullmatch(r"release 3, \d\d stored values: nothing is wrong\n", result.stdout)
    data = json.loads(run(schema, "--replay", "RELEASE3,UNIT=4.x1", "--json").stdout)
    assert (1, 0, None) == (data["units"], data["violations"], data["replay"])
    assert "factory.adc_gain" in data["named"]
    assert 2 == run(schema, "--replay", "RELEASE9,UNIT=4.x1").exit_code


def test_a_migration_by_a_schema_whose_conversion_has_served(tmp_path: Path) -> None:
    """A schema that is its last release, `convert` taken out as PS737 asks: the way from the
    release before is known all the same."""
    schema = tmp_path / "store.toml"
    text = ('[store]\nname = "s"\npart = "AT24C02D"\n[group.g]\nrole = "setting"\n'
            'writes = "1 per day"\n[group.g.parameter]\n%s\n')
    for line in ('a = { type = "u16", unit = "V" }',
                 'a = { type = "u32", unit = "mV", convert = { factor = 1000 } }'):
        schema.write_text(text % line, "utf-8")
        assert 0 == CliRunner().invoke(main, ["freeze", str(schema)]).exit_code
    schema.write_text(text % 'a = { type = "u32", unit = "mV" }', "utf-8")
    result = run(str(schema), "--replay", "RELEASE1,FORMAT,BOOT")
    assert (0, "RELEASE1,FORMAT,BOOT: nothing is wrong\n") == (result.exit_code, result.stdout)
    assert 0 == run(str(schema), "--quick", "--jobs", "1").exit_code


def test_machine_code(monkeypatch: pytest.MonkeyPatch) -> None:
    """--machine compares engines, and is no other campaign at the same time."""
    refused = run(MINIMAL, "--machine", "--quick")
    assert 2 == refused.exit_code and "--machine is a campaign of its own" in refused.stderr
    plan = example_plan("minimal")
    seen = Timed("any", Totals(boots=7, digest=0xAB), 2.0)
    monkeypatch.setattr(agreement, "agree", lambda plan, progress: Agreement(
        plan, seen, seen, 12, ("FACTORY,BOOT",)))
    result = run(MINIMAL, "--machine")
    assert 1 == result.exit_code and "Comparing" in result.stderr
    assert "00000000000000ab" in result.stdout and "--replay FACTORY,BOOT" in result.stdout
    data = json.loads(run(MINIMAL, "--machine", "--json").stdout)
    assert (plan.schema.name, False, True) == (data["store"], data["sound"], data["same_jobs"])
