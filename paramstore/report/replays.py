"""Histories and cases of faults that are played again: the line to type, what came of it.

Only words and tables here: see `cuts.replay`, `cuts.faults`, `cuts.announced` and
`cuts.migrations`.
"""

from __future__ import annotations

import shlex
from collections.abc import Sequence

from paramstore.core.status import Health, Status
from paramstore.core.text import JsonObject
from paramstore.layout.plan import Plan
from paramstore.report.tables import Column, table
from paramstore.verify.cuts.announced import Announced, Unannounced, unit_text
from paramstore.verify.cuts.faults import FaultCounts, FaultJob, FaultResult, fault_text
from paramstore.verify.cuts.history import start_text
from paramstore.verify.cuts.replay import Replayed
from paramstore.verify.cuts.results import Verdict, Violation, What

__all__ = [
    "DATA_VERSION",
    "breach_text",
    "class_data",
    "cut_migration_data",
    "cut_migration_words",
    "fault_data",
    "fault_words",
    "played_data",
    "played_text",
    "replay_line",
    "unit_breach_text",
    "unit_words",
    "units_data",
    "violation_data",
    "wanted_text",
]

DATA_VERSION = 1
"""Of the JSON of campaigns and of what is played again."""


def replay_line(plan: Plan, text: str) -> str:
    """Return the command line that plays a history, or a case of a fault, again."""
    source = plan.schema.source
    schema = shlex.quote(source.path) if source else f"SCHEMA --release {plan.release}"
    return f"paramstore prove {schema} --replay {text}"


def played_text(replayed: Replayed) -> str:
    """Return what each boot of a replayed history served, and what is wrong with it."""
    groups = [ring.group.name for ring in replayed.plan.rings]
    columns = [Column("step"), Column("mount", right=False), *(Column(name) for name in groups)]
    lines = []
    for name, played in replayed.engines.items():
        lines += [f"{name}: versions served by each boot (0: defaults)", *table(columns, [
            (str(boot.step), boot.status.name, *(
                _version(boot.versions[name]) if boot.versions else "" for name in groups))
            for boot in played.boots], indent=2), f"  {played.wrong or 'nothing is wrong'}", ""]
    lines.append("the campaign's own run of the compiled C, judged at every step: "
                 + ("nothing is wrong" if replayed.violation is None
                    else _where(replayed.steps, replayed.violation)))
    if replayed.violation is not None:
        lines += [f"  {breach_text(replayed.plan, replayed.violation)}",
                  f"  {wanted_text(replayed.plan, replayed.violation)}"]
    lines.append("All leave the same image." if replayed.same_image
                 else "They do NOT leave the same image.")
    return "\n".join(lines) + "\n"


def _where(steps: Sequence[str], violation: Violation) -> str:
    """Return at which step of a history something is wrong."""
    number = len(violation.history.steps)
    if not number:
        return f"wrong on the way to {start_text(violation.history.start)}"
    return f"wrong at step {number} of {len(steps)}, {steps[number - 1]}"


def breach_text(plan: Plan, violation: Violation) -> str:
    """Return which promise was broken, of which group, and how."""
    group = "" if violation.group is None else f" of {plan.rings[violation.group].group.name}"
    return f"{violation.verdict.invariant}{group}: {violation.verdict.meaning}"


def wanted_text(plan: Plan, violation: Violation) -> str:
    """Return what had to be there, and what was."""
    expected, found = violation.expected, violation.found
    number = "nothing" if found is None else f"{found:,}"
    match violation.what:
        case What.VERSION:
            return f"expected {_version_words(expected)}, found {_version_words(found)}"
        case What.NUMBER:
            return f"expected sequence number {expected:,} or a greater one, found {number}"
        case What.STATUS:
            return f"expected the status {Status(expected).name}, found {Status(found or 0).name}"
        case What.FLAGS:
            flags = " + ".join(flag.name or "" for flag in Health if flag & (found or 0))
            return f"expected flags that fit {_version_words(expected)}, found {flags or 'none'}"
        case What.BITS:
            return f"expected {expected:,} bits on the bus at most, found {number}"
        case What.WRITES:
            return f"expected {expected:,} page writes at most, found {number}"
        case What.BYTE:
            return f"expected another byte at address 0x{expected:04X}, found {found or 0:02X}"
        case What.PAGE:
            pages = next((r.pages for r in plan.rings if r.first_page == expected), 1)
            return (f"expected a page from {expected:,} to {expected + pages - 1:,}, "
                    f"found page {number}")


def _version_words(version: int | None) -> str:
    if version is None:
        return "values never committed"
    return f"version {version:,}" if version else "defaults"


def _version(version: int | None) -> str:
    return "mixed" if version is None else str(version)


