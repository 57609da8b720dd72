"""The stored numbers of many units, by group and parameter."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

__all__ = ["Columns"]

Columns = Mapping[tuple[str, str], Any]
"""By names of group and field: a sequence of the raws of each unit, or an array of numpy with a
line for each unit."""
