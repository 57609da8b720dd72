"""The caution that goes with everything that may end up in a part, worded in one place."""

from __future__ import annotations

__all__ = ["CAUTION"]

CAUTION = """\
caution: a wrong calibration or limit can make a module heat, dose, move or switch what it should
not. Check a unit after programming, with its loads disconnected, from a current-limited supply.
A parameter store is no safety function, and its CRC detects accidents, not tampering. What
national rules, local codes and licensed practice ask comes first."""
