"""Files and folders that cannot be read, entered or written: one message, exit code 2, and nothing
is taken for something that is not there."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from host_tools.main import main
from tests.permissions import ordinary_user

ROOT = Path(__file__).parents[2]
RELEASED = ROOT / "tests" / "corpus" / "edits" / "released"


def run(*arguments: object) -> Result:
    with ordinary_user():
        result = CliRunner().invoke(main, [str(a) for a in arguments])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result


@pytest.fixture
def schema(tmp_path: Path) -> Path:
    """A schema that was released, and is as it was."""
    path = tmp_path / "demo.toml"
    path.write_bytes((RELEASED / "0001.toml").read_bytes())
    assert 0 == run("freeze", path).exit_code
    return path


# ---- Releases -----------------------------------------------------------------------------------


def _no_rights(folder: Path) -> None:
    folder.chmod(0)


def _not_listed(folder: Path) -> None:
    folder.chmod(0o311)


def _not_entered(folder: Path) -> None:
    folder.chmod(0o644)


def _file_closed(folder: Path) -> None:
    (folder / "0001.json").chmod(0)


def _dangling(folder: Path) -> None:
    shutil.rmtree(folder)
    folder.symlink_to("elsewhere")


def _loop(folder: Path) -> None:
    shutil.rmtree(folder)
    folder.symlink_to(folder.name)


def _file(folder: Path) -> None:
    shutil.rmtree(folder)
    folder.write_bytes(b"")


def _pipe(folder: Path) -> None:
    import os

    shutil.rmtree(folder)
    os.mkfifo(folder)


def _file_dangling(folder: Path) -> None:
    (folder / "0001.json").unlink()
    (folder / "0001.json").symlink_to("elsewhere")


def _file_a_folder(folder: Path) -> None:
    (folder / "0001.json").unlink()
    (folder / "0001.json").mkdir()


WAYS = (_no_rights, _not_listed, _not_entered, _file_closed, _dangling, _loop, _file, _pipe,
        _file_dangling, _file_a_folder)


@pytest.mark.parametrize("way", WAYS, ids=lambda way: way.__name__[1:])
@pytest.mark.parametrize("command", ["check", "plan", "pack", "generate", "freeze", "unpack",
                                     "batch"])
def test_releases_that_cannot_be_read_are_not_none(
    schema: Path, way: Callable[[Path], None], command: str, tmp_path: Path
) -> None:
    """A store that was released is never laid out as one that was not."""
    out = tmp_path / "out"
    image, table = tmp_path / "image.bin", tmp_path / "units.csv"
    assert 0 == run("pack", schema, "-o", image, "--format", "bin").exit_code
    table.write_text("serial\n", "utf-8")
    folder = schema.with_suffix(".releases")
    way(folder)
    try:
        more: dict[str, tuple[object, ...]] = {
            "pack": ("-o", out, "--format", "bin"), "generate": ("-o", out), "unpack": (image,),
            "batch": (table, "-o", out)}
        result = run(command, schema, *more.get(command, ()))
    finally:
        if folder.is_dir():
            folder.chmod(0o755)
    assert (2, "") == (result.exit_code, result.stdout)
    assert f"error: cannot read `{folder}" in result.stderr
    assert not out.exists()


def test_the_name_of_a_release_file_may_not_vary(schema: Path) -> None:
    """Some disks change the case of a name: the release is there all the same."""
    folder = schema.with_suffix(".releases")
    (folder / "0001.json").rename(folder / "0001.JSON")
    result = run("check", schema)
    assert 1 == result.exit_code
    assert "PS714" in result.stdout


def test_a_link_to_a_schema_has_its_releases(schema: Path, tmp_path: Path) -> None:
    """Whoever names a schema by a link gets the same plan."""
    (tmp_path / "links").mkdir()
    link = tmp_path / "links" / "other.toml"
    link.symlink_to(schema)
    assert "release 1" in run("plan", link).stdout
    (tmp_path / "links" / "other.releases").mkdir()
    result = run("plan", link)
    assert (2, "") == (result.exit_code, result.stdout)
    assert "has two folders of releases" in result.stderr


def test_a_folder_of_schemas_that_cannot_be_listed_is_an_error(
    schema: Path, tmp_path: Path
) -> None:
    """It is not one without schemas."""
    image, schemas = tmp_path / "image.bin", tmp_path / "schemas"
    assert 0 == run("pack", schema, "-o", image, "--format", "bin").exit_code
    schemas.mkdir()
    shutil.copy(schema, schemas)
    schemas.chmod(0o311)
    for command in (("unpack", schemas, image), ("salvage", schemas, image, "-o", "x.bin")):
        result = run(*command)
        assert 2 == result.exit_code
        assert f"error: cannot read `{schemas}`: Permission denied" in result.stderr


# ---- Files of every kind ------------------------------------------------------------------------


LONG = "n" * 300
COMMANDS = {
    "check": ("PATH",), "plan": ("PATH",), "freeze": ("PATH",), "generate": ("GOOD", "-o", "PATH"),
    "generate from": ("PATH", "-o", "OUT"), "pack": ("GOOD", "-o", "PATH"),
    "pack values": ("GOOD", "PATH", "-o", "OUT.bin"), "pack from": ("PATH", "-o", "OUT.bin"),
    "unpack": ("GOOD", "PATH"), "unpack from": ("PATH", "IMAGE"),
    "unpack to": ("GOOD", "IMAGE", "-o", "PATH"), "examine": ("GOOD", "PATH"),
    "examine page": ("GOOD", "IMAGE", "--html", "PATH"), "bytes": ("GOOD", "PATH"),
    "differ": ("GOOD", "IMAGE", "PATH"), "salvage": ("GOOD", "IMAGE", "-o", "PATH"),
    "salvage from": ("GOOD", "PATH", "-o", "OUT.bin"),
    "transcribe": ("GOOD", "IMAGE", "-o", "PATH"), "migrate": ("GOOD", "IMAGE", "-o", "PATH"),
    "migrate from": ("GOOD", "PATH", "-o", "OUT.bin"),
    "migrate layout": ("GOOD", "IMAGE", "--layout", "PATH"), "compare": ("GOOD", "PATH"),
    "batch": ("GOOD", "PATH", "-o", "OUT"), "batch to": ("GOOD", "TABLE", "-o", "PATH"),
    "batch to archive": ("GOOD", "TABLE", "-o", "PATH.tar"),
    "batch values": ("GOOD", "TABLE", "--values", "PATH"),
    "batch records": ("GOOD", "TABLE", "--records", "PATH", "-o", "OUT"),
    "batch calibrations": ("GOOD", "TABLE", "--calibrations", "PATH"),
    "units": ("--records", "PATH"), "read": ("GOOD", "--part-file", "PATH", "-o", "OUT.bin"),
    "read to": ("GOOD", "--part-file", "IMAGE", "-o", "PATH"),
    "verify": ("GOOD", "IMAGE", "--part-file", "PATH"), "write": ("GOOD", "IMAGE", "--part-file",
                                                                  "PATH"),
    "bytes at": ("PATH", "--at", "x"), "tour": ("GOOD", "--values", "VALUES", "-o", "PATH"),
    "tour from": ("GOOD", "PATH", "-o", "OUT"), "calibrate": ("GOOD", "PATH", "TABLE"),
    "prove": ("PATH", "--quick"),
}


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A schema, an image, a table and values; and a folder that may not be entered."""
    monkeypatch.chdir(tmp_path)
    schema = tmp_path / "good.toml"
    schema.write_text(
        '[store]\nname = "demo"\npart = "24LC64"\n[group.unit]\nrole = "identity"\n'
        'writes = "1 per year"\n'
        '[group.unit.parameter]\nserial = { type = "text", size = 8, default = "" }\n',
        "utf-8")
    (tmp_path / "values.toml").write_text("[unit]\nserial = 'A1'\n", "utf-8")
    (tmp_path / "units.csv").write_text("unit.serial\nA1\n", "utf-8")
    assert 0 == run("pack", schema, "--set", "unit.serial='A1'", "-o", "unit.bin", "--format",
                    "bin").exit_code
    for name in ("closed", "listed"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "inside").write_bytes(b"")
    for name in ("loop", "loop.tar"):
        (tmp_path / name).symlink_to(name)
    (tmp_path / "closed").chmod(0)
    (tmp_path / "listed").chmod(0o444)
    return tmp_path


PATHS = ("closed/inside", "closed/there", "listed/inside", "listed/there", "closed/deep/er",
         LONG, f"{LONG}/x", "loop", "loop/x", "units.csv/x", "x" * 5000)


@pytest.mark.parametrize("name", COMMANDS)
def test_a_path_that_leads_nowhere_is_one_message(shop: Path, name: str) -> None:
    """A folder that may not be entered, a name that is too long, a loop of links, a file in the
    place of a folder: whatever the path is for, there is no traceback, and nothing is written."""
    before = set(shop.iterdir())
    for path in PATHS:
        put = {"PATH": path, "PATH.tar": f"{path}.tar", "GOOD": "good.toml", "IMAGE": "unit.bin",
               "TABLE": "units.csv", "VALUES": "values.toml", "OUT": "out", "OUT.bin": "out.bin"}
        result = run(name.split()[0], *(put.get(a, a) for a in COMMANDS[name]))
        assert 2 == result.exit_code, (path, result.output)
        assert "error" in result.stderr.lower()
    for folder in ("closed", "listed"):
        (shop / folder).chmod(0o755)
    # A batch has begun its records when it finds that it cannot write.
    made = {p.name for p in set(shop.iterdir()) - before if ".units.db" not in p.name}
    assert set() == made
