"""`paramstore tour`: the whole job once, with a simulated EEPROM."""

from __future__ import annotations

from pathlib import Path

import click

from host_tools.streams import read_source
from host_tools.terminal import say, tint


@click.command()
@click.argument("schema")
@click.argument("values", required=False)
@click.option("-o", "--output", type=click.Path(path_type=Path), default=Path("tour"),
              show_default=True, help="Folder for everything that is made.")
def command(schema: str, values: str | None, output: Path) -> None:
    """Example: paramstore tour schemas/tank_probe.toml schemas/tank_probe.values.toml

    Check SCHEMA, lay it out, write the firmware's C and compile it for this computer, pack an
    image, mount it in that firmware on a simulated EEPROM, change a value, cut the power in the
    middle of a commit, and read the dump. SCHEMA or VALUES may be `-`: standard input. All files
    stay in the folder for you to open. Needs a C compiler: gcc, clang, or the Python package
    ziglang.
    """
    from host_tools.walk import walk

    steps = walk(read_source(schema), read_source(values) if values else None, output)
    for number, step in enumerate(steps, 1):
        say(tint(f"{number}. {step.title}", "fact"))
        for line in step.lines:
            say(f"   {line}")
        for path in step.files:
            say(f"   -> {path}")
        say()
