"""Which kind of schema a text is. Every command that takes either asks, so this imports little."""

from __future__ import annotations

import re
import tomllib

from paramstore.core.errors import SourceText

__all__ = ["is_fixed"]


def is_fixed(source: SourceText) -> bool:
    """Return whether a schema describes a fixed layout, not a store; where it is not valid TOML,
    by its headers."""
    if "fixed" not in source.text:
        return False  # most schemas: they need not be read twice
    try:
        names = set(tomllib.loads(source.text.replace("\r\n", "\n")))
    except (ValueError, RecursionError):
        names = set(re.findall(r"(?m)^\s*\[\s*(\w+)", source.text))
    return "fixed" in names and "store" not in names
