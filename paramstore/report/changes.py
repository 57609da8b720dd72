"""What changed since a release, for people and for programs.

Words and verdicts come from `evolve.changes`; this module lays them out.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from paramstore.core.text import JsonObject, printable
from paramstore.core.words import plural
from paramstore.releases.changes import Change, Impact
from paramstore.releases.history import ReleaseHistory

__all__ = ["VerdictStyle", "change_lines", "changes_data", "changes_text"]

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
    verdict = max((len(c.verdict.value) for c in changes), default=0)
    return [
        "  " + style(f"{c.verdict.value:{verdict}}", c.verdict) + f"  {c.code}  "
        + (f"{c.where}: " if c.where else "") + printable(c.text)
        for c in changes
    ]


def changes_data(changes: Sequence[Change]) -> list[JsonObject]:
    """Return the changes as plain data for JSON."""
    return [{"code": c.code, "verdict": c.verdict.value, "where": c.where, "text": c.text,
             "loses": list(c.loses)} for c in changes]
