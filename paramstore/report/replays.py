"""Histories and cases of faults that are played again: the line to type, what came of it.

Only words and tables here: see `cuts.replay`, `cuts.faults` and `cuts.takeover`.
"""

from __future__ import annotations

import shlex
from typing import Any

from paramstore.cuts.faults import FaultCounts, FaultJob, FaultResult, fault_text
from paramstore.cuts.history import start_text
from paramstore.cuts.replay import Replayed
from paramstore.cuts.results import Verdict
from paramstore.layout.plan import Plan
from paramstore.report.tables import Column, table

__all__ = [
    "DATA_VERSION",
    "class_data",
    "fault_data",
    "fault_words",
    "played_data",
    "played_text",
    "replay_line",
    "take_over_data",
    "take_over_words",
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
    lines.append(f"the campaign's own run of the compiled C, judged at every step: "
                 f"{_verdict_words(replayed.verdict)}")
    lines.append("All leave the same image." if replayed.same_image
                 else "They do NOT leave the same image.")
    return "\n".join(lines) + "\n"


def _version(version: int | None) -> str:
    return "mixed" if version is None else str(version)


def played_data(replayed: Replayed) -> dict[str, Any]:
    """Return a replayed history as data that JSON can hold."""
    return {
        "schema_version": DATA_VERSION,
        "invariant": replayed.verdict.invariant,
        "meaning": replayed.verdict.meaning,
        "same_image": replayed.same_image,
        "engines": {name: {
            "wrong": played.wrong,
            "boots": [{"step": b.step, "status": b.status.name, "versions": b.versions,
                       "wrong": b.wrong} for b in played.boots],
        } for name, played in replayed.engines.items()},
    }


def take_over_words(text: str, verdict: Verdict) -> str:
    """Return what the oracle says of a replayed take-over, in one line."""
    return f"{text}: {_verdict_words(verdict)}"


def take_over_data(text: str, verdict: Verdict) -> dict[str, Any]:
    """Return what the oracle says of a replayed take-over as data that JSON can hold."""
    return {"schema_version": DATA_VERSION, "history": text,
            "invariant": verdict.invariant or None, "meaning": verdict.meaning}


def fault_words(job: FaultJob, counts: FaultCounts) -> str:
    """Return what came of one case of a fault, in one line."""
    verdict = Verdict.GOOD if counts.first is None else counts.first[1]
    return (f"{start_text(job.start)}, {job.kind.strikes}, case {job.only}: "
            f"{_verdict_words(verdict)}")


def fault_data(job: FaultJob, counts: FaultCounts) -> dict[str, Any]:
    """Return the same as data that JSON can hold."""
    verdict = Verdict.GOOD if counts.first is None else counts.first[1]
    return {"schema_version": DATA_VERSION, "start": start_text(job.start),
            "class": job.kind.name, "case": job.only, "invariant": verdict.invariant,
            "meaning": verdict.meaning}


def class_data(result: FaultResult) -> dict[str, Any]:
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
    job, verdict = counts.first
    return {"invariant": verdict.invariant, "meaning": verdict.meaning, "replay": fault_text(job)}


def _verdict_words(verdict: Verdict) -> str:
    return f"{verdict.invariant}: {verdict.meaning}" if verdict.invariant else verdict.meaning
