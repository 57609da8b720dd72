"""`paramstore migrate`: an image of one release made one of another."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import click

from host_tools.streams import read_bytes, read_source, write_bytes
from host_tools.terminal import show_findings, tint

if TYPE_CHECKING:
    from paramstore.image.migrate import Fate


def paint(text: str, fate: Fate) -> str:
    """Colour what became of a value."""
    return tint(text, "error") if fate.harmed else text


@click.command()
@click.argument("schema")
@click.argument("image")
@click.option("--to", "target", type=int, required=True, metavar="N", help="The release wanted.")
@click.option("--from", "origin", type=int, metavar="N",
              help="The release of the image (default: as its label says).")
@click.option("-o", "--output", metavar="FILE", help="Write the new image; `-`: stdout.")
@click.option("--format", "form_name", metavar="FORM",
              help="Form of both images (default: by the suffix).")
@click.option("--json", "as_json", is_flag=True, help="Write JSON, every value included.")
@click.pass_context
def command(ctx: click.Context, schema: str, image: str, target: int, origin: int | None,
            output: str | None, form_name: str | None, as_json: bool) -> None:
    """Example: paramstore migrate schemas/tank_probe.toml unit.bin --to 5 -o unit5.bin

    Make IMAGE, of one release of SCHEMA, an image of another one, later or earlier, and say what
    became of each value. Up, that is what the firmware of the later release does by itself. Without
    -o it is only said. Exit code 1: stored values are lost, or damaged.
    """
    from paramstore.errors import ToolError, errors_in
    from paramstore.evolve.project import open_project
    from paramstore.image.contents import unpack
    from paramstore.image.diagnose import diagnose
    from paramstore.image.files import decode_image, encode_image, form_of
    from paramstore.image.migrate import migrate
    from paramstore.report.cautions import CAUTION
    from paramstore.report.findings import findings_data
    from paramstore.report.migration import migration_data, migration_text

    project = open_project(read_source(schema))
    wanted = project.history.release(target)
    form = form_of(image, form_name)
    found = decode_image(read_bytes(image), form, image, wanted.part.capacity)
    contents = unpack(project.release(origin), found.data)
    if origin is None and contents.label:
        contents = unpack(project.plan_of(contents.label), found.data)
    findings = (*project.findings, *diagnose(contents, image, found.gaps))
    if not contents.readable or (origin is None and contents.label is None):
        show_findings(findings)
        raise ToolError("the image does not say which release it is of",
                        "give it with --from, if it is of this store")
    result = migrate(contents, wanted, project.between(contents.plan, wanted))
    talk = output == "-"
    if as_json:
        click.echo(json.dumps(findings_data(findings) | {
            "from": contents.plan.release, "to": target, "output": output,
            "values": migration_data(result.items),
        }, indent=2, ensure_ascii=False), err=talk)
    else:
        show_findings(findings)
        click.echo(migration_text(result.items, paint), nl=False, err=talk)
    if output is not None:
        write_bytes(output, encode_image(result.image, form_of(output, form_name)),
                    inputs=(schema, image))
        click.echo(CAUTION, err=True)
    harmed = any(item.fate.harmed for item in result.items)
    ctx.exit(1 if harmed or errors_in(findings) else 0)
