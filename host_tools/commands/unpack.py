"""`paramstore unpack`: values and the health of every slot, from a dump."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, NamedTuple

import click

from host_tools.dumps import Schemas, examined, examined_store, report_on_dump
from host_tools.options import (
    InputOptions,
    input_options,
    json_option,
    output_option,
    release_option,
)
from host_tools.streams import read_source, write_bytes
from host_tools.terminal import say, tint

if TYPE_CHECKING:
    from paramstore.core.errors import Finding, SourceText
    from paramstore.files.runs import Reading
    from paramstore.image.contents import SlotState


def paint(text: str, state: SlotState) -> str:
    """Colour a slot: bad ones as errors, the current record as what is good."""
    part = "error" if state.bad else {"current": "mend", "older": "place"}.get(state.value)
    return tint(text, part) if part else text


@click.command()
@click.argument("schema")
@click.argument("dump")
@output_option("Write a values file (TOML).")
@input_options(release_option)
@json_option
def command(schema: str, dump: str, output: str | None, given: InputOptions) -> int:
    """Example: paramstore unpack schemas/tank_probe.toml dump.bin -o unit.toml

    Show what a part holds: every value of the newest records, with its unit, a picture of the
    slots of each group, and everything that is wrong. The label of the dump says which release of
    the store reads it. SCHEMA may be that of a fixed layout. SCHEMA or DUMP may be `-`: standard
    input. Exit code 1: data is lost or damaged, or the dump is blank, or not of this store.
    Warnings leave it at 0. A write that was cut is a warning: the last commit is whole, and the
    next one mends the slot.
    """
    from paramstore.files.forms import FORMS
    from paramstore.schema.keys import is_fixed

    source = read_source(schema)
    kind, unpacked = ("layout", _of_layout) if is_fixed(source) else ("store", _of_store)
    found = unpacked(source, dump, given)
    if FORMS[found.reading.form].pasted:
        say(f"{found.reading.source.path}: read as {found.reading.title}", err=True)
    code = report_on_dump(found.findings, found.data, found.text)
    if output is not None and found.values is None:
        say(f"{output}: not written, for the dump holds no values of this {kind}", err=True)
    elif output is not None and found.values is not None:
        write_bytes(output, found.values.encode("utf-8"), inputs=(schema, dump))
    return code


class Unpacked(NamedTuple):
    """What there is to show of a dump; `values` is a values file, None if there are none."""

    reading: Reading
    findings: tuple[Finding, ...]
    text: Callable[[], str]
    data: Callable[[], Mapping[str, object]]
    values: str | None


def _of_store(source: SourceText, dump: str, options: InputOptions) -> Unpacked:
    from paramstore.inspect.which import project_candidates
    from paramstore.releases.project import open_project
    from paramstore.report.image import contents_toml, image_data, image_text

    project = open_project(source)
    of = Schemas(project_candidates(project, source.path, options.release))
    found = examined_store(of, options, dump)
    contents = found.contents
    return Unpacked(found.reading, (*project.findings, *found.findings),
                    lambda: image_text(contents, paint), lambda: image_data(contents),
                    contents_toml(contents) if contents.readable else None)


def _of_layout(source: SourceText, dump: str, options: InputOptions) -> Unpacked:
    from paramstore.core.errors import ToolError
    from paramstore.inspect.fixed import FixedExamination
    from paramstore.report.examination import examination_data, examination_text
    from paramstore.report.fixed import fixed_toml
    from paramstore.schema.fixed.reader import read_layout

    if options.release is not None:
        raise ToolError("a fixed layout has no releases", "leave --release out")
    layout, warnings = read_layout(source)
    (found,) = examined(Schemas((layout,)), options, dump)
    assert isinstance(found, FixedExamination), "there is no store to choose"
    return Unpacked(found.reading, (*warnings, *found.findings),
                    lambda: examination_text(found, tint), lambda: examination_data(found),
                    fixed_toml(found.contents) if found.holds_values else None)