def played_data(replayed: Replayed) -> JsonObject:
    """Return a replayed history as data that JSON can hold."""
    return {
        "schema_version": DATA_VERSION,
        "invariant": replayed.verdict.invariant,
        "meaning": replayed.verdict.meaning,
        "violation": violation_data(replayed.plan, replayed.violation),
        "same_image": replayed.same_image,
        "engines": {name: {
            "wrong": played.wrong,
            "boots": [{"step": b.step, "status": b.status.name, "versions": b.versions,
                       "wrong": b.wrong} for b in played.boots],
        } for name, played in replayed.engines.items()},
    }


def violation_data(plan: Plan, violation: Violation | None) -> JsonObject | None:
    """Return what is wrong as data that JSON can hold; `step` counts from 1, 0 is the way to the
    start state."""
    if violation is None:
        return None
    return {
        "step": len(violation.history.steps),
        "group": None if violation.group is None else plan.rings[violation.group].group.name,
        "what": violation.what.value, "expected": violation.expected, "found": violation.found,
    }


def cut_migration_words(plan: Plan, text: str, violation: Violation | None) -> str:
    """Return what the oracle says of a replayed migration."""
    if violation is None:
        return f"{text}: {Verdict.GOOD.meaning}"
    return (f"{text}: {_where(text.split(',')[1:], violation)}\n"
            f"  {breach_text(plan, violation)}\n  {wanted_text(plan, violation)}")


def cut_migration_data(plan: Plan, text: str, violation: Violation | None) -> JsonObject:
    """Return what the oracle says of a replayed migration as data that JSON can hold."""
    verdict = Verdict.GOOD if violation is None else violation.verdict
    return {"schema_version": DATA_VERSION, "history": text,
            "invariant": verdict.invariant or None, "meaning": verdict.meaning,
            "violation": violation_data(plan, violation)}


def fault_words(plan: Plan, job: FaultJob, counts: FaultCounts) -> str:
    """Return what came of one case of a fault."""
    case = f"{start_text(job.start)}, {job.kind.strikes}, case {job.only}: "
    if counts.first is None:
        return case + Verdict.GOOD.meaning
    violation = counts.first[1]
    return case + f"{breach_text(plan, violation)}\n  {wanted_text(plan, violation)}"


def fault_data(plan: Plan, job: FaultJob, counts: FaultCounts) -> JsonObject:
    """Return the same as data that JSON can hold."""
    violation = None if counts.first is None else counts.first[1]
    verdict = Verdict.GOOD if violation is None else violation.verdict
    return {"schema_version": DATA_VERSION, "start": start_text(job.start),
            "class": job.kind.name, "case": job.only, "invariant": verdict.invariant,
            "meaning": verdict.meaning, "violation": violation_data(plan, violation)}


def class_data(result: FaultResult) -> JsonObject:
    """Return what came of a class of faults as data that JSON can hold."""
    counts = result.counts
    return {
        "class": result.kind.name, "strikes": result.kind.strikes,
        "guarantee": result.kind.guarantee.value,
        "cases": counts.cases, "tried": counts.tried, "enumerated": counts.enumerated,
        "served": {"newest": counts.newest, "older_flagged": counts.older,
                   "defaults_flagged": counts.defaults, "older_unflagged": counts.silent,
                   "wrong": counts.wrong},
        "refused": counts.refused, "failed_calls": counts.failed,
        "longest_bits": {"mount": counts.mount_bits, "commit": counts.commit_bits},
        "violations": counts.violations,
        **_first_fault(counts),
    }


def _first_fault(counts: FaultCounts) -> dict[str, str | None]:
    if counts.first is None:
        return {"invariant": None, "meaning": None, "replay": None}
    job, violation = counts.first
    return {"invariant": violation.verdict.invariant, "meaning": violation.verdict.meaning,
            "replay": fault_text(job)}


def unit_breach_text(found: Unannounced) -> str:
    """Return what a unit of an earlier release showed to be wrong."""
    start = f"{found.verdict.invariant} of {found.where or 'the store'}: {found.verdict.meaning}; "
    unit = f"unit {found.case.number} of release {found.case.release}"
    if found.engine:
        return f"{start}the {found.engine}, on {unit}"
    after = f"{found.after} is served" if found.after else "it is served no more"
    return f"{start}{unit} had stored {found.before}, {after}"


def unit_words(announced: Announced) -> str:
    """Return what came of one unit of an earlier release."""
    kept = (f"release {announced.release}, {announced.values:,} stored values: "
            f"{Verdict.GOOD.meaning}")
    return kept if announced.first is None else unit_breach_text(announced.first)


def units_data(announced: Announced) -> JsonObject:
    """Return what came of units of an earlier release as data that JSON can hold."""
    first = announced.first
    return {
        "schema_version": DATA_VERSION,
        "release": announced.release, "units": announced.units, "values": announced.values,
        "became": {became.value: count for became, count in announced.became.items()},
        "named": list(announced.named), "violations": announced.violations,
        "invariant": first.verdict.invariant if first else None,
        "meaning": first.verdict.meaning if first else None,
        "where": first.where if first else None, "before": first.before if first else None,
        "after": first.after if first else None, "engine": first.engine if first else None,
        "replay": unit_text(first.case) if first else None,
    }
