"""What commands that take a dump share: its options, and reading it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple, TypeVar

import click

from host_tools.streams import STDIN, read_bytes, read_source
from host_tools.terminal import release_option, say_text

if TYPE_CHECKING:
    from paramstore.core.errors import Finding
    from paramstore.files.runs import Reading
    from paramstore.inspect.examination import Examination
    from paramstore.inspect.store import StoreExamination
    from paramstore.inspect.which import Layout

__all__ = ["DumpOptions", "Schemas", "address", "dump_options", "examined", "examined_store",
           "known", "offset_option", "read", "show_doubts", "show_report", "stores",
           "words_option"]

_WHOLE = ("PS60", "PS610", "PS616", "PS62", "PS63", "PS65", "PS670", "PS672")
"""Codes of findings about a dump as a whole."""

Command = TypeVar("Command", bound=Callable[..., Any])


def address(text: str) -> int:
    """Return a number in decimal, or hexadecimal with `0x`; a usage error if it is none."""
    try:
        number = int(text, 0)
    except ValueError:
        raise click.BadParameter(f"`{text}` is no number; write 4096 or 0x1000") from None
    if number < 0:
        raise click.BadParameter(f"`{text}` is less than 0")
    return number


class DumpOptions(NamedTuple):
    """What a person says of a dump."""

    form: str | None = None
    words: str | None = None
    offset: int | None = None
    release: int | None = None


class Schemas(NamedTuple):
    """What a dump may be of. `named`: one schema was given, so that the dump is of it whatever it
    holds; of a folder it must show that itself."""

    known: tuple[Layout, ...]
    named: bool


offset_option = click.option("--offset", type=address, metavar="ADDRESS",
                             help="Where the first byte of the part lies in the file.")
words_option = click.option("--words", type=click.Choice(["big", "little"]),
                            help="Which byte of a word comes first, where nothing tells it: in a "
                                 "hex dump or C array of words.")


def dump_options(command: Command) -> Command:
    """Add the options that say what a dump is; they come as the keyword `options`."""
    @wraps(command)
    def with_options(*arguments: Any, form_name: str | None, words: str | None, offset: int | None,
                     release: int | None, **keywords: Any) -> Any:
        options = DumpOptions(form_name, words, offset, release)
        return command(*arguments, options=options, **keywords)

    wrapped: Any = with_options
    for option in (
        release_option,
        offset_option,
        words_option,
        click.option("--format", "form_name", metavar="FORM",
                     help="bin, hex, srec, uf2, c or text (default: by the content)."),
    ):
        wrapped = option(wrapped)
    done: Command = wrapped
    return done


def known(schema: str, options: DumpOptions) -> Schemas:
    """Return what a dump may be of, fixed layouts among it: a schema file with its releases, or
    all of a folder.

    ToolError if a folder has no schema, or there is not the release that is asked for.
    """
    from paramstore.inspect.which import layouts_in, layouts_of

    if _is_folder(schema, options):
        return Schemas(_some(schema, *layouts_in(schema)), named=False)
    return Schemas(layouts_of(read_source(schema), options.release), named=True)


def stores(schema: str, options: DumpOptions) -> Schemas:
    """Return the stores that a dump may be of; the rest as `known`."""
    from paramstore.inspect.which import candidates_in, candidates_of

    if _is_folder(schema, options):
        return Schemas(_some(schema, *candidates_in(schema)), named=False)
    return Schemas(candidates_of(read_source(schema), options.release), named=True)


def _is_folder(schema: str, options: DumpOptions) -> bool:
    from paramstore.core.errors import ToolError

    if schema == "-" or not Path(schema).is_dir():
        return False
    if options.release is not None:
        raise ToolError(f"--release is for one schema, and `{schema}` is a folder of them",
                        "give the schema of the unit")
    return True


Some = TypeVar("Some")


def _some(folder: str, found: tuple[Some, ...], passed: tuple[str, ...]) -> tuple[Some, ...]:
    from paramstore.core.errors import ToolError

    if not found:
        raise ToolError(f"`{folder}` holds no schema without mistakes",
                        f"`paramstore check` says what is wrong with {passed[0]}"
                        if passed else "give a folder with schema files (*.toml)")
    return found


def read(options: DumpOptions, schemas: Schemas, *dumps: str) -> list[Reading]:
    """Return what files say; errors as `image.files.read_dump`. ToolError if an order of words is
    given, and no file has words."""
    from paramstore.core.errors import ToolError
    from paramstore.files.forms import form_of, read_dump
    from paramstore.files.words import Order
    from paramstore.inspect.examine import recogniser

    order = Order(options.words) if options.words else None
    readings = [
        read_dump(read_bytes(dump), STDIN if dump == "-" else dump,
                  form_of(dump, options.form) if options.form else None, order=order,
                  known=recogniser(schemas.known))
        for dump in dumps]
    if order and all(r.word_bytes == 1 for r in readings):
        raise ToolError(
            f"--words is for hex dumps and C arrays of words; `{readings[0].source.path}` is "
            f"{readings[0].title}", "leave --words out: bytes of words that were "
            "written the wrong way round are recognised by what they hold")
    return readings


def examined(schemas: Schemas, options: DumpOptions, *dumps: str) -> list[Examination]:
    """Return what files of a store or a fixed layout hold; errors as `decode.either`."""
    from paramstore.inspect.examine import examine

    return [examine(reading, schemas.known, options.offset, named=schemas.named)
            for reading in read(options, schemas, *dumps)]


def examined_store(schemas: Schemas, options: DumpOptions, dump: str) -> StoreExamination:
    """Return what a file of a store holds; errors as `decode.examine`."""
    from paramstore.inspect.store import StoreExamination

    (found,) = examined(schemas, options, dump)
    assert isinstance(found, StoreExamination), "only stores were to choose from"
    return found


def _concerns_all(finding: Finding) -> bool:
    return finding.code.startswith(_WHOLE)


def show_doubts(found: Examination) -> None:
    """Tell on stderr what concerns a dump as a whole: its text, its schema, where the part lies in
    it. For commands that show a dump and do not judge it."""
    from host_tools.terminal import show_findings

    show_findings(filter(_concerns_all, found.findings))


def show_report(text: str, findings: Sequence[Finding], *, text_err: bool = False,
                findings_err: bool = False) -> None:
    """Write a report on a dump: on top what concerns the dump as a whole, for all below stands
    under it, and behind it what is wrong in its parts. Text and findings may go to stderr."""
    from host_tools.terminal import show_findings, tint
    from paramstore.report.findings import findings_text

    whole = [f for f in findings if _concerns_all(f)]
    say_text(findings_text(whole, style=tint), err=findings_err)
    say_text(text + "\n" * bool(findings), err=text_err)
    show_findings([f for f in findings if not _concerns_all(f)], err=findings_err, told=whole)
