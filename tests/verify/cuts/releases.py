"""Three releases of an invented store, each of which loses some stored values of the one before."""

from __future__ import annotations

from functools import cache

from paramstore.layout.plan import Plan
from tests.releases.histories import past_of

__all__ = ["TEXTS", "plans"]

_HEAD = """[store]
name = "demo"
part = "24LC04B"
[group.alarms]
role = "setting"
writes = "1 per day"
room = 8
[group.alarms.parameter]
hi = { type = "u8", max = 200, default = 100 }
"""
_WARN = 'warn = {{ type = "u8", default = {}, below = "hi" }}\n'
_SETTINGS = """[group.settings]
role = "setting"
writes = "1 per day"
room = 20
"""
_FIRST = """[group.settings.parameter]
low = { type = "u8", max = 90, default = 10 }
top = { type = "u8", default = 120 }
level = { type = "u8", max = 200, default = 10 }
mode = { type = "enum", members = { off = 0, slow = 1, fast = 2 }, default = "off" }
row = { type = "u8", count = 3 }
heat = { type = "i16", scale = 0.01, min = -40, max = 90 }
old = { type = "u8" }
"""
_SECOND = """retired = ["old"]
[group.settings.parameter]
low = { type = "u8", max = 90, default = 10, below = "top" }
top = { type = "u8", default = 120 }
level = { type = "u8", max = 12, default = 10 }
mode = { type = "enum", members = { off = 0, fast = 2 }, default = "off" }
row = { type = "u8", count = 2 }
heat = { type = "i16", scale = 0.1, min = -40, max = 90 }
"""
TEXTS = [_HEAD + _SETTINGS + _FIRST, _HEAD + _WARN.format(50) + _SETTINGS + _SECOND,
         _HEAD + _WARN.format(70) + _SETTINGS + _SECOND]


@cache
def plans() -> tuple[Plan, ...]:
    """The plans of the releases, the first one first."""
    return past_of(TEXTS).plans
