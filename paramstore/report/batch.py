"""What a production run came to, for people and as data."""

from __future__ import annotations

from collections import defaultdict

from paramstore.core.text import JsonObject
from paramstore.core.words import plural
from paramstore.production.batch import BatchJob, BatchResult, Checked
from paramstore.report.wording import in_part_lines, without_lines

__all__ = ["batch_data", "batch_text", "checked_text"]


def checked_text(job: BatchJob, checked: Checked) -> str:
    """Return a line on a table that was looked at, and one for each group without values."""
    good = checked.rows - checked.bad
    text = f"{job.table}: {plural(checked.rows, 'unit')} of {job.plan.schema.name}"
    if checked.bad:
        text += f", {good} without mistakes"
    known = good - checked.new
    if known:
        text += f", {known} on record already"
    lines = [text]
    for group, count in checked.without.items():
        lines += without_lines([group], job.defaults, _some(count, good))
    alike: defaultdict[tuple[str, int], list[str]] = defaultdict(list)
    for (group, name), count in checked.in_part.items():
        alike[group, count].append(name)
    for (group, count), names in alike.items():
        lines += in_part_lines({group: names}, _some(count, good))
    return "\n".join(lines) + "\n"


def _some(count: int, good: int) -> str:
    return "" if count == good else f" for {count} of {plural(good, 'unit')}"


def batch_text(job: BatchJob, made: BatchResult, output: str, records: str) -> str:
    """Return what was made, and where it is."""
    parts = [f"{plural(made.new, 'new serial number')}"]
    if made.files_kept:
        parts.append(f"{plural(made.files_kept, 'file')} there already")
    return (f"{output}: {plural(made.units, 'image')}, {job.form.title}; {', '.join(parts)}\n"
            f"{records}: batch `{job.name}`\n")


def batch_data(job: BatchJob, checked: Checked, made: BatchResult | None) -> JsonObject:
    """Return the same as plain data for JSON; `made` is None if nothing was."""
    return {
        "store": job.plan.schema.name,
        "layout_id": job.plan.layout_id,
        "release": job.plan.release,
        "batch": job.name,
        "rows": checked.rows,
        "bad_rows": checked.bad,
        "new_units": checked.new,
        "without_record": {} if job.defaults else dict(checked.without),
        "defaults_written": dict(checked.without) if job.defaults else {},
        "defaults_among_values": [{"group": group, "parameter": name, "units": count}
                                  for (group, name), count in checked.in_part.items()],
        "made": None if made is None else {
            "units": made.units, "new_serials": made.new, "files_kept": made.files_kept},
    }
