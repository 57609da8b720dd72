"""`paramstore tour`: the whole job once, with a simulated EEPROM."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from host_tools.options import json_option, output_option, values_option
from host_tools.streams import read_source
from host_tools.terminal import answer, asks_json, say, tint

if TYPE_CHECKING:
    from host_tools.walk import Step


@click.command()
@click.argument("schema")
@values_option
@output_option("Folder for everything that is made.", default="tour")
@json_option
def command(schema: str, values: str | None, output: str) -> int:
    """Example: paramstore tour schemas/tank_probe.toml --values schemas/tank_probe.values.toml

    Check SCHEMA, lay it out, write the firmware's C and compile it for this computer, pack an
    image, mount it in that firmware on a simulated EEPROM, change a value, cut the power in the
    middle of a commit, and read the dump. SCHEMA or the values file may be `-`: standard input.
    All files stay in the folder for you to open. Needs a C compiler: gcc, clang, or the Python
    package ziglang.
    """
    from pathlib import Path

    from paramstore.core.errors import ToolError

    if output == "-":
        raise ToolError("`-` is no name for a folder, and several files are written",
                        "give a folder, such as tour")
    from host_tools.walk import walk

    steps = []
    for step in walk(read_source(schema), read_source(values) if values else None, Path(output)):
        steps.append(step)
        if not asks_json():
            show(len(steps), step)
    return answer((), lambda: {"steps": [
        {"title": s.title, "lines": list(s.lines), "files": [str(p) for p in s.files]}
        for s in steps]}, lambda: "")


def show(number: int, step: Step) -> None:
    """Say what a step did, as soon as it is done."""
    say(tint(f"{number}. {step.title}", "fact"))
    for line in step.lines:
        say(f"   {line}")
    for path in step.files:
        say(f"   -> {path}")
    say()
