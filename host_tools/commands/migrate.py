"""`paramstore migrate`: an image of one release made one of another."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import click

from host_tools.dumps import Schemas, examined_store, read
from host_tools.options import (
    ImageOptions,
    InputOptions,
    encoded,
    gathered,
    image_options,
    input_options,
    json_option,
    outside_text,
    range_options,
    used_pages_option,
)
from host_tools.streams import read_source, write_bytes
from host_tools.terminal import answer, say, say_caution, show_findings, tint

if TYPE_CHECKING:
    from paramstore.core.errors import Finding
    from paramstore.image.migrate import Migration, ValueOutcome
    from paramstore.layout.plan import Plan
    from paramstore.releases.project import Project


def paint(text: str, outcome: ValueOutcome) -> str:
    """Colour what became of a value."""
    return tint(text, "error") if outcome.harmed else text


class MigrateOptions(NamedTuple):
    """From which release or layout to which release, and at what cost."""

    first: int | None
    last: int | None
    layout: str | None
    anew: bool
    accept_loss: bool


@click.command()
@click.argument("schema")
@click.argument("dump")
@gathered(
    "options", MigrateOptions,
    range_options("The release of the dump (default: as its label says).",
                  "The release wanted (default: the last one; with --layout the schema as "
                  "it stands)."),
    click.option("--layout", metavar="FIXED",
                 help="DUMP is of this fixed layout, not of a release."),
    click.option("--relayout", "anew", is_flag=True,
                 help="Lay the unit out anew if the releases are of different series."),
    click.option("--accept-loss", is_flag=True, help="Write the image even if stored values do "
                 "not come over, or were not read."))
@image_options("Write the new image.", used_pages_option)
@input_options()
@json_option
def command(schema: str, dump: str, options: MigrateOptions, image: ImageOptions,
            given: InputOptions) -> int:
    """Example: paramstore migrate schemas/tank_probe.toml unit.bin --to 5 -o unit5.bin

    Make DUMP, of one release of SCHEMA, an image of another one, later or earlier, and say what
    became of each value. Up, that is what the firmware of the later release does by itself, and
    defaults in place of values outside their limits are stored as well. Where that is of another
    series (another part, other rings) only the host can do it, with --relayout. With --layout,
    DUMP is a dump of a fixed layout in any form, such as a unit with other firmware has; its
    values go into a new image of SCHEMA, of release N or as it stands. Without -o it is only said.
    Exit code 1: stored values do not come over, are damaged or may be among bytes that DUMP lacks,
    and nothing was written; or DUMP has other damage. An image written with --accept-loss leaves
    it at 0.
    """
    from paramstore.core.errors import errors_in
    from paramstore.releases.project import open_project
    from paramstore.report.changes import migration_data, migration_text

    project = open_project(read_source(schema))
    made = _made(project, schema, dump, options, given)
    harmed = [item.outcome for item in made.result.items if item.outcome.harmed]
    refused = bool(harmed) and not options.accept_loss
    output = image.output
    if output is not None and not refused:
        write_bytes(output, encoded(made.result.image, made.plan, image),
                    inputs=(schema, dump, options.layout))
    answer(made.findings, lambda: made.data | {
        "output": None if refused else output, "values": migration_data(made.result.items),
    }, lambda: migration_text(made.result.items, paint) + made.said + "\n")
    if output is not None and refused:
        say(f"{output}: not written, for {_said_of(harmed)}", err=True)
    elif output is not None:
        if outside := outside_text(image, len(made.result.image)):
            say(outside, err=True)
        say_caution()
    accepted = options.accept_loss and output is not None
    return 1 if (harmed or errors_in(made.findings)) and not accepted else 0


def _made(project: Project, schema: str, dump: str, options: MigrateOptions,
          given: InputOptions) -> Made:
    """Make the new image; UsageError for options that do not go together."""
    if options.layout is not None:
        if options.first is not None or options.anew:
            raise click.UsageError("--layout takes neither --from nor --relayout")
        return _adopted(project, options.layout, dump, options.last, given)
    return _migrated(project, schema, dump, options, given)


def _said_of(harmed: list[ValueOutcome]) -> str:
    """Return what an image would cost, and how to get it."""
    from paramstore.core.words import plural
    from paramstore.image.migrate import ValueOutcome

    unread = harmed.count(ValueOutcome.UNREAD)
    lost = f"{plural(len(harmed) - unread, 'stored value')} would be lost"
    if not unread:
        return f"{lost}; --accept-loss writes it"
    doubt = f"{plural(unread, 'value')} would be in doubt"
    return (f"{lost}, and {doubt}" if unread < len(harmed) else doubt) + (
        "; read all of the part again, or --accept-loss writes it")


class Made(NamedTuple):
    """A new image, what was found in the old one, and what is said about both."""

    result: Migration
    plan: Plan
    findings: tuple[Finding, ...]
    data: dict[str, object]
    said: str


def _migrated(project: Project, schema: str, dump: str, options: MigrateOptions,
              given: InputOptions) -> Made:
    """Make an image of one release one of another."""
    from dataclasses import replace

    from paramstore.core.errors import Severity, ToolError
    from paramstore.image.contents import LabelState
    from paramstore.image.migrate import migrate
    from paramstore.image.relayout import relayout
    from paramstore.inspect.which import project_candidates

    origin, last = options.first, options.last
    wanted = project.history.release(len(project.history.releases) if last is None else last)
    of = Schemas(project_candidates(project, schema, origin))
    found = examined_store(of, given, dump)
    plan, contents = found.plan, found.contents
    # Of a value that cannot be in the release of the image its outcome tells more.
    findings = (*project.findings, *(
        replace(f, severity=Severity.WARNING) if f.code == "PS614" else f
        for f in found.findings))
    if contents.label_state is not LabelState.OURS and (origin is None or contents.label):
        if origin is not None:  # what release N finds wrong in another one's bytes says nothing
            raise ToolError(f"the label of the image is not that of release {origin}",
                            "leave --from out: it is for an image without a label")
        show_findings(findings)
        if contents.blank:
            raise ToolError(f"there is nothing to migrate on `{dump}`",
                            "make an image with `paramstore pack`")
        raise ToolError("the image is of no release of this schema",
                        "give the schema that the unit was made with, its releases beside it"
                        if contents.label else "if only its label is damaged, say with --from of "
                        "which release it is")
    between = project.between(plan, wanted)
    crosses = options.anew and plan.series != wanted.series
    result = (relayout if crosses else migrate)(contents, wanted, between)
    where = f", laid out anew on the {wanted.part.name}" if crosses else ""
    was = f"release {plan.release}" if plan.release else "the schema as it stands"
    return Made(result, wanted, findings,
                {"from": plan.release, "to": wanted.release, "relayout": crosses},
                f"{dump}: {was} to release {wanted.release}{where}")


def _adopted(project: Project, layout: str, dump: str, target: int | None,
             given: InputOptions) -> Made:
    """Make an image of the store from a dump of a fixed layout."""
    from paramstore.core.errors import ToolError, errors_in
    from paramstore.image.adopt import adopt
    from paramstore.inspect.fixed import examine_fixed
    from paramstore.schema.fixed.reader import read_layout

    wanted = project.release(target)
    fixed, warnings = read_layout(read_source(layout))
    (reading,) = read(given, Schemas((fixed,)), dump)
    found = examine_fixed(reading, fixed, offset=given.input_offset)
    findings = (*project.findings, *warnings, *found.findings)
    if not found.holds_values or any(f.code in ("PS601", "PS671") for f in errors_in(findings)):
        show_findings(findings)
        raise ToolError(f"`{dump}` is no whole dump of `{fixed.name}`",
                        "nothing is taken from it: look at it with `paramstore examine`")
    state = f"release {wanted.release}" if wanted.release else "as its schema stands"
    return Made(adopt(found.contents, wanted), wanted, findings,
                {"layout": fixed.name, "to": wanted.release},
                f"{dump}: {fixed.name} to {wanted.schema.name}, {state}")
