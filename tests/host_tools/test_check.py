"""`paramstore check`: one command tells all mistakes, for people and for programs."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from host_tools.main import main

ROOT = Path(__file__).parents[2]
GOOD = str(ROOT / "schemas" / "tank_probe.toml")
BAD = str(ROOT / "tests" / "corpus" / "schemas" / "does_not_fit.toml")
SMALL = ('[store]\nname = "demo"\npart = "24LC32A"\n[group.a]\nrole = "setting"\n'
         'writes = "1 per day"\n[group.a.parameter]\n')


def run(*arguments: str, text: str | None = None) -> Result:
    return CliRunner().invoke(main, ["check", *arguments], input=text, prog_name="paramstore")


def test_good_schema_is_called_good() -> None:
    """A schema without mistakes gives one line and exit code 0."""
    result = run(GOOD)
    assert (0, "tank_probe: 5 groups, 42 parameters on 24LC32A: no mistakes\n", "") == (
        result.exit_code, result.stdout, result.stderr)


def test_mistakes_are_the_answer() -> None:
    """Findings go to standard output, the count closes them, the exit code is 1."""
    result = run(BAD)
    assert 1 == result.exit_code
    assert 4 == result.stdout.count("error PS204")
    assert result.stdout.endswith("does_not_fit.toml: 4 errors\n")
    assert "" == result.stderr


def test_json_has_the_same_findings() -> None:
    """`--json` gives the findings as data, with a version, for good and bad schemas alike."""
    data = json.loads(run(BAD, "--json").stdout)
    assert (1, 4, ["PS204"] * 4) == (
        data["schema_version"], data["errors"], [f["code"] for f in data["findings"]])
    good = json.loads(run(GOOD, "--json").stdout)
    assert (0, 0, []) == (good["errors"], good["warnings"], good["findings"])


def test_warnings_do_not_fail() -> None:
    """A schema with warnings alone leaves the exit code at 0."""
    result = run("-", text=SMALL + 'x = { type = "i8", scale = 0.5, default = 1.2 }\n')
    assert 0 == result.exit_code
    assert "warning PS209" in result.stdout
    assert result.stdout.endswith("demo: 1 group, 1 parameter on 24LC32A: 1 warning\n")


def test_layout_is_checked_as_well() -> None:
    """A schema that is sound by itself but does not fit on its part is told here."""
    result = run("-", text=SMALL + 'x = { type = "u64", count = 1000 }\n')
    assert 1 == result.exit_code
    assert "error PS4" in result.stdout


def test_names_in_c_are_checked_as_well() -> None:
    """Names that meet only in the generated C are told here."""
    result = run("-", text=SMALL + 'b_c = { type = "u8" }\n'
                 '[group.a_b]\nrole = "setting"\nwrites = "1 per day"\n'
                 'parameter.c = { type = "u8" }\n')
    assert 1 == result.exit_code
    assert "error PS701" in result.stdout


def test_repeats_are_capped_unless_all_are_wanted() -> None:
    """Many findings of a kind are counted; `--all` shows them."""
    text = SMALL + "".join(f'x{n} = {{ type = "u7" }}\n' for n in range(20))
    short, long = run("-", text=text), run("-", "--all", text=text)
    assert (8, 20) == tuple(r.stdout.count("error PS201") for r in (short, long))
    assert "and 12 more of PS201" in short.stdout


def test_explain_says_more() -> None:
    """`--explain` needs no schema and shows title and explanation."""
    result = run("--explain", "ps204")
    assert 0 == result.exit_code
    assert result.stdout.startswith("PS204: a number does not fit in its type\n\n")
    assert '\n    level = { type = "u8", default = 300 }' in result.stdout
    assert all(len(line) <= 100 for line in result.stdout.splitlines())


@pytest.mark.parametrize(
    ("arguments", "text", "code", "message"),
    [
        (("nowhere.toml",), None, 2, "error: cannot read `nowhere.toml`"),
        (("--explain", "PS999"), None, 2, "error: there is no finding `PS999`"),
        ((), None, 2, "give a SCHEMA, or a code with --explain"),
        ((".",), None, 2, "error: cannot read `.`"),
    ],
)
def test_what_cannot_be_run_says_why(
    arguments: tuple[str, ...], text: str | None, code: int, message: str
) -> None:
    """A missing file, a directory or a wrong call gives a message on stderr and exit code 2."""
    result = run(*arguments, text=text)
    assert (code, "") == (result.exit_code, result.stdout)
    assert message in result.stderr


def test_file_that_is_no_text(tmp_path: Path) -> None:
    """Bytes that are not UTF-8 are a finding of the file."""
    path = tmp_path / "latin.toml"
    path.write_bytes(b'[store]\nname = "\xb5"\n')
    result = run(str(path))
    assert 1 == result.exit_code
    assert "error PS100" in result.stdout + result.output
