"""The command `paramstore plan`: options, exit codes, which stream says what."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from host_tools.main import main

EXAMPLES = Path(__file__).parents[2] / "schemas"
TANK_PROBE = str(EXAMPLES / "tank_probe.toml")
MINIMAL = (EXAMPLES / "minimal.toml").read_text(encoding="utf-8")


def run(*arguments: str, **more: Any) -> Result:
    return CliRunner().invoke(main, ["plan", *arguments], **more)


def test_help_begins_with_an_example() -> None:
    """The first thing help shows is a command line."""
    assert run("--help").stdout.splitlines()[2].strip().startswith("Example: paramstore plan")


def test_answer_on_stdout() -> None:
    """A sound schema: the report on stdout, nothing on stderr, no colour beside a terminal."""
    result = run(TANK_PROBE)
    assert (0, "") == (result.exit_code, result.stderr)
    assert "\x1b" not in result.stdout
    assert "Page map" in result.stdout and "counters" in result.stdout
    assert "Page map" not in run(TANK_PROBE, "--no-map").stdout
    assert "settings.ph_low" in run(TANK_PROBE, "--fields").stdout


def test_colour(monkeypatch: pytest.MonkeyPatch) -> None:
    """On a terminal the map has colours, with NO_COLOR it has none."""
    monkeypatch.delenv("NO_COLOR", raising=False)
    assert "\x1b[36mAAA\x1b[0m" in run(TANK_PROBE, color=True).stdout
    monkeypatch.setenv("NO_COLOR", "1")
    assert "\x1b" not in run(TANK_PROBE, color=True).stdout


def test_json() -> None:
    """JSON has the places of all fields and no findings."""
    data = json.loads(run(TANK_PROBE, "--json").stdout)
    assert ("tank_probe", [], 0) == (data["store"], data["findings"], data["errors"])
    fields = [f["name"] for g in data["groups"] for f in g["fields"]]
    assert "ec_curve.x" in fields


def test_advice_stands_below() -> None:
    """Advice does not stop the work and stands below the plan."""
    text = MINIMAL.replace('"20 per day"', '"20 per day"\nslots = 2')
    result = run("-", input=text)
    assert 0 == result.exit_code
    plan, below = result.stdout.split("<stdin>:6:8")
    assert "Page map" in plan and "warning PS422" in below
    (finding,) = json.loads(run("-", "--json", input=text).stdout)["findings"]
    assert ("PS422", "warning") == (finding["code"], finding["severity"])


def test_does_not_fit() -> None:
    """A store that does not fit: exit code 1, no plan, and the reason instead, or as JSON."""
    text = MINIMAL.replace("20 per day", "9000 per hour")
    result = run("-", input=text)
    assert (1, "") == (result.exit_code, result.stderr) and "Page map" not in result.stdout
    assert "error PS402" in result.output and "  mend  use the " in result.output
    result = run("-", "--json", input=text)
    assert (1, "") == (result.exit_code, result.stderr)
    assert "PS402" == json.loads(result.stdout)["findings"][0]["code"]


def test_no_such_file() -> None:
    """A schema that is not there: exit code 2."""
    result = run(str(EXAMPLES / "tank_prob.toml"))
    assert 2 == result.exit_code
    assert "did you mean" in result.stderr


def test_page_beside_the_answer(tmp_path: Path) -> None:
    """--html writes a page and changes nothing else of the answer; `-` is the page alone."""
    page = tmp_path / "plan.html"
    assert run(TANK_PROBE).stdout == run(TANK_PROBE, "--html", str(page)).stdout
    assert page.read_text("utf-8") == run(TANK_PROBE, "--html", "-").stdout
    assert "<h1><bdi>tank_probe</bdi></h1>" in page.read_text("utf-8")


def test_page_never_replaces_the_schema(tmp_path: Path) -> None:
    """--html with the schema's own name is refused."""
    schema = tmp_path / "schema.toml"
    schema.write_text(MINIMAL, "utf-8")
    result = run(str(schema), "--html", str(schema))
    assert 2 == result.exit_code and "stays as it is" in result.stderr
    assert MINIMAL == schema.read_text("utf-8")
