"""`paramstore erase`: make a part on a bus blank."""

from __future__ import annotations

import click

from host_tools.parts_on_buses import (
    PartAt,
    bus_options,
    check_records,
    look_at,
    open_part,
    records_option,
)
from host_tools.streams import read_source
from host_tools.terminal import say_json, say_text
from host_tools.writing import Notes, Way, carry_out, keep


@click.command()
@click.argument("schema")
@click.option("--yes", is_flag=True, help="Erase. Without it, what would be lost is shown.")
@click.option("--unlock", is_flag=True, help="Erase identity and calibration as well.")
@click.option("--backup", metavar="FILE",
              help="Where the old content goes (default: STORE.before-NNNN.hex here).")
@bus_options
@records_option
@click.option("--json", "as_json", is_flag=True, help="Tell it as JSON.")
def command(schema: str, yes: bool, unlock: bool, backup: str | None, at: PartAt,
            records: str | None, as_json: bool) -> None:
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
    from paramstore.report.findings import findings_data
    from paramstore.report.wording import CAUTION

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
            say_text(CAUTION + "\n", err=True)
            kept = keep(changes, backup, project, erase_changes)
            done = carry_out(programmer, changes, kept, notes, "erase",
                             Way(schema, at, records))
            notes.end("erase", True, "blank", done.contents)
    written = yes and bool(changes.pages)
    if as_json:
        say_json(findings_data(()) | erase_data(name, changes, done=written))
    else:
        say_text(erase_text(name, changes, done=written, khz=contents.plan.schema.bus_khz,
                            backup=backup_name(backup, project.plan.schema.name)))
    if not yes:
        say_text(CAUTION + "\n", err=True)
