"""`paramstore pack`: an image for a part, from a schema and values."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from host_tools.options import (
    ImageOptions,
    ValueOptions,
    defaults_option,
    encoded,
    image_options,
    json_option,
    outside_text,
    release_option,
    used_pages_option,
    value_options,
)
from host_tools.streams import read_source, write_bytes
from host_tools.terminal import answer, say_caution

if TYPE_CHECKING:
    from paramstore.layout.plan import Plan


@click.command()
@click.argument("schema")
@image_options("The image.", used_pages_option, required=True)
@value_options
@defaults_option
@release_option
@json_option
def command(schema: str, image: ImageOptions, wanted: ValueOptions, write_defaults: bool,
            release: int | None) -> int:
    """Example: paramstore pack schemas/tank_probe.toml --values unit.toml -o unit.hex

    Make the image of a whole part: its label, and the first record of every group. What --values
    and --set do not name has its default. An identity or calibration group of which they name
    nothing is left without a record: the firmware serves its defaults and says so. SCHEMA or the
    values file may be `-`: standard input. Exit code 1: one of them has mistakes; nothing was
    written.
    """
    from paramstore.image.pack import left_out, pack, ungiven
    from paramstore.image.values import read_values
    from paramstore.releases.project import open_project
    from paramstore.report.wording import in_part_lines, without_lines

    form = image.form
    project = open_project(read_source(schema))
    plan = project.release(release)
    given = read_values(plan.schema, read_source(wanted.values) if wanted.values else None,
                        wanted.settings)
    packed = pack(plan, given.values, defaults=write_defaults)
    without = ungiven(plan, given.values)
    in_part = {g: names for g, names in left_out(plan, given.values).items() if g not in without}
    output = image.output or ""
    write_bytes(output, encoded(packed, plan, image), inputs=(schema, wanted.values))
    answer((*project.findings, *given.warnings), lambda: {
        "store": plan.schema.name, "part": plan.part.name, "layout_id": plan.layout_id,
        "fill_outside": [list(r) for r in form.fill_outside(image.offset, len(packed))],
        "output": output, "form": form.name, "image_bytes": len(packed),
        "without_record": [] if write_defaults else list(without),
        "defaults_written": list(without) if write_defaults else [],
        "defaults_among_values": {g: list(names) for g, names in in_part.items()},
    }, lambda: "\n".join([written(plan, image, len(packed)),
                          *without_lines(without, write_defaults), *in_part_lines(in_part), ""]))
    say_caution()
    return 0


def written(plan: Plan, image: ImageOptions, size: int) -> str:
    """Return what was written, and what of it lies outside the part."""
    from paramstore.core.text import printable

    only = "the used pages of " if image.used_pages else ""
    outside = outside_text(image, size)
    return (f"{printable(image.output or '')}: {plan.schema.name} on the {plan.part.name}, "
            f"{only}{size} bytes, {image.form.title}" + f"\n{outside}" * bool(outside))
