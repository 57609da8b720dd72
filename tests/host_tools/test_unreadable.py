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
