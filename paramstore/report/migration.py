"""What a migration did with each value, for people and for programs."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from paramstore.core.text import JsonObject, printable
from paramstore.core.words import plural
from paramstore.image.migrate import Fate, Item

__all__ = ["FatePaint", "migration_data", "migration_text"]

FatePaint = Callable[[str, Fate], str]
"""Gives a fate its colour."""

_WORDS = {
    Fate.KEPT: "kept",
    Fate.CONVERTED: "converted",
    Fate.ROUNDED: "converted and rounded to what the new type holds",
    Fate.CUT: "cut: the last elements are lost",
    Fate.RESTORED: "restored from the bytes that were kept",
    Fate.RETIRED: "retired: the bytes stay, for earlier firmware",
    Fate.DEFAULTED: "without a stored value: the default is served",
    Fate.UNFIT: "set to the default: what was stored does not fit",
    Fate.DAMAGED: "lost: the group is damaged, and the default is served",
    Fate.UNREAD: "in doubt: the dump lacks bytes that may hold the value, or a newer one",
    Fate.LEFT: "left behind: the schema says so",
    Fate.LOST: "lost: there is no such parameter",
}


def _no_paint(text: str, fate: Fate) -> str:
    return text


def migration_text(items: Sequence[Item], style: FatePaint = _no_paint) -> str:
    """Return what became of the values, what is as it was only counted; lines ended by \\n."""
    lines = []
    for fate in Fate:
        those = [i for i in items if i.fate is fate]
        if those:
            lines.append(style(f"{plural(len(those), 'value')} {_WORDS[fate]}", fate))
        if fate is not Fate.KEPT:
            lines += map(_line, those)
    return "".join(line + "\n" for line in lines)


def _line(item: Item) -> str:
    value = " -> ".join(filter(None, (item.before, item.after)))
    reason = f"({item.reason})" if item.reason else ""
    return "  " + printable("  ".join(filter(None, (item.where, value, reason))))


def migration_data(items: Sequence[Item]) -> list[JsonObject]:
    """Return the same as plain data for JSON; a value that is not there is None."""
    return [{"where": i.where, "fate": i.fate.value, "before": i.before or None,
             "after": i.after or None, "reason": i.reason or None} for i in items]
