"""`paramstore freeze` and `compare`, and the commands that take a release."""

from __future__ import annotations

import json
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from host_tools.main import main

RELEASED = Path(__file__).parents[1] / "corpus" / "edits"


def run(*arguments: object) -> Result:
    result = CliRunner().invoke(main, [str(a) for a in arguments])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result


@pytest.fixture
def schema(tmp_path: Path) -> Path:
    """A schema with two releases, as it stood at the second one."""
    path = tmp_path / "demo.toml"
    for number in (1, 2):
        path.write_bytes((RELEASED / "released" / f"000{number}.toml").read_bytes())
        assert 0 == run("freeze", path, "--note", f"number {number}").exit_code
    return path


def edit(schema: Path, name: str) -> None:
    schema.write_bytes((RELEASED / f"{name}.toml").read_bytes())


def test_freeze_writes_the_next_release(schema: Path) -> None:
    """A release is one more file; what changed since the last one is told."""
    edit(schema, "fine_names")
    result = run("freeze", schema, "--json")
    data = json.loads(result.stdout)
    assert (0, 3) == (result.exit_code, data["release"])
    assert ["PS753", "PS752"] == [c["code"] for c in data["changes"]]
    written = json.loads(Path(data["output"]).read_text())
    assert (3, data["layout_id"]) == (written["release"], written["layout_id"])
    assert "release 3" in run("plan", schema).stdout


def test_freeze_refuses_what_changes_nothing(schema: Path) -> None:
    """Exit code 1, and no file."""
    result = run("freeze", schema)
    assert 1 == result.exit_code
    assert "PS716" in result.output
    assert 2 == len(list(schema.with_suffix(".releases").iterdir()))


def test_of_many_freezes_at_once_one_writes(schema: Path) -> None:
    """Of processes that freeze at the same moment one says that it wrote a release, and its file is
    there, whole; the others say that they did not."""
    folder = schema.with_suffix(".releases")
    text = schema.read_text("utf-8")
    schema.write_text(text.replace("[store]", '[store]\ndoc = "edited"'), "utf-8")
    with ThreadPoolExecutor(4) as pool:
        for turn in range(5):
            (folder / "0003.json").unlink(missing_ok=True)
            made = dict(pool.map(lambda note: freeze_in_a_process(schema, note),
                                 (f"turn {turn}, process {i}" for i in range(4))))
            done = [note for note, process in made.items() if process.returncode == 0]
            assert 1 == len(done), [process.stderr for process in made.values()]
            assert done[0] == json.loads((folder / "0003.json").read_text("utf-8"))["note"]
            assert all("0003.json` is there already" in process.stderr or "PS716" in process.stdout
                       for note, process in made.items() if note not in done)
            assert ["0001.json", "0002.json", "0003.json"] == sorted(
                path.name for path in folder.iterdir())


def freeze_in_a_process(schema: Path, note: str) -> tuple[str, subprocess.CompletedProcess[str]]:
    return note, subprocess.run(
        [sys.executable, "-m", "host_tools.main", "freeze", str(schema), "--note", note],
        capture_output=True, text=True, check=False)


def test_check_says_what_changed(schema: Path) -> None:
    """`check` tells verdicts; a change that cannot be made is an error."""
    edit(schema, "fine_values")
    result = run("check", schema)
    assert 0 == result.exit_code
    assert "since release 2: 9 changes" in result.stdout
    assert "needs migration  PS762  settings.delay" in result.stdout
    edit(schema, "parameter_gone")
    result = run("check", schema, "--json")
    data = json.loads(result.stdout)
    assert (1, 2) == (result.exit_code, data["errors"])
    assert {"PS750"} == {c["code"] for c in data["changes"]}


@pytest.mark.parametrize(("names", "verdict", "codes"), [
    (("{0}", "--from", "1", "--to", "2"), "safe", {"PS750", "PS754", "PS755"}),
    (("{0}", "--from", "1"), "safe", {"PS753", "PS752", "PS750", "PS754", "PS755"}),
    (("{0}", ), "safe", {"PS753", "PS752"}),
    (("{1}/0001.json", "{1}/0001.json"), "safe", set()),
    (("{1}/0002.json",), "safe", {"PS750", "PS754", "PS755"}),
    (("{0}", "--to", "2"), "safe", {"PS750", "PS754", "PS755"}),
    (("{0}", "{1}/0002.json", "--from", "1"), "safe", {"PS750", "PS754", "PS755"}),
])
def test_compare(schema: Path, names: tuple[str, ...], verdict: str, codes: set[str]) -> None:
    """Schema, release of it, or release file: any two states, over several releases."""
    edit(schema, "fine_names")
    arguments = [n.format(schema, schema.with_suffix(".releases")) for n in names]
    result = run("compare", *arguments, "--json")
    data = json.loads(result.stdout)
    assert 0 == result.exit_code
    assert codes == {c["code"] for c in data["changes"]}
    assert verdict == data["verdict"]


