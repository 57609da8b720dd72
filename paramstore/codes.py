"""All kinds of findings: gathers what each room declares about its own.

The rooms are loaded when a code is asked for, so nothing is imported before.
"""

from __future__ import annotations

from functools import cache
from importlib import import_module

from paramstore.errors import Code, ToolError
from paramstore.schema.words import did_you_mean

__all__ = ["all_codes", "explain_code"]

_ROOMS = ("schema", "fixed", "layout", "image", "firmware", "calibrate", "evolve", "decode",
          "production", "bus")


@cache
def all_codes() -> dict[str, Code]:
    """Return every code by its name, in order."""
    gathered: dict[str, Code] = {}
    for room in _ROOMS:
        codes: dict[str, Code] = import_module(f"paramstore.{room}.codes").CODES
        gathered |= codes
    return dict(sorted(gathered.items()))


def explain_code(name: str) -> Code:
    """Return the code called `name`, in either case; ToolError if there is none."""
    codes = all_codes()
    code = codes.get(name.strip().upper())
    if code is None:
        raise ToolError(
            f"there is no finding `{name}`",
            did_you_mean(name.upper(), list(codes)) or "the codes are PS100 and up",
        )
    return code
