"""How far a long program is, now and then, on stderr."""

from __future__ import annotations

import sys
import time

__all__ = ["Progress"]

_SHOWN_S = 20


class Progress:
    """Called with the part of the work that is done, from 0 to 1; tells it every 20 seconds."""

    def __init__(self) -> None:
        self._next = time.monotonic() + _SHOWN_S

    def __call__(self, part: float) -> None:
        if time.monotonic() >= self._next:
            self._next += _SHOWN_S
            print(f"{part:.0%}", file=sys.stderr)
