"""Copies of the shipped example, for commands that write beside a schema."""

from __future__ import annotations

import shutil
from pathlib import Path

__all__ = ["copied_schema"]

SCHEMAS = Path(__file__).parents[2] / "schemas"


def copied_schema(folder: Path) -> Path:
    """Copy tank_probe with its releases into a folder; return its schema."""
    releases = SCHEMAS / "tank_probe.releases"
    if releases.is_dir():
        shutil.copytree(releases, folder / releases.name)
    return Path(shutil.copy(SCHEMAS / "tank_probe.toml", folder))
