"""`paramstore write`: values or an image to a part on a bus."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import click

from host_tools.images import defaults_option
from host_tools.parts_on_buses import (
    PartAt,
    bus_options,
    check_records,
    look_at,
    open_part,
    other_unit,
    read_source_of,
    read_wanted,
    records_option,
)
from host_tools.streams import read_source
from host_tools.terminal import say_json, say_text, show_findings
from host_tools.writing import Notes, Way, carry_out, keep, tell_release

if TYPE_CHECKING:
    from paramstore.bus.changes import Changes, Values
    from paramstore.core.errors import Finding
    from paramstore.image.contents import Contents


class Wish:
    """What a person wants of a part: its values, or all of an image (`exact`)."""

    def __init__(self, name: str, values: Values, image: Contents | None, exact: bool,
                 unlock: bool, defaults: bool) -> None:
        self.name, self.values, self.image, self.unlock = name, values, image, unlock
        self.exact, self.defaults = image if exact else None, defaults

    def changes(self, contents: Contents) -> Changes:
        """Return what has to be done to a part."""
        from paramstore.bus.changes import value_changes
        from paramstore.bus.exact import exact_changes

        if self.exact is not None:
            return exact_changes(contents, self.exact, self.name, unlock=self.unlock)
        return value_changes(contents, self.values, self.name, unlock=self.unlock,
                             defaults=self.defaults, image=self.image is not None)

    def note(self, notes: Notes, part: Contents, changes: Changes) -> None:
        """Note what a part holds afterwards: good only if it is what was wanted."""
        from paramstore.bus.compare import compare
        from paramstore.report.bus import changed_words

        found = compare(part, self.values, self.image, exact=self.exact is not None)
        kept = list(dict.fromkeys(c.group.name for c in changes.kept))
        words = "equal" if found.equal else found.words + (
            f"; kept: {', '.join(kept)}" if kept else "")
        if self.image is not None:
            notes.end("write", found.equal, words, part)
        elif changes.pages:
            notes.end("change", found.equal, changed_words(changes), part)


def refuse_other_unit(other: Finding | None) -> None:
    """Refuse a part that would stay another unit than that of the image (PS967)."""
    from paramstore.core.errors import FindingsError, Severity

    if other is not None and other.severity is Severity.ERROR:
        raise FindingsError([replace(other, help=f"{other.help}; --unlock makes this part the "
                                     "unit of the image")])


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
              help="Where the old content goes (default: STORE.before-NNNN.hex here).")
@click.option("--format", "form_name", metavar="FORM",
              help="Of an image (default: by the suffix).")
@defaults_option
@bus_options
@records_option
@click.option("--json", "as_json", is_flag=True, help="Tell it as JSON.")
def command(schema: str, source: str | None, settings: tuple[str, ...], yes: bool, unlock: bool,
            exact: bool, backup: str | None, form_name: str | None, write_defaults: bool,
            at: PartAt, records: str | None, as_json: bool) -> None:
    """Example: paramstore write schemas/tank_probe.toml unit.bin --bus 1

    Bring the values of SOURCE, an image or a values file (.toml), to a part: blank, or of this
    store. Shows what would change; --yes does it. Each group that differs gets a new record, as
    firmware writes it, so a cut leaves the old values or the new ones; the same command ends what
    was cut. Identity and calibration of a part that has them stay, unless --unlock; of one without
    them they stay without a record if SOURCE has no value for them. Exit code 1:
    the part is not of this store, or of another unit than the image, a mistake in SOURCE, or a
    page that does not take its bytes.
    """
    from paramstore.bus.backup import backup_name, needs_all
    from paramstore.bus.compare import damage
    from paramstore.bus.recognise import being_erased, recognise, unlabelled_release
    from paramstore.image.contents import unpack
    from paramstore.releases.project import open_project
    from paramstore.report.bus import changes_data, changes_text
    from paramstore.report.findings import findings_data
    from paramstore.report.wording import CAUTION

    project = open_project(read_source(schema))
    wanted_from = read_source_of(project, source, form_name, settings, exact)
    whole = needs_all(backup) or exact
    check_records(records)
    with open_part(project.plan, at, create=True, writes=yes) as programmer:
        name = programmer.name
        contents = look_at(programmer, project, whole=whole)
        if not (exact and being_erased(contents)):
            recognise(contents, name)
        way = Way(schema, at, records)
        if not exact:
            tell_release(contents.plan, project.plan, way)
        wish = Wish(name, *read_wanted(project, contents.plan, wanted_from, exact), exact, unlock,
                    write_defaults)
        changes = wish.changes(contents)
        after = unpack(changes.plan, changes.target, contents.gaps)
        other = other_unit(records, wish.image, after, name)
        refuse_other_unit(other)
        doubt = () if exact else unlabelled_release(contents, project, name)
        findings = (*doubt, *changes.findings, *damage(after, name), *((other,) if other else ()))
        notes = Notes(records, wish.image)
        if yes and changes.pages:
            say_text(CAUTION + "\n", err=True)
            kept = keep(changes, backup, project, wish.changes)
            done = carry_out(programmer, changes, kept, notes,
                             "write" if wish.image else "change", way)
            after, findings = done.contents, (*findings, *done.findings)
        if yes:
            wish.note(notes, after, changes)
    written = yes and bool(changes.pages)
    if as_json:
        say_json(findings_data(findings) | changes_data(name, changes, done=written))
    else:
        show_findings(findings)
        say_text(changes_text(name, changes, done=written, khz=project.plan.schema.bus_khz,
                              backup=backup_name(backup, project.plan.schema.name)))
    if not yes:
        say_text(CAUTION + "\n", err=True)
