"""Words for protected groups that got no value: what becomes of them, the same in every report."""

from __future__ import annotations

from collections.abc import Iterable

__all__ = ["SERVED_DEFAULTS", "without_lines"]

SERVED_DEFAULTS = "the firmware serves defaults and says so"


def without_lines(groups: Iterable[str], defaults: bool = False, units: str = "") -> list[str]:
    """Return a line for each group that got no value; with `defaults` they got records of these.
    `units` says of which units, if not of all."""
    became = ("its defaults are written as a record" if defaults
              else f"left without a record, {SERVED_DEFAULTS}")
    return [f"{name}: no values given{units}; {became}" for name in groups]
