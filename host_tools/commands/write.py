"""`paramstore write`: values or an image to a part on a bus."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import click

from host_tools.options import (
    BusOptions,
    ValueOptions,
    backup_option,
    bus_options,
    defaults_option,
    gathered,
    input_form_option,
    json_option,
    records_option,
    unlock_option,
    value_options,
)
from host_tools.parts_on_buses import (
    check_records,
    look_at,
    open_part,
    other_unit,
    read_target,
    read_wanted,
)
from host_tools.streams import read_source
from host_tools.terminal import answer, say_caution
from host_tools.writing import CommandLines, Notes, carry_out, keep, tell_release

if TYPE_CHECKING:
    from paramstore.bus.changes import Changes
    from paramstore.core.errors import Finding
    from paramstore.core.scalars import StoreRaws
    from paramstore.image.contents import Contents


class WritingOptions(NamedTuple):
    """How a part is written."""

    yes: bool
    unlock: bool
    exact: bool
    backup: str | None
    input_format: str | None
    write_defaults: bool
    records: str | None


class WriteJob(NamedTuple):
    """What a person wants of the part called `name`: values, or all of an image."""

    name: str
    values: StoreRaws
    image: Contents | None
    options: WritingOptions

    def changes(self, contents: Contents) -> Changes:
        """Return what has to be done to a part."""
        from paramstore.bus.changes import value_changes
        from paramstore.bus.exact import exact_changes

        unlock = self.options.unlock
        if self.options.exact and self.image is not None:
            return exact_changes(contents, self.image, self.name, unlock=unlock)
        return value_changes(contents, self.values, self.name, unlock=unlock,
                             defaults=self.options.write_defaults, image=self.image is not None)

    def note(self, notes: Notes, part: Contents, changes: Changes) -> None:
        """Note what a part holds afterwards: good only if it is what was wanted."""
        from paramstore.bus.compare import compare
        from paramstore.report.bus import changed_words

        found = compare(part, self.values, self.image, exact=self.options.exact)
        kept = list(dict.fromkeys(c.group.name for c in changes.kept_changes))
        words = "equal" if found.equal else found.words + (
            f"; kept: {', '.join(kept)}" if kept else "")
        if self.image is not None:
            notes.end("write", found.equal, words, part)
        elif changes.pages:
            notes.end("change", found.equal, changed_words(changes), part)


def refuse_other_unit(other: Finding | None) -> None:
    """Refuse a part that would stay another unit than that of the image (PS967)."""
    from dataclasses import replace

    from paramstore.core.errors import FindingsError, Severity

    if other is not None and other.severity is Severity.ERROR:
        raise FindingsError([replace(other, help=f"{other.help}; --unlock makes this part the "
                                     "unit of the image")])


@click.command()
@click.argument("schema")
@click.argument("image", required=False)
@value_options
@gathered(
    "options", WritingOptions,
    click.option("--yes", is_flag=True, help="Do it. Without it, what would be done is shown."),
    unlock_option,
    click.option("--exact", is_flag=True, help="Byte by byte, with an image."),
    backup_option, input_form_option, defaults_option, records_option)
@bus_options
@json_option
def command(schema: str, image: str | None, wanted: ValueOptions, options: WritingOptions,
            at: BusOptions) -> int:
    """Example: paramstore write schemas/tank_probe.toml unit.bin --bus 1

    Bring the values of IMAGE, or of --values and --set, to a part: blank, or of this store. Shows
    what would change; --yes does it. Each group that differs gets a new record, as firmware writes
    it, so a cut leaves the old values or the new ones; the same command ends what was cut. Identity
    and calibration of a part that has them stay, unless --unlock; of one without them they stay
    without a record if no value is given for them. With --records the result is noted there. Exit
    code 1: the part is not of this store, or of another unit than the image, a mistake in IMAGE or
    the values, or a page that does not take its bytes.
    """
    from paramstore.bus.backup import backup_name, needs_all
    from paramstore.bus.compare import damage
    from paramstore.bus.recognise import being_erased, recognise, unlabelled_release
    from paramstore.image.contents import unpack
    from paramstore.releases.project import open_project
    from paramstore.report.bus import changes_data, changes_text

    project = open_project(read_source(schema))
    target = read_target(project, image, options.input_format, wanted, options.exact)
    whole = needs_all(options.backup) or options.exact
    check_records(options.records)
    with open_part(project.plan, at, create=True, writes=options.yes) as programmer:
        name = programmer.name
        contents = look_at(programmer, project, whole=whole)
        if not (options.exact and being_erased(contents)):
            recognise(contents, name)
        lines = CommandLines(schema, at, options.records)
        if not options.exact:
            tell_release(contents.plan, project.plan, lines)
        job = WriteJob(name, *read_wanted(project, contents.plan, target, options.exact), options)
        changes = job.changes(contents)
        after = unpack(changes.plan, changes.image_after, contents.gaps)
        other = other_unit(options.records, job.image, after, name)
        refuse_other_unit(other)
        doubt = () if options.exact else unlabelled_release(contents, project, name)
        findings = (*doubt, *changes.findings, *damage(after, name), *((other,) if other else ()))
        notes = Notes(options.records, job.image)
        if options.yes and changes.pages:
            say_caution()
            kept = keep(changes, options.backup, project, job.changes)
            done = carry_out(programmer, changes, kept, notes,
                             "write" if job.image else "change", lines)
            after, findings = done.contents, (*findings, *done.findings)
        if options.yes:
            job.note(notes, after, changes)
    written = options.yes and bool(changes.pages)
    answer(findings, lambda: changes_data(name, changes, done=written), lambda: changes_text(
        name, changes, done=written, khz=project.plan.schema.bus_khz,
        backup=backup_name(options.backup, project.plan.schema.name)))
    if not options.yes:
        say_caution()
    return 0
