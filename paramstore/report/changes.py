"""What changed since a release, and what a migration did with each value.

For people and for programs.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from paramstore.core.text import JsonObject, printable
from paramstore.core.words import plural
from paramstore.image.migrate import MigratedValue, ValueOutcome
from paramstore.releases.changes import Change, Impact
from paramstore.releases.history import ReleaseHistory

__all__ = [
    "OutcomePaint",
    "VerdictStyle",
    "change_lines",
    "changes_data",
    "changes_text",
    "migration_data",
    "migration_text",
]

VerdictStyle = Callable[[str, Impact], str]
"""Gives a verdict its colour."""


def _no_style(text: str, verdict: Impact) -> str:
    return text


def changes_text(changes: Sequence[Change], history: ReleaseHistory,
                 style: VerdictStyle = _no_style) -> str:
    """Return the changes since the last release, lines ended by \\n; "" without releases."""
    if not history:
        return ""
    last = f"since release {history.last.release}"
    if not changes:
        return f"{last}: nothing changed\n"
    lines = [f"{last}: {plural(len(changes), 'change')}", *change_lines(changes, style)]
    return "\n".join(lines) + "\n"


def change_lines(changes: Sequence[Change], style: VerdictStyle = _no_style) -> list[str]:
    """Return one line for each change: its verdict, its place, what it is."""
    verdict = max((len(c.impact.value) for c in changes), default=0)
    return [
        "  " + style(f"{c.impact.value:{verdict}}", c.impact) + f"  {c.code}  "
        + (f"{c.where}: " if c.where else "") + printable(c.words)
        for c in changes
    ]


def changes_data(changes: Sequence[Change]) -> list[JsonObject]:
    """Return the changes as plain data for JSON."""
    return [{"code": c.code, "verdict": c.impact.value, "where": c.where, "text": c.words,
             "loses": list(c.loses)} for c in changes]


OutcomePaint = Callable[[str, ValueOutcome], str]
"""Gives a outcome its colour."""

_WORDS = {
    ValueOutcome.KEPT: "kept",
    ValueOutcome.CONVERTED: "converted",
    ValueOutcome.ROUNDED: "converted and rounded to what the new type holds",
    ValueOutcome.CUT: "cut: the last elements are lost",
    ValueOutcome.RESTORED: "restored from the bytes that were kept",
    ValueOutcome.RETIRED: "retired: the bytes stay, for earlier firmware",
    ValueOutcome.DEFAULTED: "without a stored value: the default is served",
    ValueOutcome.UNFIT: "set to the default: what was stored does not fit",
    ValueOutcome.DAMAGED: "lost: the group is damaged, and the default is served",
    ValueOutcome.UNREAD: "in doubt: the dump lacks bytes that may hold the value, or a newer one",
    ValueOutcome.LEFT: "left behind: the schema says so",
    ValueOutcome.LOST: "lost: there is no such parameter",
}


def _no_paint(text: str, outcome: ValueOutcome) -> str:
    return text


def migration_text(items: Sequence[MigratedValue], style: OutcomePaint = _no_paint) -> str:
    """Return what became of the values, what is as it was only counted; lines ended by \\n."""
    lines = []
    for outcome in ValueOutcome:
        those = [i for i in items if i.outcome is outcome]
        if those:
            lines.append(style(f"{plural(len(those), 'value')} {_WORDS[outcome]}", outcome))
        if outcome is not ValueOutcome.KEPT:
            lines += map(_line, those)
    return "".join(line + "\n" for line in lines)


def _line(item: MigratedValue) -> str:
    value = " -> ".join(filter(None, (item.before, item.after)))
    reason = f"({item.reason})" if item.reason else ""
    return "  " + printable("  ".join(filter(None, (item.where, value, reason))))


def migration_data(items: Sequence[MigratedValue]) -> list[JsonObject]:
    """Return the same as plain data for JSON; a value that is not there is None."""
    return [{"where": i.where, "outcome": i.outcome.value, "before": i.before or None,
             "after": i.after or None, "reason": i.reason or None} for i in items]
