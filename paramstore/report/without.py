"""Words for protected groups that got no value, or not all: what becomes of them, the same in
every report."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

__all__ = ["SERVED_DEFAULTS", "in_part_lines", "without_lines"]

SERVED_DEFAULTS = "the firmware serves defaults and says so"


def without_lines(groups: Iterable[str], defaults: bool = False, units: str = "") -> list[str]:
    """Return a line for each group that got no value; with `defaults` they got records of these.
    `units` says of which units, if not of all."""
    became = ("its defaults are written as a record" if defaults
              else f"left without a record, {SERVED_DEFAULTS}")
    return [f"{name}: no values given{units}; {became}" for name in groups]


def in_part_lines(parameters: Mapping[str, Iterable[str]], units: str = "") -> list[str]:
    """Return a line for each group that got only some of its values: those that it did not get."""
    return [f"{group}: {', '.join(names)}: no values given{units}; the record holds their defaults"
            for group, names in parameters.items()]
