"""Raw binary: the bytes of the EEPROM and nothing else, so no addresses and no gaps."""

from __future__ import annotations

from collections.abc import Sequence

from paramstore.core.errors import SourceText
from paramstore.files.runs import (
    READ_DEFAULTS,
    Reading,
    ReadOptions,
    Run,
    WriteOptions,
    filled,
    flatten,
)

__all__ = ["read", "write"]


def write(runs: Sequence[Run], options: WriteOptions) -> bytes:
    """Return the bytes from address 0 to the last one; gaps are filled."""
    end = max(r.end for r in runs)
    return filled(*flatten(runs, 0, end), options.fill)


def read(content: bytes, path: str, _options: ReadOptions = READ_DEFAULTS) -> Reading:
    """Return any content as it is."""
    return Reading("bin", "raw binary", SourceText(path, ""), (Run(0, content),), addressed=False)
