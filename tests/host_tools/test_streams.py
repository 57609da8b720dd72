"""`-` in the commands: the standard streams, each input once."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from host_tools.main import main

SCHEMAS = Path(__file__).parents[2] / "schemas"
SCHEMA = str(SCHEMAS / "minimal.toml")


def run(*arguments: str, stdin: bytes) -> Result:
    return CliRunner().invoke(main, arguments, input=stdin)


@pytest.mark.parametrize("arguments", [
    ("pack", "-", "--values", "-", "-o", "out.bin"),
    ("unpack", "-", "-", "--input-format", "bin", "-o", "out.toml"),
    ("tour", "-", "--values", "-", "-o", "out"),
])
def test_standard_input_is_one_input(arguments: tuple[str, ...], tmp_path: Path,
                                     monkeypatch: pytest.MonkeyPatch) -> None:
    """A second `-` would read nothing, so it is refused, and nothing is written."""
    monkeypatch.chdir(tmp_path)
    result = run(*arguments, stdin=Path(SCHEMA).read_bytes())
    assert (2, "") == (result.exit_code, result.stdout)
    assert "error: `-` is given for two inputs, and there is one standard input" in result.stderr
    assert [] == list(tmp_path.iterdir())


def test_standard_input_that_is_no_text_is_a_finding() -> None:
    """It is told as for a file."""
    result = run("check", "-", stdin=b"\xff")
    assert 1 == result.exit_code
    assert "<stdin>: error PS100: `<stdin>` is not UTF-8 text: byte 0xFF in line 1" in result.output


def test_standard_input_has_a_limit() -> None:
    """More than any schema has is not read."""
    result = run("check", "-", stdin=b"#" * 4_000_001)
    assert 2 == result.exit_code
    assert "`<stdin>` has more than 4000000 bytes" in result.stderr
