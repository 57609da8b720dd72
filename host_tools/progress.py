"""How far long work is, in lines that stay: no bars, nothing that moves a cursor.

Everything goes to stderr. Work of minutes says now and then what part is done, and about how long
the rest takes; the work on a part or a table counts, where a person sits before it.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from host_tools.terminal import say

__all__ = ["COUNT_S", "SHOWN_S", "counted", "progress"]

SHOWN_S = 10.0
"""Seconds between two lines."""
COUNT_S = 1.0
"""Seconds between two counts."""


@contextmanager
def counted(label: str, total: int, unit: str) -> Iterator[Callable[[int], None]]:
    """Yield what is told how many more are done; on a terminal it writes how many of the `total`
    are."""
    done, shown = 0, time.monotonic()

    def told(more: int) -> None:
        nonlocal done, shown
        done += more
        if time.monotonic() - shown >= COUNT_S and sys.stderr is not None and sys.stderr.isatty():
            shown = time.monotonic()
            say(f"{label}: {done} of {total} {unit}", err=True)

    yield told


@contextmanager
def progress(label: str) -> Iterator[Callable[[float], None]]:
    """Yield what is told the part of the work that is done, from 0 to 1."""
    lines = _Lines(label)
    yield lines.told
    lines.ended()


class _Lines:
    """Writes a line at the beginning and at the end, and every ten seconds between."""

    def __init__(self, label: str) -> None:
        self._label = label
        self._begun = self._shown = time.monotonic()
        say(f"{label}: begun; a line every {SHOWN_S:.0f} s", err=True)

    def told(self, part: float) -> None:
        """Write a line if it is time."""
        now = time.monotonic()
        if now - self._shown >= SHOWN_S and part > 0:
            self._shown = now
            left_s = (now - self._begun) * (1 - part) / part
            say(f"{self._label}: {part:.0%}, about {_duration(left_s)} left", err=True)

    def ended(self) -> None:
        """Say how long it took."""
        say(f"{self._label}: done in {_duration(time.monotonic() - self._begun)}", err=True)


def _duration(seconds: float) -> str:
    if seconds < 90:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 5400 else f"{seconds / 3600:.1f} h"
