"""`paramstore erase`: make a part on a bus blank."""

from __future__ import annotations

import click

from host_tools.options import (
    BusOptions,
    backup_option,
    bus_options,
    json_option,
    records_option,
    unlock_option,
)
from host_tools.parts_on_buses import check_records, look_at, open_part
from host_tools.streams import read_source
from host_tools.terminal import answer, say_caution
from host_tools.writing import CommandLines, Notes, carry_out, keep


@click.command()
@click.argument("schema")
@click.option("--yes", is_flag=True, help="Do it. Without it, what would be done is shown.")
@unlock_option
@backup_option
@bus_options
@records_option
@json_option
def command(schema: str, yes: bool, unlock: bool, backup: str | None, at: BusOptions,
            records: str | None) -> int:
    """Example: paramstore erase schemas/tank_probe.toml --bus 1

    Write FF to every byte of a part, whatever it holds: for rework, or if a part is refused as
    foreign. Shows what is lost; --yes keeps a copy and does it. A part with an identity or a
    calibration of this store needs --unlock. A cut leaves a part that firmware refuses; repeat the
    command then.
    """
    from paramstore.bus.backup import backup_name
    from paramstore.bus.exact import erase_changes, refuse_protected
    from paramstore.releases.project import open_project
    from paramstore.report.bus import erase_data, erase_text

    project = open_project(read_source(schema))
    check_records(records)
    with open_part(project.plan, at, writes=yes) as programmer:
        name = programmer.name
        contents = look_at(programmer, project, whole=True)
        if yes and not unlock:
            refuse_protected(contents, name)
        changes = erase_changes(contents)
        notes = Notes(records)
        if yes and changes.pages:
            say_caution()
            kept = keep(changes, backup, project, erase_changes)
            done = carry_out(programmer, changes, kept, notes, "erase",
                             CommandLines(schema, at, records))
            notes.end("erase", True, "blank", done.contents)
    written = yes and bool(changes.pages)
    answer((), lambda: erase_data(name, changes, done=written), lambda: erase_text(
        name, changes, done=written, khz=contents.plan.schema.bus_khz,
        backup=backup_name(backup, project.plan.schema.name)))
    if not yes:
        say_caution()
    return 0
