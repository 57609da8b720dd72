"""The page of a campaign of power cuts: what was tried, what came of it, how to see it again.

Every number is one that the run has counted; words that the text report has too are from there.
"""

from __future__ import annotations

from collections.abc import Container, Iterator, Mapping, Sequence
from typing import Any

from paramstore.core.words import plural
from paramstore.layout.physics import bits_ms
from paramstore.report.cuts import (
    BECAME,
    LEFT,
    MIGRATION_BREACH,
    PROMISED,
    SAMPLED,
    campaign_data,
    demanded,
    starts_text,
)
from paramstore.report.pages.charts import used_up
from paramstore.report.pages.frame import Facts, prose, render
from paramstore.report.pages.states import shape_definitions
from paramstore.report.pages.tears import tear_picture
from paramstore.report.replays import replay_line, unit_breach_text, wanted_text
from paramstore.verify.cuts.campaign import Campaign
from paramstore.verify.cuts.results import COLUMNS

__all__ = ["campaign_page"]

_MOST_STARTS = 60
"""Start states of a sweep that are named one by one."""


def campaign_page(campaign: Campaign) -> str:
    """Return a campaign as a whole HTML page."""
    schema, data = campaign.plan.schema, campaign_data(campaign)
    rows = data["histories_by_cuts"]
    deepest = max((cuts for cuts, row in enumerate(rows) if any(row.values())), default=0)
    return render(
        "cuts", f"{schema.name}: power cuts", store=schema.name, doc=prose(schema.doc), data=data,
        shapes=shape_definitions(),
        facts=_facts(campaign), khz=schema.bus_khz,
        samples=max(r.sweep.samples for r in campaign.results),
        sweeps=[entry | {"starts_text": starts_text(result.sweep),
                         "named": entry["starts"][:_MOST_STARTS],
                         "unnamed": len(entry["starts"][_MOST_STARTS:])}
                for entry, result in zip(data["sweeps"], campaign.results, strict=True)],
        cuts=["no cut", *(plural(cuts, "cut") for cuts in range(1, deepest + 1))],
        left=[{"kind": kind, "picture": tear_picture(kind), "words": LEFT[kind],
               "sampled": kind in SAMPLED,
               "counts": [rows[cuts][kind] for cuts in range(deepest + 1)]}
              for kind in COLUMNS if any(row[kind] for row in rows)],
        longest=list(_longest(data, schema.bus_khz)),
        invariants=sorted(_invariants(campaign, {
            entry["invariant"] for part in ("shown", "faults", "announced") for entry in data[part]
        }, data["migrations"]), key=lambda i: int(str(i["name"])[1:])),
        shown=[entry | {"wanted": wanted_text(campaign.plan, shown.violation),
                        "line": replay_line(campaign.plan, shown.replay)}
               for entry, shown in zip(data["shown"], campaign.violations, strict=True)],
        promises=[{"name": promise.value, "words": words,
                   "classes": [f for f in data["faults"] if f["guarantee"] == promise.value]}
                  for promise, words in PROMISED.items()],
        struck=[fault | {"line": replay_line(campaign.plan, fault["replay"]),
                         "wanted": wanted_text(campaign.plan, result.counts.first[1])}
                for fault, result in zip(data["faults"], campaign.faults, strict=True)
                if result.counts.first is not None],
        became=[(became.value, words) for became, words in BECAME.items()],
        unannounced=[{"words": unit_breach_text(announced.first),
                      "line": replay_line(campaign.plan, entry["replay"])}
                     for entry, announced in zip(data["announced"], campaign.announced, strict=True)
                     if announced.first is not None],
        faults_tried=campaign.fault_counts.tried,
    )


def _facts(campaign: Campaign) -> list[tuple[str, str]]:
    return [
        ("Part", campaign.plan.part.name),
        ("Campaign", campaign.level.value),
        ("Seed", str(campaign.seed)),
        ("Compiled with", campaign.compiler),
        ("Took", f"{campaign.seconds:,.0f} s on {plural(campaign.workers, 'processor')}"),
        ("Layout", f"0x{campaign.plan.layout_id:08X}"),
    ]


def _longest(data: dict[str, Any], khz: int) -> Iterator[dict[str, Any]]:
    """Yield the longest calls and their bounds, in bits and in ms on the bus."""
    seen, bound = data["longest_bits"], data["bound_bits"]
    calls = [(name, seen[name], bound.get(name)) for name in ("mount", "format", "wipe")]
    calls += [(f"commit {name}", bits, bound["commit"][name])
              for name, bits in seen["commit"].items()]
    for name, bits, most in calls:
        yield {"name": name, "bits": bits, "ms": f"{bits_ms(bits, khz):.2f}", "bound": most,
               "bar": used_up(bits / most, near=1.001) if most else ""}


def _invariants(campaign: Campaign, broken: Container[str],
                migrations: Sequence[Mapping[str, object]]) -> Iterator[Facts]:
    """Yield what the oracle demands, and whether it is among those that are `broken`."""
    for verdict in demanded(campaign):
        yield {"name": verdict.invariant, "breach": verdict.meaning,
               "broken": verdict.invariant in broken}
    if migrations:
        yield {"name": "I11", "broken": any(t["violations"] for t in migrations),
               "breach": MIGRATION_BREACH}
