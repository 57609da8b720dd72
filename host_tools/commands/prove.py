"""`paramstore prove`: cut the power everywhere, on this schema, and report."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import click

from host_tools.progress import progress
from host_tools.streams import page_option, read_source, write_bytes
from host_tools.terminal import release_option, say_json, say_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from paramstore.layout.plan import Plan
    from paramstore.verify.cuts.campaign import Campaign


@click.command()
@click.argument("schema")
@click.option("--quick", is_flag=True, help="Seconds: one cut, a little of two.")
@click.option("--long", "lengthy", is_flag=True, help="Hours: up to three cuts.")
@click.option("--jobs", "workers", type=click.IntRange(1), metavar="N",
              help="Processes; by default as many as there are processors.")
@click.option("--seed", type=click.IntRange(0, 0xFFFF_FFFF), default=1, show_default=True,
              help="Of the random tears.")
@click.option("--replay", "history", metavar="HISTORY",
              help="Do one history, case of a fault or unit instead, as a report names it.")
@click.option("--machine", is_flag=True,
              help="Compare a small campaign on all engines instead: this computer, Cortex-M0+ "
                   "machine code in an emulator, and the twin in Python.")
@release_option
@page_option
@click.option("--json", "as_json", is_flag=True, help="Write JSON.")
def command(schema: str, quick: bool, lengthy: bool, workers: int | None, seed: int,
            history: str | None, machine: bool, release: int | None, page: str | None,
            as_json: bool) -> None:
    """Example: paramstore prove schemas/tank_probe.toml --quick

    Compile the firmware of SCHEMA (`-`: standard input) for this computer, cut its power in every
    page write of every short workload, leave the page torn in every way, boot, and demand that what
    is served is what was committed. Then do the same with faults of the bus and of the part, with
    what misleads a store, and with parts of earlier releases, of which no stored value may be lost
    unannounced. Takes about two minutes on two idle
    processors, seconds with --quick, hours with --long. Exit code 1: a promise was broken;
    the report has a command line that replays it. Needs a C compiler: gcc, clang, or the Python
    package ziglang.
    """
    from paramstore.releases.project import open_project

    if history is not None and page is not None:
        raise click.UsageError("--html shows a campaign, and --replay plays one history")
    if quick and lengthy:
        raise click.UsageError("--quick or --long: give one of the two")
    if machine and (history is not None or page is not None or quick or lengthy):
        raise click.UsageError("--machine is a campaign of its own: leave --quick, --long, --html "
                               "and --replay out")
    level = "quick" if quick else "long" if lengthy else "default"
    project = open_project(read_source(schema))
    plan = project.release(release)
    earlier = project.earlier(plan)
    if plan.release:  # as that release keeps it: with what led to it from the one before
        plan = project.release(plan.release)
    if history is not None:
        sound = _replay(plan, earlier, history, as_json)
    elif machine:
        sound = _compare(plan, as_json)
    else:
        campaign = _run(plan, earlier, level, workers or os.cpu_count() or 1, seed)
        if page != "-":
            _show(campaign, as_json)
        if page is not None:  # last: should it fail, what took hours is on the screen
            from paramstore.report.pages.cuts import campaign_page

            write_bytes(page, campaign_page(campaign).encode(), inputs=(schema,), option="--html")
        sound = campaign.sound
    if not sound:
        raise SystemExit(1)


def _run(plan: Plan, earlier: Sequence[Plan], level: str, workers: int, seed: int) -> Campaign:
    from paramstore.verify.cuts.campaign import run_campaign
    from paramstore.verify.cuts.sweeps import Level

    with progress("Cutting the power") as tell:
        return run_campaign(plan, Level(level), earlier=earlier, seed=seed, workers=workers,
                            progress=tell)


def _show(campaign: Campaign, as_json: bool) -> None:
    from paramstore.report.cuts import campaign_data, campaign_text

    if as_json:
        say_json(campaign_data(campaign))
    else:
        say_text(campaign_text(campaign))


def _compare(plan: Plan, as_json: bool) -> bool:
    from paramstore.report.cuts import agreement_data, agreement_text
    from paramstore.verify.cuts.agreement import agree

    with progress("Comparing") as tell:
        found = agree(plan, progress=tell)
    if as_json:
        say_json(agreement_data(found))
    else:
        say_text(agreement_text(found))
    return found.sound


def _replay(plan: Plan, earlier: Sequence[Plan], text: str, as_json: bool) -> bool:
    from paramstore.report.replays import (
        fault_data,
        fault_words,
        played_data,
        played_text,
        take_over_data,
        take_over_words,
        unit_words,
        units_data,
    )
    from paramstore.verify.cuts.announced import parse_unit, replay_unit
    from paramstore.verify.cuts.faults import parse_fault, replay_fault
    from paramstore.verify.cuts.history import parse_history
    from paramstore.verify.cuts.replay import replay
    from paramstore.verify.cuts.takeover import replay_take_over

    if (unit := parse_unit(text)) is not None:
        judged = replay_unit(plan, earlier, unit)
        if as_json:
            say_json(units_data(judged))
        else:
            say_text(unit_words(judged) + "\n")
        return judged.violations == 0
    if (fault := parse_fault(plan, text)) is not None:
        counts = replay_fault(plan, fault)
        if as_json:
            say_json(fault_data(plan, fault, counts))
        else:
            say_text(fault_words(plan, fault, counts) + "\n")
        return counts.violations == 0
    if (played := parse_history(plan, text)).start.older:
        violation = replay_take_over(plan, earlier, played)
        if as_json:
            say_json(take_over_data(plan, text, violation))
        else:
            say_text(take_over_words(plan, text, violation) + "\n")
        return violation is None
    replayed = replay(plan, text)
    if as_json:
        say_json(played_data(replayed))
    else:
        say_text(played_text(replayed))
    return replayed.sound
