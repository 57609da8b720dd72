"""How far long work is, in lines."""

from __future__ import annotations

import time

import pytest

from host_tools.progress import counted, progress


def test_lines_say_what_is_done_and_what_is_left(monkeypatch: pytest.MonkeyPatch,
                                                 capsys: pytest.CaptureFixture[str]) -> None:
    """At most one in ten seconds, by the clock, with about how long the rest takes."""
    clock = [100.0]
    monkeypatch.setattr(time, "monotonic", lambda: clock[0])
    with progress("Working") as tell:
        for seconds, part in ((5, 0.1), (5, 0.2), (9, 0.25), (41, 0.5), (7200, 0.75)):
            clock[0] += seconds
            tell(part)
    assert ["Working: begun; a line every 10 s", "Working: 20%, about 40 s left",
            "Working: 50%, about 60 s left", "Working: 75%, about 40 min left",
            "Working: done in 2.0 h"] == capsys.readouterr().err.splitlines()


def test_a_terminal_gets_counts_in_lines(monkeypatch: pytest.MonkeyPatch,
                                         capsys: pytest.CaptureFixture[str]) -> None:
    """At most one in a second, and no bar; beside a terminal nothing."""
    clock = [100.0]
    monkeypatch.setattr(time, "monotonic", lambda: clock[0])
    for terminal, lines in ((True, ["Reading: 96 of 4096 bytes", "Reading: 2000 of 4096 bytes"]),
                            (False, [])):
        with counted("Reading", 4096, "bytes") as tell:
            monkeypatch.setattr("sys.stderr.isatty", lambda on=terminal: on)
            for seconds, more in ((0.5, 32), (0.6, 64), (0.2, 1000), (1.0, 904), (0.5, 2096)):
                clock[0] += seconds
                tell(more)
        assert lines == capsys.readouterr().err.splitlines()
        with progress("Working"):
            pass
        assert "\r" not in (said := capsys.readouterr().err) and "Working: done" in said
