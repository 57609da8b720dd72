"""`paramstore unpack`: values and the health of every slot, from a dump."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import click

from host_tools.dumps import DumpOptions, dump_options, read
from host_tools.streams import read_source, write_bytes
from host_tools.terminal import release_option, show_findings, tint

if TYPE_CHECKING:
    from paramstore.image.contents import SlotState


def paint(text: str, state: SlotState) -> str:
    """Colour a slot: bad ones as errors, the current record as what is good."""
    part = "error" if state.bad else {"current": "mend", "older": "place"}.get(state.value)
    return tint(text, part) if part else text


@click.command()
@click.argument("schema")
@click.argument("dump")
@click.option("-o", "--output", metavar="FILE", help="Write a values file (TOML); `-`: stdout.")
@dump_options
@release_option
@click.option("--json", "as_json", is_flag=True, help="Write JSON, every slot included.")
@click.pass_context
def command(ctx: click.Context, schema: str, dump: str, output: str | None,
            form_name: str | None, words: str | None, offset: int | None, release: int | None,
            as_json: bool) -> None:
    """Example: paramstore unpack schemas/tank_probe.toml dump.bin -o unit.toml

    Show what a part holds: every value of the newest records, with its unit, a picture of the
    slots of each group, and everything that is wrong. The label of the dump says which release of
    the store reads it. SCHEMA may be `-`: standard input; or DUMP, with --format. Exit code 1: data
    is lost or damaged, or the dump is not of this store.
    """
    from paramstore.decode.which import Candidate, choose
    from paramstore.errors import errors_in
    from paramstore.evolve.project import open_project
    from paramstore.image.contents import unpack
    from paramstore.image.diagnose import diagnose
    from paramstore.report.findings import findings_data
    from paramstore.report.image import contents_toml, image_data, image_text

    project = open_project(read_source(schema))
    plans = (project.plan, *project.history.plans) if release is None else (
        project.release(release),)
    reading = read(dump, DumpOptions(form_name, words, offset))
    choice = choose(reading, [Candidate(schema, plan) for plan in plans], offset)
    found = choice.alignment.dump
    contents = unpack(choice.candidate.plan, found.data)
    findings = (*project.findings, *reading.findings, *choice.findings,
                *choice.alignment.findings, *diagnose(contents, dump, found.gaps))
    talk = output == "-"  # stdout is the values file then
    if reading.form in ("c", "text"):
        click.echo(f"{reading.source.path}: read as {reading.title}", err=True)
    if as_json:
        data = findings_data(findings) | image_data(contents)
        click.echo(json.dumps(data, indent=2, ensure_ascii=False), err=talk)
    else:
        blank = "\n" if findings else ""
        click.echo(image_text(contents, paint) + blank, nl=False, err=talk)
        show_findings(findings, err=talk)
    if output is not None and not contents.readable:
        click.echo(f"{output}: not written, for the dump holds no values of this store", err=True)
    elif output is not None:
        write_bytes(output, contents_toml(contents).encode("utf-8"), inputs=(schema, dump))
    ctx.exit(1 if errors_in(findings) else 0)