def test_compare_refuses(schema: Path) -> None:
    """Exit code 1 if units made with the one cannot go on with the other."""
    edit(schema, "unit_changed")
    result = run("compare", schema)
    assert 1 == result.exit_code
    assert "PS727" in result.stdout
    assert "release 2 to" in result.stdout and result.stdout.endswith("refused\n")


def test_compare_two_schema_files(tmp_path: Path) -> None:
    """Two files without releases are compared as they are: a difference as in version control."""
    one, two = tmp_path / "one.toml", tmp_path / "two.toml"
    text = (RELEASED / "released" / "0001.toml").read_text()
    one.write_text(text)
    two.write_text(text.replace("max = 100, ", ""))
    result = run("compare", one, two)
    assert 0 == result.exit_code
    assert "PS757  settings.level: may be any value now" in result.stdout


def test_compare_what_is_not_there(schema: Path) -> None:
    """Exit code 2, and what there is."""
    folder = schema.with_suffix(".releases")
    for arguments, said in (
            ((folder / "0001.json", "--from", "1"), "has none of its own"),
            ((schema, "--to", "3"), "there are 1 to 2"),
            ((schema, "--from", "2", "--to", "1"), "name the older one"),
            ((schema, "--to", "1"), "release 1 is the first one"),
            (("nowhere.toml",), "cannot read")):
        result = run("compare", *arguments)
        assert 2 == result.exit_code and said in result.stderr


def test_commands_take_a_release(schema: Path, tmp_path: Path) -> None:
    """plan, generate and pack work from any release; unpack finds it by the label."""
    edit(schema, "fine_names")
    assert "release 1" in run("plan", schema, "--release", 1).stdout
    assert "not released" in run("plan", schema).stdout
    image = tmp_path / "unit.bin"
    packed = run("pack", schema, "--release", 1, "--set", "network.node=7", "-o", image)
    assert 0 == packed.exit_code
    result = run("unpack", schema, image)
    assert 0 == result.exit_code, result.stdout
    assert "node   7" in result.stdout
    assert 0 == run("generate", schema, "--release", 2, "-o", tmp_path / "c").exit_code
    assert "release 2" in (tmp_path / "c" / "demo_params.h").read_text()
    assert 2 == run("generate", schema, "--release", 9, "-o", tmp_path / "c").exit_code


def test_another_store_is_told_as_that_alone(schema: Path) -> None:
    """What its groups have in common with those of this one says nothing."""
    other = schema.with_name("other.toml")
    text = schema.read_text("utf-8").replace('name = "demo"', 'name = "other"')
    other.write_text(text.replace("[group.settings", "[group.limits"), "utf-8")
    result = run("compare", schema, other)
    assert 1 == result.exit_code and "error PS733" in result.stdout
    assert "1 error\n" in result.stdout and "PS721" not in result.output
    assert result.stdout.endswith("refused\n")


def test_the_first_release_tells_the_room_that_it_fixes(tmp_path: Path) -> None:
    """Of groups whose schema does not say it, and of a new group later; a `room` settles it."""
    path = tmp_path / "demo.toml"
    path.write_bytes((RELEASED / "released" / "0001.toml").read_bytes())
    told = run("freeze", path).stdout
    assert 2 == told.count("warning PS715")
    assert "group `network` has 6 bytes for parameters to come, from this release on" in told
    assert f"take `{path.with_suffix('.releases') / '0001.json'}` away, and freeze again" in told
    assert "`settings`" not in told.replace("from `settings`", "")
    path.write_text(path.read_text("utf-8") + '[group.more]\nrole = "setting"\n'
                    'writes = "1 per year"\n[group.more.parameter]\nx = { type = "u8" }\n', "utf-8")
    told = run("freeze", path).stdout
    assert 1 == told.count("warning PS715") and "group `more` has" in told


def test_what_a_default_costs_is_told_to_programs(schema: Path) -> None:
    """`check --json` and `compare --json` name the parameters that may lose stored values."""
    edit(schema, "fine_rules")
    for command in (("check", schema, "--json"), ("compare", schema, "--from", 2, "--json")):
        made = json.loads(run(*command).stdout)["changes"]
        told = [(c["where"], c["loses"]) for c in made if c["code"] == "PS770"]
        assert [("settings.level_2", ["settings.level"]),
                ("settings.last", ["settings.steps"])] == told
