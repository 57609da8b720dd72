"""Every kind of finding: its title and its explanation, from `codes.toml`.

The first digit says what a finding is about: 1 to 3 a schema, 4 a layout, 5 values, 6 images and
dumps, 7 C and releases, 8 calibrations, 9 production and parts on a bus.
"""

from __future__ import annotations

import tomllib
from functools import cache
from importlib.resources import files
from typing import NamedTuple

from paramstore.core.errors import ToolError
from paramstore.core.words import did_you_mean

__all__ = ["Code", "all_codes", "explain_code"]


class Code(NamedTuple):
    """A kind of finding: a short title, and paragraphs of text; examples are set in by four."""

    title: str
    explain: str


@cache
def all_codes() -> dict[str, Code]:
    """Return every code by its name, in order."""
    text = (files("paramstore.core") / "codes.toml").read_text("utf-8")
    return {name: Code(code["title"], _paragraphs(code["explain"]))
            for name, code in tomllib.loads(text).items()}


def _paragraphs(text: str) -> str:
    """Return the text with the lines of each paragraph joined, but not those of examples."""
    return "\n\n".join(block if block.startswith("    ") else " ".join(block.split("\n"))
                       for block in text.split("\n\n"))


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
