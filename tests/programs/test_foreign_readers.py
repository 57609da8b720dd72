"""The program that lets other tools read images back."""

from __future__ import annotations

import pytest

from tests.programs.foreign_readers import main, readers


def test_no_tool_reads_other_bytes(capsys: pytest.CaptureFixture[str]) -> None:
    """Each form is named, with what the tool for it read, or that there is no such tool."""
    assert 0 == main()
    lines = capsys.readouterr().out.splitlines()
    assert [form for form, *_ in readers()] == [line.split()[0] for line in lines]
    assert all(line.endswith(("the same bytes", "is not installed")) for line in lines)
