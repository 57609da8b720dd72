"""`paramstore generate`: the C files for the firmware."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import click

from host_tools.options import gathered, json_option, output_option, release_option
from host_tools.streams import read_source
from host_tools.terminal import answer, say

if TYPE_CHECKING:
    from pathlib import Path


class FirmwareOptions(NamedTuple):
    """Which files are written."""

    output: str
    runtime: bool
    ports: bool
    linux_port: bool
    force: bool
    release: int | None


@click.command()
@click.argument("schema")
@gathered(
    "options", FirmwareOptions,
    output_option("Folder to write into; it is made if need be.", required=True),
    click.option("--runtime/--no-runtime", default=True,
                 help="Write paramstore.c and paramstore.h as well (default: yes)."),
    click.option("--ports", is_flag=True, help="Write the example ports for bare metal as well."),
    click.option("--linux-port", is_flag=True, help="Write the example port for I2C on Linux as "
                 "well; it compiles on Linux only."),
    click.option("--force", is_flag=True,
                 help="Overwrite files of the same names that are not ours."),
    release_option)
@json_option
def command(schema: str, options: FirmwareOptions) -> int:
    """Example: paramstore generate schemas/tank_probe.toml -o firmware/params

    Write const tables and typed accessors for the store of SCHEMA (`-`: standard input), and the
    runtime that they need, as C99. A file that would not change is left alone. A port that you
    have changed, or a file that does not come from here, is never overwritten without --force.
    Exit code 1: SCHEMA has mistakes, and nothing was written.
    """
    from pathlib import Path

    from paramstore.core.disk import make_folder, write_text
    from paramstore.core.text import printable
    from paramstore.firmware.generate import generate, port_files, runtime_files
    from paramstore.firmware.physical import unconverted
    from paramstore.releases.project import open_project

    output = Path(options.output)
    check_folder(output)
    project = open_project(read_source(schema))
    plan = project.release(options.release)
    ours = generate(plan) | (runtime_files() if options.runtime else {})
    examples = ((port_files() if options.ports else {})
                | (port_files(linux=True) if options.linux_port else {}))
    actions = plan_writes(output, ours, examples, options.force)
    make_folder(output)
    for name, text in (ours | examples).items():
        if actions[name] != "unchanged":
            write_text(output / name, text)
    answer((*project.findings, *unconverted(plan)), lambda: {
        "store": plan.schema.name,
        "files": [{"file": str(output / name), "action": a} for name, a in actions.items()],
    }, lambda: "".join(f"{printable(str(output / name))}: {action}\n"
                       for name, action in actions.items()))
    say(f'in your firmware: #include "{plan.schema.name}_params.h"', err=True)
    return 0


def check_folder(path: Path) -> None:
    """Refuse what looks like the name of a single file, for several are written."""
    from paramstore.core.errors import ToolError
    from paramstore.files.forms import FORMS

    suffixes = [suffix for form in FORMS.values() for suffix in form.suffixes]
    if str(path) == "-" or (path.suffix.lower() in suffixes and not path.is_dir()):
        raise ToolError(f"`{path}` is no name for a folder, and several files are written",
                        "give a folder, such as firmware/params")


def plan_writes(folder: Path, ours: dict[str, str], examples: dict[str, str],
                force: bool) -> dict[str, str]:
    """Return what to do with each file: "written" or "unchanged".

    An existing file is ours if its first line is that of the new text; an example is there to be
    changed, so it must be the same as a whole. ToolError names the others, unless `force`.
    """
    from paramstore.core.errors import ToolError

    actions, foreign = {}, []
    for name, text in (ours | examples).items():
        target = folder / name
        try:
            old = target.read_bytes().decode("utf-8", "replace") if target.exists() else None
        except OSError as error:
            raise ToolError(f"cannot read `{target}`: {error.strerror}") from error
        actions[name] = "unchanged" if old == text else "written"
        same_start = old is None or old.partition("\n")[0] == text.partition("\n")[0]
        if old not in (None, text) and (name in examples or not same_start):
            foreign.append(f"`{target}`")
    if foreign and not force:
        raise ToolError(f"{', '.join(foreign)} would be overwritten, and did not come from here "
                        "as it is", "choose another folder, or overwrite with --force")
    return actions
