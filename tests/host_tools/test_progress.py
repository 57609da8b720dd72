"""How far long work is, where stderr is a file."""

from __future__ import annotations

import time

import pytest

from host_tools.progress import progress


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
