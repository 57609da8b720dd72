"""Texts that tests compare with, kept in files beside them.

`pytest --refresh-goldens` writes them anew; look at the difference before it is committed.
"""

from __future__ import annotations

import os
from pathlib import Path

__all__ = ["golden"]


def golden(path: Path, actual: str) -> str:
    """Return the text kept in `path`, after writing `actual` there if a refresh is asked for."""
    if os.environ.get("REFRESH_GOLDENS"):
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(actual, encoding="utf-8")
    return path.read_text(encoding="utf-8")
