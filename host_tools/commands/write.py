"""`paramstore write`: values or an image to a part on a bus."""

from __future__ import annotations

import sys
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

import click

from host_tools.parts_on_buses import (
    PartAt,
    bus_options,
    check_records,
    note_change,
    note_event,
    open_part,
    other_unit,
    read_contents,
    read_part,
    read_source_of,
    read_wanted,
    records_option,
)
from host_tools.streams import read_source
from host_tools.terminal import say, say_json, say_text, show_findings

if TYPE_CHECKING:
    from paramstore.bus.changes import Changes
    from paramstore.bus.programmer import Programmer
    from paramstore.image.contents import Contents


def write(programmer: Programmer, changes: Changes, backup: str | None, stem: str,
          labelled: bool) -> None:
    """Keep a copy of the part, then write, with a progress bar. A `labelled` copy is one that can
    be written back."""
    from paramstore.bus.work import keep_backup, write_changes

    kept = keep_backup(changes.before, backup, stem)
    say(f"{kept}: what the part held", err=True)
    with click.progressbar(length=len(changes.pages), label="Writing", file=sys.stderr) as bar:
        try:
            write_changes(programmer, changes, bar.update)
        except (Exception, KeyboardInterrupt):
            back = f", or go back: write {kept} --exact" if labelled else ""
            say(f"the write did not end; repeat it{back}", err=True)
            raise


@click.command()
@click.argument("schema")
@click.argument("source", required=False)
@click.option("--set", "settings", multiple=True, metavar="GROUP.PARAMETER=VALUE",
              help="One value, on top of a values file; may be repeated.")
@click.option("--yes", is_flag=True, help="Write. Without it, what would be written is shown.")
@click.option("--unlock", is_flag=True, help="Write identity and calibration as well.")
@click.option("--exact", is_flag=True,
              help="Make the part equal to an image byte by byte, a backup for one.")
@click.option("--backup", metavar="FILE",
              help="Where the old content goes (default: STORE.before-NNNN.bin here).")
@click.option("--format", "form_name", metavar="FORM",
              help="Of an image (default: by the suffix).")
@bus_options
@records_option
@click.option("--json", "as_json", is_flag=True, help="Tell it as JSON.")
def command(schema: str, source: str | None, settings: tuple[str, ...], yes: bool, unlock: bool,
            exact: bool, backup: str | None, form_name: str | None, at: PartAt,
            records: str | None, as_json: bool) -> None:
    """Example: paramstore write schemas/tank_probe.toml unit.bin --bus 1

    Bring the values of SOURCE, an image or a values file (.toml), to a part: blank, or of this
    store. Shows what would change; --yes does it. Each group that differs gets a new record, as
    firmware writes it, so a cut leaves the old values or the new ones. Identity and calibration of
    a part that has them stay, unless --unlock. Exit code 1: the part is not of this store, or of
    another unit than the image, a mistake in SOURCE, or a page that does not take its bytes.
    """
    from paramstore.bus.changes import exact_changes, recognise, value_changes
    from paramstore.bus.compare import damage
    from paramstore.errors import FindingsError, ParamstoreError, Severity
    from paramstore.evolve.project import open_project
    from paramstore.image.contents import LabelState, unpack
    from paramstore.report.bus import changed_words, changes_data, changes_text
    from paramstore.report.cautions import CAUTION
    from paramstore.report.findings import findings_data

    project = open_project(read_source(schema))
    wanted_from = read_source_of(project, source, form_name, settings, exact)
    check_records(records)
    with open_part(project.plan, at, create=True, writes=yes) as programmer:
        name = programmer.name
        contents: Contents = read_contents(project, read_part(programmer))
        recognise(contents, name)
        plan = contents.plan
        values, image = read_wanted(project, plan, wanted_from, exact)
        plan = image.plan if exact and image else plan
        changes = (exact_changes(contents, image, name, unlock=unlock) if exact and image
                   else value_changes(contents, values, name, unlock=unlock))
        target = unpack(plan, changes.target)
        other = other_unit(records, image, target, name)
        if other is not None and other.severity is Severity.ERROR:
            raise FindingsError([replace(other, help=f"{other.help}; --unlock makes this part the "
                                         "unit of the image")])
        findings = (*changes.findings, *damage(target, name), *((other,) if other else ()))
        note = (partial(note_event, records, image, "write", other=other) if image
                else partial(note_change, records, target))
        if yes and changes.pages:
            say_text(CAUTION + "\n", err=True)
            try:
                write(programmer, changes, backup, plan.schema.name,
                      contents.label_state is LabelState.OURS)
            except (ParamstoreError, KeyboardInterrupt) as error:
                note(False, str(error) or "stopped")
                raise
            note(True, f"{len(changes.pages)} pages" if image else changed_words(changes))
    done = yes and bool(changes.pages)
    if as_json:
        say_json(findings_data(findings) | changes_data(
            plan, name, changes, done=done))
    else:
        show_findings(findings)
        say_text(changes_text(plan, name, changes, done=done))
    if not yes:
        say_text(CAUTION + "\n", err=True)
