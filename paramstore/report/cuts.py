"""A campaign of power cuts for people and for programs: what was tried, what came of it.

Every number is one that the run has counted. Only words and tables here: see `cuts.campaign`.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import Any

from paramstore.core.text import JsonObject
from paramstore.core.words import plural
from paramstore.layout.physics import bits_ms
from paramstore.layout.plan import Plan
from paramstore.report.replays import (
    DATA_VERSION,
    breach_text,
    class_data,
    replay_line,
    unit_breach_text,
    units_data,
    wanted_text,
)
from paramstore.report.tables import WIDTH, Column, table
from paramstore.verify.cuts.agreement import Agreement
from paramstore.verify.cuts.announced import Became, unit_text
from paramstore.verify.cuts.campaign import Campaign, Shown, SweepResult
from paramstore.verify.cuts.explorer import limits_of
from paramstore.verify.cuts.faults import (
    Guarantee,
    fault_limits,
    fault_text,
)
from paramstore.verify.cuts.history import operation_text, start_text
from paramstore.verify.cuts.results import COLUMNS, MOST_CUTS, Start, Verdict
from paramstore.verify.cuts.sweeps import Sweep
from paramstore.verify.cuts.wear import RingWear

__all__ = [
    "BECAME",
    "MIGRATION_BREACH",
    "PROMISED",
    "agreement_data",
    "agreement_text",
    "campaign_data",
    "campaign_text",
    "demanded",
]

LINE = 96
_MOST_STARTS = 4

LEFT = {
    "old": "the page as it was",
    "new": "all of the new bytes, but nobody was told",
    "prefix": "the first bytes new, the rest old",
    "suffix": "the last bytes new, the rest old",
    "erased": "FF in all bytes written",
    "zeros": "00 in all bytes written",
    "erased prefix": "the first bytes new, the rest FF",
    "and": "old AND new",
    "or": "old OR new",
    "mix": "each bit old or new by chance",
    "noise": "random bytes",
    "rest of page": "any of these, and random bytes in the rest of the page",
    "later": "no cut, or operations completed after it",
}
"""What the last cut left, by column of a tally, in words."""
SAMPLED = ("mix", "noise")


# ---- Text ----------------------------------------------------------------------------------------


def campaign_text(campaign: Campaign) -> str:
    """Return the whole report, lines ended by \\n."""
    blocks = [
        list(_title(campaign)),
        ["What was tried", *_sweeps(campaign), *_explained(campaign)],
        ["Histories, by what the last cut left of the page", *_left(campaign)],
        [f"Longest calls, at {campaign.plan.schema.bus_khz} kHz", *_longest(campaign)],
        *([_faults(campaign)] if campaign.faults else []),
        *([_announced(campaign)] if campaign.announced else []),
        *([_migrations(campaign)] if campaign.migrations else []),
        *([_wear(campaign)] if campaign.wear else []),
        list(_verdict(campaign)),
    ]
    return "\n\n".join("\n".join(block) for block in blocks) + "\n"


def _title(campaign: Campaign) -> Iterator[str]:
    schema, totals = campaign.plan.schema, campaign.totals
    yield f"Power cuts: {schema.name} on the {schema.part.name}, {campaign.level.value} campaign"
    yield (f"the runtime and the tables of this schema, compiled with {campaign.compiler}; "
           f"on {plural(campaign.workers, 'processor')} in {campaign.seconds:,.0f} s; "
           f"seed {campaign.seed}")
    yield (f"{totals.histories.total:,} histories, {totals.boots:,} boots judged, "
           f"{campaign.fault_counts.tried:,} other faults, "
           f"{plural(campaign.violation_count, 'violation')}")


def _sweeps(campaign: Campaign) -> list[str]:
    columns = [Column("sweep", right=False), Column("start", "states"),
               Column("operations", "at most"), Column("cuts", "at most"), Column("histories"),
               Column("boots"), Column("torn", "states"), Column("violations")]
    return table(columns, [
        (r.sweep.title, str(len(r.sweep.starts)), str(r.sweep.operations), str(r.sweep.depth),
         f"{r.totals.histories.total:,}", f"{r.totals.boots:,}", f"{r.totals.torn:,}",
         f"{r.totals.violation_count:,}") for r in campaign.results
    ], indent=2, within=WIDTH)


def _explained(campaign: Campaign) -> Iterator[str]:
    samples = max(r.sweep.samples for r in campaign.results)
    yield from _wrapped(
        "A history is a workload with its power cuts; it ends with a boot, which an oracle that "
        "knows nothing of the store's code judges. Every workload up to the length given was run, "
        "cut at each of its page writes, each page torn in every way below (mixes and noise: "
        f"{samples} samples of each; all others: every one there is). Histories that lead to equal "
        "states were run once and counted each: hence fewer boots.")
    for result in campaign.results:
        yield from _wrapped(f"Start states of {result.sweep.title}: {starts_text(result.sweep)}.")


def starts_text(sweep: Sweep) -> str:
    """Return the start states of a sweep in words; of many only the first and the last."""
    names = [_start_words(start) for start in sweep.starts]
    if len(names) > _MOST_STARTS:
        names = [*names[:2], f"{len(names) - 2} more up to {names[-1]}"]
    return "; ".join(names)


def _start_words(start: Start) -> str:
    words = "packed" if start.packed else "blank"
    if start.rounds:
        words += f" and {plural(start.rounds, 'commit')} of each group"
        words += ", the last one passing over a slot" if start.passed else ""
    return words


def _left(campaign: Campaign) -> list[str]:
    rows = campaign.totals.histories.rows
    deepest = max((cuts for cuts in range(MOST_CUTS + 1) if sum(rows[cuts])), default=0)
    columns = [Column("what was left", right=False), Column("how", right=False),
               *(Column("no cut" if cuts == 0 else plural(cuts, "cut"))
                 for cuts in range(deepest + 1))]
    return table(columns, [
        (LEFT[name], "sampled" if name in SAMPLED else "every one",
         *(f"{rows[cuts][at]:,}" for cuts in range(deepest + 1)))
        for at, name in enumerate(COLUMNS) if any(row[at] for row in rows)
    ], indent=2, within=WIDTH)


def _longest(campaign: Campaign) -> list[str]:
    khz, totals = campaign.plan.schema.bus_khz, campaign.totals
    limits = limits_of(campaign.plan)
    columns = [Column("call", right=False), Column("seen", "bits"), Column("seen", "ms of bus"),
               Column("bound", "bits")]
    return table(columns, [
        (name, f"{bits:,}", f"{bits_ms(bits, khz):.2f}", f"{bound:,}" if bound else "")
        for name, bits, bound in (
            ("mount", totals.mount_bits, limits.mount_bits),
            ("format", totals.format_bits, limits.format_bits),
            ("wipe", totals.wipe_bits, 0),
            *zip((f"commit {r.group.name}" for r in campaign.plan.rings), totals.commit_bits,
                 limits.commit_bits, strict=True))
    ], indent=2, within=WIDTH)


MIGRATION_BREACH = "a part of an earlier release served not what the host makes of it"
PROMISED = {
    Guarantee.FULL: "what was acknowledged is served, as after a power cut",
    Guarantee.FLAGGED: "values once committed, or defaults; a flag says which are not the newest "
                       "(but see FORMAT.md, section 7, for rings of 2, 4, 8, ... slots)",
    Guarantee.SILENT: "values once committed, or flagged defaults; older ones may look like the "
                      "newest, of a group in copies never",
    Guarantee.REFUSED: "the same, or the part is not taken for ours; nothing is written before",
    Guarantee.KEPT: "ps_format returns PS_ERR_FOREIGN and writes nothing",
    Guarantee.SAME: "the firmware serves and flags what the host says of the same part",
}


def _faults(campaign: Campaign) -> list[str]:
    lines = ["Other faults, and what the first boot after each served of the group worst off"]
    for promise, words in PROMISED.items():
        columns = [Column(promise.value, right=False), Column("cases"), Column("tried"),
                   Column("newest"), Column("older,", "flagged"), Column("defaults,", "flagged"),
                   Column("older,", "no flag"), Column("refused"), Column("promise", "broken")]
        lines += ["", *_wrapped(f"{promise.value}: {words}"), *table(columns, [
            (r.kind.strikes, *(f"{n:,}" for n in (
                r.counts.cases, r.counts.tried, r.counts.newest, r.counts.older, r.counts.defaults,
                r.counts.silent, r.counts.refused, r.counts.violations)))
            for r in campaign.faults if r.kind.guarantee is promise], indent=2, within=WIDTH)]
    counts, limits = campaign.fault_counts, fault_limits(campaign.plan)
    return [*lines, "", *_wrapped(
        "Each class begins in four start states, some on a blank part too; where not all cases "
        "were tried, they are spread evenly. After each the store was made to go on, and had to. "
        "Longest mount "
        f"{counts.mount_bits:,} bits of {limits[0]:,} that it may take, longest commit "
        f"{counts.commit_bits:,} of {limits[1]:,}; {counts.failed:,} calls failed and said so.")]


BECAME = {
    Became.SAME: "the same",
    Became.ROUNDED: "rounded",
    Became.CUT: "fewer elements",
    Became.DEFAULT: "its default",
    Became.GONE: "retired",
}
"""What a stored value became in a later release, in words."""


def _announced(campaign: Campaign) -> list[str]:
    columns = [Column("release"), Column("units"), Column("values", "stored"),
               *(Column(words) for words in BECAME.values()), Column("violations")]
    return [
        "Units of earlier releases, with values on the edges of what this release allows (I18)",
        *table(columns, [
            (str(a.release), f"{a.units:,}", f"{a.values:,}",
             *(f"{a.became[b]:,}" for b in BECAME), f"{a.violations:,}")
            for a in campaign.announced], indent=2),
        *_wrapped("Each unit was booted by the compiled C and by its twin, which had to serve what "
                  "the host says. Of the stored values that are not served as they were, each has "
                  "to be of a parameter that `compare` of the two releases names.")]


def _migrations(campaign: Campaign) -> list[str]:
    columns = [Column("release"), Column("cuts", "at most"), Column("histories"), Column("boots"),
               Column("violations")]
    return [
        "Parts of earlier releases, migrated by this firmware (I11)",
        *table(columns, [
            (str(t.release), str(t.depth), f"{t.totals.histories.total:,}", f"{t.totals.boots:,}",
             f"{t.totals.violation_count:,}") for t in campaign.migrations], indent=2),
        *_wrapped("Each boot has to serve what the host makes of the same image: as it was, in the "
                  "middle of the migration, and after it.")]


def _wear(campaign: Campaign) -> list[str]:
    columns = [Column("group", right=False), Column("commits", "predicted"),
               Column("commits", "seen"), Column("cycles", "of a page"),
               Column("until none", "is taken"), Column("boots"), Column("lost")]
    return [
        f"Wear, on pages that take {campaign.wear[0].endurance:,} write cycles",
        *table(columns, [
            (w.group, f"{w.predicted_commits:,}", f"{w.even.fresh_commits:,}",
             _from_to(w.even.least, w.even.greatest), f"{w.uneven.commits:,}",
             f"{w.even.looks + w.uneven.looks:,}", f"{w.even.lost + w.uneven.lost:,}")
            for w in campaign.wear], indent=2, within=WIDTH),
        *_wrapped("Commits until a page takes no more, as the plan predicts and as seen, and the "
                  "write cycles of each page by then. Then the same where pages take up to half as "
                  "many more by chance: slots that do not take a record are passed over, until no "
                  "commit goes through. Lost: boots on the way that served anything but the newest "
                  "values.")]


def _from_to(least: int, greatest: int) -> str:
    return f"{least:,}" if least == greatest else f"{least:,} to {greatest:,}"


def _verdict(campaign: Campaign) -> Iterator[str]:
    totals = campaign.totals
    yield from _wrapped(
        f"{totals.random:,} boots began from random contents; one of 2^32 passes for a record, so "
        f"{totals.expected_coincidences:.2g} violations by coincidence are to be expected.")
    if totals.late:
        yield from _wrapped(
            f"{totals.late:,} boots served values whose commit had been cut, though an earlier "
            "boot had missed them: the tears of two cut commits in a row completed each other. No "
            "promise is broken, as nothing newer had been acknowledged.")
    yield from ("", "What was demanded of every boot and call: it is a violation if")
    yield from (f"  {v.invariant:<4} {v.meaning}" for v in demanded(campaign))
    if campaign.migrations:
        yield f"  {'I11':<4} {MIGRATION_BREACH}"
    yield ""
    if campaign.sound:
        first, last = ("I11", "I18") if campaign.migrations else ("I10", "I17")
        yield f"No violation: I1 to {first} and I13 to {last} held in every history."
        return
    count = campaign.violation_count
    yield f"{count:,} VIOLATION{'S' * (count != 1)}, the first of each kind:"
    for shown in campaign.violations:
        yield from _violation(campaign.plan, shown)
    for ring in campaign.wear:
        if not ring.sound:
            yield f"  I10 of {ring.group}: its ring did not wear as planned, or lost values on it"
    for result in campaign.faults:
        if result.counts.first is not None:
            job, violation = result.counts.first
            yield from _wrapped(f"{breach_text(campaign.plan, violation)}, after "
                                f"{job.kind.strikes}")
            yield f"    {wanted_text(campaign.plan, violation)}"
            yield f"    replay: {replay_line(campaign.plan, fault_text(job))}"
    for announced in campaign.announced:
        if announced.first is not None:
            yield from _wrapped(unit_breach_text(announced.first))
            yield f"    replay: {replay_line(campaign.plan, unit_text(announced.first.case))}"


def demanded(campaign: Campaign) -> list[Verdict]:
    """Return what was demanded: of later releases only where there are earlier ones."""
    return [v for v in Verdict if v.invariant
            and (v is not Verdict.UNTOLD or campaign.announced)]


def _violation(plan: Plan, shown: Shown) -> Iterator[str]:
    yield f"  {breach_text(plan, shown.violation)}"
    yield f"    {wanted_text(plan, shown.violation)}"
    yield f"    replay: {replay_line(plan, shown.replay)}"


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(text, LINE, initial_indent="  ", subsequent_indent="  ")


# ---- Data ----------------------------------------------------------------------------------------


def campaign_data(campaign: Campaign) -> dict[str, Any]:
    """Return the campaign as data that JSON can hold."""
    totals, limits = campaign.totals, limits_of(campaign.plan)
    groups = [ring.group.name for ring in campaign.plan.rings]
    return {
        "schema_version": DATA_VERSION,
        "store": campaign.plan.schema.name,
        "layout_id": campaign.plan.layout_id,
        "part": campaign.plan.part.name,
        "level": campaign.level.value,
        "seed": campaign.seed,
        "compiler": campaign.compiler,
        "workers": campaign.workers,
        "seconds": campaign.seconds,
        "histories": totals.histories.total,
        "boots": totals.boots,
        "torn_states": totals.torn,
        "random_states": totals.random,
        "late_boots": totals.late,
        "calls": totals.calls,
        "violations": campaign.violation_count,
        "expected_coincidences": totals.expected_coincidences,
        "histories_by_cuts": _by_cuts(totals.histories.rows),
        "longest_bits": {
            "mount": totals.mount_bits, "format": totals.format_bits, "wipe": totals.wipe_bits,
            "commit": dict(zip(groups, totals.commit_bits, strict=True)),
        },
        "bound_bits": {
            "mount": limits.mount_bits, "format": limits.format_bits,
            "commit": dict(zip(groups, limits.commit_bits, strict=True)),
        },
        "sweeps": [_sweep_data(campaign.plan, result) for result in campaign.results],
        "shown": [{
            "invariant": s.violation.verdict.invariant,
            "meaning": s.violation.verdict.meaning,
            "group": None if s.violation.group is None else groups[s.violation.group],
            "what": s.violation.what.value,
            "expected": s.violation.expected,
            "found": s.violation.found,
            "replay": s.replay,
        } for s in campaign.violations],
        "faults": [class_data(result) for result in campaign.faults],
        "announced": [units_data(announced) for announced in campaign.announced],
        "migrations": [{
            "release": t.release, "cuts": t.depth, "histories": t.totals.histories.total,
            "boots": t.totals.boots, "violations": t.totals.violation_count,
        } for t in campaign.migrations],
        "wear": [_ring_data(ring) for ring in campaign.wear],
    }


def _sweep_data(plan: Plan, result: SweepResult) -> JsonObject:
    sweep, totals = result.sweep, result.totals
    return {
        "title": sweep.title,
        "starts": [start_text(start) for start in sweep.starts],
        "alphabets": [[operation_text(plan, op) for op in alphabet]
                      for alphabet in sweep.alphabets],
        "operations": sweep.operations,
        "cuts": sweep.depth,
        "samples": sweep.samples,
        "histories": totals.histories.total,
        "histories_by_cuts": _by_cuts(totals.histories.rows),
        "boots": totals.boots,
        "torn_states": totals.torn,
        "random_states": totals.random,
        "late_boots": totals.late,
        "violations": totals.violation_count,
        "seconds": result.seconds,
    }


def _ring_data(ring: RingWear) -> JsonObject:
    even, uneven = ring.even, ring.uneven
    return {
        "group": ring.group, "endurance": ring.endurance,
        "predicted_commits": ring.predicted_commits, "seen_commits": even.fresh_commits,
        "page_cycles": {"least": even.least, "greatest": even.greatest},
        "commits_on_uneven_pages": uneven.commits, "boots": even.looks + uneven.looks,
        "lost": even.lost + uneven.lost, "sound": ring.sound,
    }


def _by_cuts(rows: tuple[tuple[int, ...], ...]) -> list[dict[str, int]]:
    return [dict(zip(COLUMNS, row, strict=True)) for row in rows]


def agreement_text(agreement: Agreement) -> str:
    """Return what a small campaign on all engines came to."""
    columns = [Column("engine", right=False), Column("histories"), Column("boots"),
               Column("violations"), Column("boots", "a second"), Column("digest", right=False)]
    lines = [
        f"{agreement.plan.schema.name}: the same campaign on all engines", "",
        *table(columns, [
            (run.name, f"{run.totals.histories.total:,}", f"{run.totals.boots:,}",
             f"{run.totals.violation_count:,}", f"{run.totals.boots / run.seconds:,.0f}",
             f"{run.totals.digest:016x}") for run in (agreement.native, agreement.machine)
        ], indent=2), "",
        *_wrapped("The digest is of every image that was booted from and of what was served, in "
                  "order."), "",
        *_wrapped(f"{agreement.histories:,} single histories, each also byte by byte on a "
                  "simulated part with the compiled C and with the twin in Python: "
                  f"{len(agreement.different):,} in which verdicts or images differ."),
        *(f"    replay: {replay_line(agreement.plan, text)}" for text in agreement.different),
        "",
        "All engines agree." if agreement.sound else "They do NOT agree, or promises were broken."]
    return "\n".join(lines) + "\n"


def agreement_data(agreement: Agreement) -> JsonObject:
    """Return the same as data that JSON can hold."""
    return {
        "schema_version": DATA_VERSION,
        "store": agreement.plan.schema.name,
        "sound": agreement.sound,
        "same_jobs": agreement.same_jobs,
        "engines": {run.name: {
            "histories": run.totals.histories.total, "boots": run.totals.boots,
            "violations": run.totals.violation_count, "seconds": run.seconds,
            "digest": f"{run.totals.digest:016x}",
        } for run in (agreement.native, agreement.machine)},
        "single_histories": agreement.histories,
        "different": list(agreement.different),
    }
