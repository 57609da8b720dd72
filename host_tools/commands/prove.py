"""`paramstore prove`: cut the power everywhere, on this schema, and report."""

from __future__ import annotations

import json
import os
import sys
from typing import TYPE_CHECKING

import click

from host_tools.streams import page_option, read_source, write_bytes
from host_tools.terminal import release_option

if TYPE_CHECKING:
    from paramstore.cuts.campaign import Campaign
    from paramstore.layout.plan import Plan

STEPS = 1000
"""Parts of the progress bar."""


@click.command()
@click.argument("schema")
@click.option("--quick", "level", flag_value="quick", help="Seconds: one cut, a little of two.")
@click.option("--long", "level", flag_value="long", help="Hours: up to three cuts.")
@click.option("--jobs", "workers", type=click.IntRange(1), metavar="N",
              help="Processes; by default as many as there are processors.")
@click.option("--seed", type=click.IntRange(0, 0xFFFF_FFFF), default=1, show_default=True,
              help="Of the random tears.")
@click.option("--replay", "history", metavar="HISTORY",
              help="Play one history on the byte-level simulator instead, as a report names it.")
@release_option
@page_option
@click.option("--json", "as_json", is_flag=True, help="Write JSON.")
def command(schema: str, level: str | None, workers: int | None, seed: int,
            history: str | None, release: int | None, page: str | None, as_json: bool) -> None:
    """Example: paramstore prove schemas/tank_probe.toml --quick

    Compile the firmware of SCHEMA (`-`: standard input) for this computer, cut its power in every
    page write of every short workload, leave the page torn in every way, boot, and demand that what
    is served is what was committed. Takes minutes unless --quick. Exit code 1: a promise was
    broken; the report has a command line that replays it. Needs a C compiler: gcc, clang, or the
    Python package ziglang.
    """
    from paramstore.evolve.project import open_project

    if history is not None and page is not None:
        raise click.UsageError("--html shows a campaign, and --replay plays one history")
    plan = open_project(read_source(schema)).release(release)
    if history is not None:
        sound = _replay(plan, history, as_json)
    else:
        campaign = _run(plan, level or "default", workers or os.cpu_count() or 1, seed)
        if page != "-":
            _show(campaign, as_json)
        if page is not None:  # last: should it fail, what took hours is on the screen
            from paramstore.report.pages.cuts import campaign_page

            write_bytes(page, campaign_page(campaign).encode(), inputs=(schema,), option="--html")
        sound = campaign.totals.violation_count == 0
    if not sound:
        raise SystemExit(1)


def _run(plan: Plan, level: str, workers: int, seed: int) -> Campaign:
    from paramstore.cuts.campaign import run_campaign
    from paramstore.cuts.sweeps import Level

    with click.progressbar(length=STEPS, label="Cutting the power", file=sys.stderr) as bar:
        return run_campaign(plan, Level(level), seed=seed, workers=workers,
                            progress=lambda part: bar.update(round(part * STEPS) - bar.pos))


def _show(campaign: Campaign, as_json: bool) -> None:
    from paramstore.report.cuts import campaign_data, campaign_text

    if as_json:
        click.echo(json.dumps(campaign_data(campaign), indent=2, ensure_ascii=False))
    else:
        click.echo(campaign_text(campaign), nl=False)


def _replay(plan: Plan, text: str, as_json: bool) -> bool:
    from paramstore.cuts.replay import replay
    from paramstore.report.cuts import played_data, played_text

    replayed = replay(plan, text)
    if as_json:
        click.echo(json.dumps(played_data(replayed), indent=2, ensure_ascii=False))
    else:
        click.echo(played_text(replayed), nl=False)
    return replayed.sound
