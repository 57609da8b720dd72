"""The stored numbers of many units, by group and parameter."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from paramstore.core.scalars import Raw

__all__ = ["Columns", "Raws"]

Raws = Mapping[str, Mapping[str, tuple[Raw, ...]]]
"""Raws by group and field name."""
Columns = Mapping[tuple[str, str], Any]
"""By names of group and field: a sequence of the raws of each unit, or an array of numpy with a
line for each unit."""
