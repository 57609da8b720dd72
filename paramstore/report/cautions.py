"""The caution that goes with everything that may end up in a part, worded in one place."""

from __future__ import annotations

__all__ = ["CAUTION"]

CAUTION = """\
caution: wrong values can make a module heat, dose, move or switch what it should not. Check each
unit with its loads disconnected, from a current-limited supply; README.md, Cautions, has more."""
