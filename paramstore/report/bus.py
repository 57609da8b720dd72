"""What would be, or was, written to a part, parameter by parameter: text and data."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from paramstore.bus.changes import Changes
from paramstore.bus.compare import PartComparison, RecordPresence
from paramstore.bus.exact import protected_groups
from paramstore.bus.recognise import being_erased, unlabelled
from paramstore.bus.work import work_ms
from paramstore.core.scalars import GroupRaws
from paramstore.core.text import JsonObject, printable
from paramstore.core.words import plural
from paramstore.image.contents import LabelState
from paramstore.inspect.history import ValueChange
from paramstore.layout.plan import Plan
from paramstore.report.findings import SCHEMA_VERSION
from paramstore.report.image import plain_value
from paramstore.report.tables import display_width
from paramstore.report.wording import SERVED_DEFAULTS, in_part_lines, without_lines
from paramstore.schema.from_raw import format_value, parameter_from_raw
from paramstore.schema.model import Kind

__all__ = ["change_lines", "changed_words", "changes_data", "changes_text", "comparison_data",
           "comparison_text", "erase_data", "erase_text"]

_BYTES_SHOWN = 8
_WIDE = 96
_PAGES_SHOWN = 16


def change_lines(changes: Iterable[ValueChange], indent: int = 2) -> list[str]:
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


def changes_text(name: str, changes: Changes, *, done: bool, khz: int, backup: str) -> str:
    """Return what would be done to a part, or what was; `backup` is where its old content goes."""
    plan = changes.plan
    lines = [f"{plan.schema.name} on the {plan.part.name} at {name}"]
    left = [*(f"  {line}" for line in (*without_lines(changes.left), *in_part_lines(
                changes.in_part))),
            *(f"  {name}: {RecordPresence.EXTRA}; it stays, --exact takes it away"
              for name in changes.extra)]
    if not changes.pages:
        stays = changes.kept_changes or changes.extra
        lines.append("  nothing to write: what differs is kept" if stays else
                     "  holds these values already: nothing to write")
        return "\n".join([*lines, *left, *_kept(changes)]) + "\n"
    if changes.label:
        lines.append("  label written" if done else "  the label is written")
    if unlabelled(changes.before):
        lines.append("  the part is blank: every group is written; what is not the default:")
    lines += change_lines(changes.changed)
    lines += [f"  {g}: its record {'was' if done else 'is'} erased; {SERVED_DEFAULTS}"
              for g in changes.erased_groups]
    named = {*changes.erased_groups, *(c.group.name for c in changes.changed)}
    same = [g for g in changes.groups if g not in named]
    lines += [f"  {g}: " + (
        "its first record, with the defaults" if g in changes.first_written else
        "a copy that it lacks" if g in changes.gets_copies else
        "the rest of its lost record is written over" if changes.before.group(g).lost else
        "the same values in other bytes") for g in same]
    lines += [*left, *_kept(changes)]
    pages = plural(len(changes.pages), "page")
    if done:
        lines.append(f"{pages} of {plan.part.pages} written and read back")
    else:
        lines += _preview(changes, khz, backup)
        lines.append(f"{pages} of {plan.part.pages} would be written; --yes does it")
    return "\n".join(lines) + "\n"


def _preview(changes: Changes, khz: int, backup: str) -> Iterator[str]:
    """Yield which pages would be written, how long that takes, and where the old content goes."""
    writes = changes.writes
    shown = writes if len(writes) <= _PAGES_SHOWN else writes[:_PAGES_SHOWN - 1]
    for put in shown:
        yield f"  0x{put.address:04X}  {len(put.data):3} bytes  {put.what}"
    if len(shown) < len(writes):
        yield f"  and {plural(len(writes) - len(shown), 'page')} more"
    yield _cost(changes, khz, backup)


def _cost(changes: Changes, khz: int, backup: str) -> str:
    count = sum(len(put.data) for put in changes.writes)
    return (f"{plural(count, 'byte')}, about {work_ms(changes, khz) / 1000:.2f} s at {khz} kHz; "
            f"the old content goes to {backup}")


def _kept(changes: Changes) -> Iterator[str]:
    if changes.kept_changes:
        yield "  kept, though it differs; on the part -> wanted:"
        yield from change_lines(changes.kept_changes, 4)


def changes_data(name: str, changes: Changes, *, done: bool) -> JsonObject:
    """Return the same as plain data for JSON."""
    return {
        "store": changes.plan.schema.name,
        "part": changes.plan.part.name,
        "at": name,
        "written": done,
        "label": changes.label,
        "groups": list(changes.groups),
        "copied": list(changes.gets_copies),
        "without_record": list(changes.left),
        "not_in_image": list(changes.extra),
        "defaults_among_values": {g: list(names) for g, names in changes.in_part.items()},
        "erased_groups": list(changes.erased_groups),
        "pages": list(changes.pages),
        "writes": [{"address": w.address, "bytes": len(w.data), "what": w.what}
                   for w in changes.writes],
        "changed": [_data(c) for c in changes.changed],
        "kept": [_data(c) for c in changes.kept_changes],
    }


def _data(change: ValueChange) -> JsonObject:
    return {
        "group": change.group.name,
        "parameter": change.parameter.name,
        "before": plain_value(parameter_from_raw(change.parameter, change.before)),
        "after": plain_value(parameter_from_raw(change.parameter, change.after)),
    }


def _shown(change: ValueChange, raws: GroupRaws) -> str:
    fields = change.parameter.fields
    if change.parameter.kind is not Kind.CURVE:
        return printable(format_value(fields[0], raws[fields[0].name]))
    return ", ".join(f"{f.name.rpartition('.')[2]} {format_value(f, raws[f.name])}" for f in fields)


# ---- Erasing -----------------------------------------------------------------------------------


def erase_text(name: str, changes: Changes, *, done: bool, khz: int, backup: str) -> str:
    """Return what erasing a part would cost, or what it did; `backup` is where its content goes."""
    plan, before = changes.plan, changes.before
    lines = [f"the {plan.part.name} at {name}"]
    if not changes.pages:
        return "\n".join([*lines, "  is blank already: nothing to erase"]) + "\n"
    lost = "was lost" if done else "would be lost"
    if being_erased(before):
        lines.append("  an erasing that did not end")
    if before.label is not None and before.label_state is LabelState.FOREIGN:
        lines.append(f"  the store `{printable(before.label.name)}` {lost}")
    named = [g for g in before.groups if g.newest is not None]
    for group in named:
        lines.append(f"  {group.ring.group.name}: record {group.newest.record.sequence}, {lost}"
                     if group.newest else "")
    if not named and before.label is None:
        lines.append(f"  bytes that belong to no store {lost.replace('was', 'were')}")
    pages = plural(len(changes.pages), "page")
    if not done:
        lines.append(_cost(changes, khz, backup))
    lines.append(f"{pages} of {plan.part.pages} erased and read back" if done else
                 f"{pages} of {plan.part.pages} would be erased; {_key(changes)} keeps a copy and "
                 "does it")
    return "\n".join(lines) + "\n"


def _key(changes: Changes) -> str:
    """Return the options with which a part is erased."""
    there = protected_groups(changes.before)
    return f"--yes --unlock (the part has {', '.join(there)})" if there else "--yes"


def erase_data(name: str, changes: Changes, *, done: bool) -> JsonObject:
    """Return the same as plain data for JSON."""
    return {
        "part": changes.plan.part.name,
        "at": name,
        "erased": done,
        "groups": [g.ring.group.name for g in changes.before.groups if g.newest is not None],
        "needs_unlock": list(protected_groups(changes.before)),
        "pages": list(changes.pages),
    }


# ---- Comparison ---------------------------------------------------------------------------------


def comparison_text(plan: Plan, name: str, found: PartComparison) -> str:
    """Return how a part differs from what was wanted."""
    lines = [f"{plan.schema.name} on the {plan.part.name} at {name}: {found.words}"]
    if found.changes:
        lines.append("  on the part -> wanted")
    lines += change_lines(found.changes)
    lines += [f"  {group}: {why}" for group, why in found.presence]
    lines += [f"  {group}: {there} of {wanted} copies" for group, there, wanted in found.few]
    if found.bytes_off:
        shown = ", ".join(f"0x{at:04X}" for at in found.bytes_off[:_BYTES_SHOWN])
        more = len(found.bytes_off) - _BYTES_SHOWN
        lines.append(f"  bytes {shown}" + (f" and {more} more" if more > 0 else ""))
    return "\n".join(lines) + "\n"


def comparison_data(plan: Plan, name: str, found: PartComparison) -> JsonObject:
    """Return the same as plain data for JSON."""
    return {
        "schema_version": SCHEMA_VERSION,
        "store": plan.schema.name,
        "at": name,
        "equal": found.equal,
        "changed": [_data(c) for c in found.changes],
        "without_record": list(found.groups(RecordPresence.NONE)),
        "lost": list(found.groups(RecordPresence.LOST)),
        "not_in_image": list(found.groups(RecordPresence.EXTRA)),
        "few_copies": [{"group": group, "copies": there, "wanted": wanted}
                       for group, there, wanted in found.few],
        "bytes": list(found.bytes_off),
    }
