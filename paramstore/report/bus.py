"""What would be, or was, written to a part, parameter by parameter: text and data."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

from paramstore.bus.changes import Change, Changes
from paramstore.bus.compare import Comparison
from paramstore.format import ERASED
from paramstore.layout.plan import Plan
from paramstore.report.findings import SCHEMA_VERSION
from paramstore.report.image import plain_value
from paramstore.report.tables import display_width
from paramstore.schema.model import Kind
from paramstore.schema.quantity import format_value, parameter_from_raw
from paramstore.schema.words import plural
from paramstore.text import printable

__all__ = ["change_lines", "changed_words", "changes_data", "changes_text", "comparison_data",
           "comparison_text"]

_BYTES_SHOWN = 8
_WIDE = 96


def change_lines(changes: Iterable[Change], indent: int = 2) -> list[str]:
    """Return "group.parameter  before -> after" for each, in columns; what is long takes two
    lines."""
    rows = [(f"{c.group.name}.{c.parameter.name}", _shown(c, c.before), _shown(c, c.after))
            for c in changes]
    width = max((len(name) for name, _, _ in rows), default=0)
    old = min(max((display_width(before) for _, before, _ in rows), default=0), 24)
    lines = []
    for name, before, after in rows:
        start = f"{' ' * indent}{name:{width}}  {before}"
        if display_width(start) + display_width(after) > _WIDE:
            lines += [start, f"{' ' * (indent + width + 2)}-> {after}"]
        else:
            lines.append(f"{start}{' ' * (old - display_width(before))} -> {after}")
    return lines


def changed_words(changes: Changes) -> str:
    """Return the values that a part is given, in one line."""
    return ", ".join(f"{c.group.name}.{c.parameter.name} {_shown(c, c.after)}"
                     for c in changes.changed) or "the same values in other bytes"


def changes_text(plan: Plan, name: str, changes: Changes, *, done: bool) -> str:
    """Return what would be done to a part, or what was."""
    lines = [f"{plan.schema.name} on the {plan.part.name} at {name}"]
    if not changes.pages:
        lines.append("  nothing to write: what differs is kept" if changes.kept else
                     "  holds these values already: nothing to write")
        lines += _kept(changes)
        return "\n".join(lines) + "\n"
    if changes.label:
        lines.append("  label written" if done else "  the label is written")
    if changes.before.count(ERASED) == len(changes.before):
        lines.append("  the part is blank: every group is written; what is not the default:")
    lines += change_lines(changes.changed)
    same = [g for g in changes.groups if g not in {c.group.name for c in changes.changed}]
    lines += [f"  {g}: " + ("its first record, with the defaults" if g in changes.first else
                            "the same values in other bytes") for g in same]
    lines += _kept(changes)
    pages = plural(len(changes.pages), "page")
    lines.append(f"{pages} of {plan.part.pages} written and read back" if done else
                 f"{pages} of {plan.part.pages} would be written; --yes does it")
    return "\n".join(lines) + "\n"


def _kept(changes: Changes) -> Iterator[str]:
    if changes.kept:
        yield "  kept, though it differs; on the part -> wanted:"
        yield from change_lines(changes.kept, 4)


def changes_data(plan: Plan, name: str, changes: Changes, *, done: bool) -> dict[str, Any]:
    """Return the same as plain data for JSON."""
    return {
        "store": plan.schema.name,
        "part": plan.part.name,
        "at": name,
        "written": done,
        "label": changes.label,
        "groups": list(changes.groups),
        "pages": list(changes.pages),
        "changed": [_data(c) for c in changes.changed],
        "kept": [_data(c) for c in changes.kept],
    }


def _data(change: Change) -> dict[str, Any]:
    return {
        "group": change.group.name,
        "parameter": change.parameter.name,
        "before": plain_value(parameter_from_raw(change.parameter, change.before)),
        "after": plain_value(parameter_from_raw(change.parameter, change.after)),
    }


def _shown(change: Change, raws: dict[str, tuple[int | float, ...]]) -> str:
    fields = change.parameter.fields
    if change.parameter.kind is not Kind.CURVE:
        return printable(format_value(fields[0], raws[fields[0].name]))
    return ", ".join(f"{f.name.rpartition('.')[2]} {format_value(f, raws[f.name])}" for f in fields)


# ---- Comparison ---------------------------------------------------------------------------------


def comparison_text(plan: Plan, name: str, found: Comparison) -> str:
    """Return how a part differs from what was wanted."""
    lines = [f"{plan.schema.name} on the {plan.part.name} at {name}: {found.words}"]
    if found.changes:
        lines.append("  on the part -> wanted")
    lines += change_lines(found.changes)
    lines += [f"  {group}: never written" for group in found.unwritten]
    if found.bytes_off:
        shown = ", ".join(f"0x{at:04X}" for at in found.bytes_off[:_BYTES_SHOWN])
        more = len(found.bytes_off) - _BYTES_SHOWN
        lines.append(f"  bytes {shown}" + (f" and {more} more" if more > 0 else ""))
    return "\n".join(lines) + "\n"


def comparison_data(plan: Plan, name: str, found: Comparison) -> dict[str, Any]:
    """Return the same as plain data for JSON."""
    return {
        "schema_version": SCHEMA_VERSION,
        "store": plan.schema.name,
        "at": name,
        "equal": found.equal,
        "changed": [_data(c) for c in found.changes],
        "unwritten": list(found.unwritten),
        "bytes": list(found.bytes_off),
    }
