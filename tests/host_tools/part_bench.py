"""What the tests of commands on a part share: a folder with an image, and a part that is a file."""

from __future__ import annotations

from pathlib import Path

from click.testing import CliRunner, Result

from host_tools.main import main

__all__ = ["SCHEMA", "SCHEMAS", "VALUES", "lay_out", "read_back", "run", "write"]

SCHEMAS = Path(__file__).parents[2] / "schemas"
SCHEMA = SCHEMAS / "tank_probe.toml"
VALUES = SCHEMAS / "tank_probe.values.toml"


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, [str(a) for a in arguments])


def lay_out(folder: Path) -> Path:
    """Put the image of the shipped values into the folder that is worked in."""
    assert 0 == run("pack", SCHEMA, "--values", VALUES, "-o", "unit.bin").exit_code
    return folder


def write(*more: str | Path) -> Result:
    return run("write", SCHEMA, *more, "--part-file", "part.bin")


def read_back() -> str:
    return run("read", SCHEMA, "--part-file", "part.bin").stdout
