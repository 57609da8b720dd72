"""What commands that take a dump share: its options, and reading it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple, TypeVar

import click

from host_tools.streams import STDIN, read_bytes, read_source

if TYPE_CHECKING:
    from paramstore.decode.either import Found, Known
    from paramstore.decode.examine import Examination
    from paramstore.decode.fixed import FixedExamination
    from paramstore.decode.which import Candidate
    from paramstore.image.forms.runs import Reading

__all__ = ["DumpOptions", "address", "candidates", "dump_options", "examined", "examined_either",
           "known", "read", "show_doubts"]

_WHOLE = ("PS60", "PS610", "PS616", "PS62", "PS63", "PS65", "PS670", "PS672")
"""Codes of findings about a dump as a whole."""

Command = TypeVar("Command", bound=Callable[..., Any])


def address(text: str) -> int:
    """Return a number in decimal, or hexadecimal with `0x`; a usage error if it is none."""
    try:
        return int(text, 0)
    except ValueError:
        raise click.BadParameter(f"`{text}` is no number; write 4096 or 0x1000") from None


class DumpOptions(NamedTuple):
    """What a person says of a dump."""

    form: str | None
    words: str | None
    offset: int | None


def dump_options(command: Command) -> Command:
    """Add the options that say what a dump is; `DumpOptions` takes their values."""
    for option in (
        click.option("--offset", type=address, metavar="ADDRESS",
                     help="Where the first byte of the part lies in the file."),
        click.option("--words", type=click.Choice(["big", "little"]),
                     help="Which byte of a word comes first, where nothing tells it."),
        click.option("--format", "form_name", metavar="FORM",
                     help="bin, hex, srec, uf2, c or text (default: by the content)."),
    ):
        command = option(command)
    return command


def known(schema: str) -> tuple[Known, ...]:
    """Return what a dump may be of, fixed layouts among it: a schema file with its releases, or
    all of a folder.

    ToolError if a folder has no schema.
    """
    from paramstore.decode.either import known_in, known_of

    if schema != "-" and Path(schema).is_dir():
        found, passed = known_in(schema)
        _refuse_none(schema, found, passed)
        return found
    return known_of(read_source(schema))


def _refuse_none(folder: str, found: tuple[object, ...], passed: tuple[str, ...]) -> None:
    from paramstore.errors import ToolError

    if not found:
        raise ToolError(f"`{folder}` holds no schema without mistakes",
                        f"`paramstore check` says what is wrong with {passed[0]}"
                        if passed else "give a folder with schema files (*.toml)")


def candidates(schema: str) -> tuple[Candidate, ...]:
    """Return the stores that a dump may be of: a schema file with its releases, or all of a folder.

    ToolError if a folder has no schema.
    """
    from paramstore.decode.which import candidates_in, candidates_of

    if schema != "-" and Path(schema).is_dir():
        found, passed = candidates_in(schema)
        _refuse_none(schema, found, passed)
        return found
    return candidates_of(read_source(schema))


def read(dump: str, options: DumpOptions) -> Reading:
    """Return what a file says; errors as `image.files.read_dump`."""
    from paramstore.image.files import form_of, read_dump
    from paramstore.image.forms.words import Order

    form = form_of(dump, options.form) if options.form else None
    order = Order(options.words) if options.words else None
    return read_dump(read_bytes(dump), STDIN if dump == "-" else dump, form, order=order)


def examined(schemas: tuple[Candidate, ...], dump: str, options: DumpOptions) -> Examination:
    """Return what a file holds; errors as `decode.examine`."""
    from paramstore.decode.examine import examine

    return examine(read(dump, options), schemas, offset=options.offset)


def show_doubts(found: Found) -> None:
    """Tell on stderr what concerns a dump as a whole: its text, its schema, where the part lies in
    it. For commands that show a dump and do not judge it."""
    from host_tools.terminal import show_findings

    show_findings(f for f in found.findings if f.code.startswith(_WHOLE))


def examined_either(schemas: tuple[Known, ...], dump: str,
                    options: DumpOptions) -> Examination | FixedExamination:
    """Return what a file of a store or of a fixed layout holds; errors as `decode.either`."""
    from paramstore.decode.either import examine_either

    return examine_either(read(dump, options), schemas, options.offset)
