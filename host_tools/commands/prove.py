"""`paramstore prove`: cut the power everywhere, on this schema, and report."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, NamedTuple

import click

from host_tools.options import gathered, json_option, page_option, release_option
from host_tools.progress import progress
from host_tools.streams import read_source, write_bytes
from host_tools.terminal import answer

if TYPE_CHECKING:
    from collections.abc import Sequence

    from paramstore.layout.plan import Plan
    from paramstore.verify.cuts.campaign import Campaign


class ProveOptions(NamedTuple):
    """How much is proved, and how it is shown."""

    quick: bool
    lengthy: bool
    jobs: int | None
    seed: int
    history: str | None
    machine: bool
    release: int | None
    page: str | None

    def check(self) -> None:
        """Refuse options that do not go together (UsageError)."""
        if self.history is not None and self.page is not None:
            raise click.UsageError("--html shows a campaign, and --replay plays one history")
        if self.quick and self.lengthy:
            raise click.UsageError("--quick or --long: give one of the two")
        if self.machine and (self.history is not None or self.page is not None or self.quick
                             or self.lengthy):
            raise click.UsageError("--machine is a campaign of its own: leave --quick, --long, "
                                   "--html and --replay out")


@click.command()
@click.argument("schema")
@gathered(
    "options", ProveOptions,
    click.option("--quick", is_flag=True, help="Seconds: one cut, and a few histories with two."),
    click.option("--long", "lengthy", is_flag=True,
                 help="Hours: more of everything, up to three cuts."),
    click.option("--jobs", type=click.IntRange(1), metavar="N",
                 help="Processes; by default as many as there are processors."),
    click.option("--seed", type=click.IntRange(0, 0xFFFF_FFFF), default=1, show_default=True,
                 help="Seed of the random tears."),
    click.option("--replay", "history", metavar="HISTORY",
                 help="Run one history, fault or unit instead, by its name in a report."),
    click.option("--machine", is_flag=True,
                 help="Compare a small campaign on all engines instead: this computer, Cortex-M0+ "
                 "machine code in an emulator, and the twin in Python."),
    release_option, page_option)
@json_option
def command(schema: str, options: ProveOptions) -> int:
    """Example: paramstore prove schemas/tank_probe.toml --quick

    Compile the firmware of SCHEMA (`-`: standard input) for this computer, cut its power in every
    page write of every short workload, leave the page torn in every way, boot, and demand that what
    is served is what was committed. Then do the same with faults of the bus and of the part, with
    content that could be taken for the store's own, and with parts of earlier releases, of which no
    stored value may be lost without `compare` naming it. Takes less than two minutes on two idle
    processors, seconds with --quick, hours with --long. That tries more of everything: further
    start states, longer workloads, three cuts in a row, two cuts of a wipe, two and more cuts of a
    migration, more cases of each fault. Exit code 1: a promise was
    broken; the report has a command line that replays it. Needs a C compiler: gcc, clang, or the
    Python package ziglang.
    """
    from paramstore.releases.project import open_project

    options.check()
    level = "quick" if options.quick else "long" if options.lengthy else "default"
    project = open_project(read_source(schema))
    plan = project.release(options.release)
    earlier = project.earlier(plan)
    if plan.release:  # as that release keeps it: with what led to it from the one before
        plan = project.release(plan.release)
    if options.history is not None:
        sound = _replay(plan, earlier, options.history)
    elif options.machine:
        sound = _compare(plan)
    else:
        campaign = _run(plan, earlier, level, options.jobs or os.cpu_count() or 1, options.seed)
        _show(campaign)
        if options.page is not None:  # last: should it fail, what took hours is on the screen
            from paramstore.report.pages.cuts import campaign_page

            write_bytes(options.page, campaign_page(campaign).encode(), inputs=(schema,),
                        option="--html")
        sound = campaign.sound
    return 0 if sound else 1


def _run(plan: Plan, earlier: Sequence[Plan], level: str, workers: int, seed: int) -> Campaign:
    from paramstore.verify.cuts.campaign import run_campaign
    from paramstore.verify.cuts.sweeps import Level

    with progress("Cutting the power") as tell:
        return run_campaign(plan, Level(level), earlier=earlier, seed=seed, workers=workers,
                            progress=tell)


def _show(campaign: Campaign) -> None:
    from paramstore.report.cuts import campaign_data, campaign_text

    answer((), lambda: campaign_data(campaign), lambda: campaign_text(campaign))


def _compare(plan: Plan) -> bool:
    from paramstore.report.cuts import agreement_data, agreement_text
    from paramstore.verify.cuts.agreement import agree

    with progress("Comparing") as tell:
        found = agree(plan, progress=tell)
    answer((), lambda: agreement_data(found), lambda: agreement_text(found))
    return found.sound


def _replay(plan: Plan, earlier: Sequence[Plan], text: str) -> bool:
    from paramstore.report.replays import (
        cut_migration_data,
        cut_migration_words,
        fault_data,
        fault_words,
        played_data,
        played_text,
        unit_words,
        units_data,
    )
    from paramstore.verify.cuts.announced import parse_unit, replay_unit
    from paramstore.verify.cuts.faults import parse_fault, replay_fault
    from paramstore.verify.cuts.history import parse_history
    from paramstore.verify.cuts.migrations import replay_migration
    from paramstore.verify.cuts.replay import replay

    if (unit := parse_unit(text)) is not None:
        judged = replay_unit(plan, earlier, unit)
        answer((), lambda: units_data(judged), lambda: unit_words(judged) + "\n")
        return judged.violations == 0
    if (fault := parse_fault(plan, text)) is not None:
        counts = replay_fault(plan, fault)
        answer((), lambda: fault_data(plan, fault, counts),
               lambda: fault_words(plan, fault, counts) + "\n")
        return counts.violations == 0
    if (played := parse_history(plan, text)).start.older:
        violation = replay_migration(plan, earlier, played)
        answer((), lambda: cut_migration_data(plan, text, violation),
               lambda: cut_migration_words(plan, text, violation) + "\n")
        return violation is None
    replayed = replay(plan, text)
    answer((), lambda: played_data(replayed), lambda: played_text(replayed))
    return replayed.sound
