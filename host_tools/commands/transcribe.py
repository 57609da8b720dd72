"""`paramstore transcribe`: a dump in another form."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from host_tools.dumps import examined_store, schemas_at, show_dumps
from host_tools.options import (
    ImageOptions,
    InputOptions,
    image_options,
    input_options,
    json_option,
    outside_text,
    release_option,
    write_options,
)
from host_tools.streams import write_bytes

if TYPE_CHECKING:
    from paramstore.inspect.store import StoreExamination


@click.command()
@click.argument("schema")
@click.argument("dump")
@image_options("The dump anew.", required=True)
@input_options(release_option)
@json_option
def command(schema: str, dump: str, image: ImageOptions, given: InputOptions) -> int:
    """Example: paramstore transcribe schemas console.log -o unit.hex

    Write a dump as it was understood in another form: moved to its place, the noise around it left
    out. Intel HEX, S-record and text leave out what was not read; the other forms cannot, and need
    --fill for it. SCHEMA may be a folder. Exit code 1: nothing tells what DUMP is, or of which
    schema; or lines were not understood, and bytes may be missing or wrong for it. What is wrong on
    the part is not judged here.
    """
    from paramstore.files.forms import encode_dump

    form, options = image.form, write_options(image)
    found = examined_store(schemas_at(schema, given, stores_only=True), given, dump)
    content = encode_dump(found.dump, form, options, image.fill)
    output, size = image.output or "", len(found.dump.data)
    write_bytes(output, content, inputs=(schema, dump))
    outside = outside_text(image, size)
    show_dumps([found], lambda: {
        "store": found.plan.schema.name, "input_form": found.reading.form, "output": output,
        "form": form.name, "offset": image.offset,
        "fill_outside": [list(r) for r in form.fill_outside(image.offset, size)],
        "gaps": [list(gap) for gap in found.dump.gaps],
    }, lambda: f"{outside}\n" * bool(outside)
        + f"{output}: {found.reading.title}, as {form.title}\n")
    return 1 if _doubtful(found) else 0


def _doubtful(found: StoreExamination) -> bool:
    """Return whether the dump may not be what the file was meant to hold: lines contradict
    themselves, or some were passed over and bytes are missing, or it lies wrongly on the part."""
    from paramstore.core.errors import Severity

    short = found.dump.gaps or len(found.dump.data) < found.size
    of_file = (f.code != "PS633" or short for f in found.reading.findings)
    return any(of_file) or any(
        f.code.startswith("PS65") and f.severity is Severity.ERROR for f in found.findings)
