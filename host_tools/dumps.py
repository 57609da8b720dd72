"""What commands that take a dump share: reading it, and reporting on it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple

from host_tools.options import InputOptions
from host_tools.streams import STDIN, read_bytes, read_source
from host_tools.terminal import answer, asks_json

if TYPE_CHECKING:
    from paramstore.core.errors import Finding
    from paramstore.files.runs import Reading
    from paramstore.inspect.examination import Examination
    from paramstore.inspect.store import StoreExamination
    from paramstore.inspect.which import Layout, SchemaFolder

__all__ = ["Schemas", "examined", "examined_store", "read", "report_on_dump", "schemas_at",
           "show_doubts", "show_dumps"]

_WHOLE = ("PS60", "PS610", "PS616", "PS62", "PS63", "PS65", "PS670", "PS672")
"""Codes of findings about a dump as a whole."""


class Schemas(NamedTuple):
    """What a dump may be of: of the schema that was given, whatever it holds, or of one of a
    folder, if it shows that itself."""

    named: tuple[Layout, ...] = ()
    folder: SchemaFolder | None = None

    @property
    def all(self) -> tuple[Layout, ...]:
        """All there are; ToolError if a folder has no schema."""
        return _some(self.folder, self.folder.layouts()) if self.folder else self.named

    def layouts_for(self, reading: Reading) -> tuple[Layout, ...]:
        """Return what a dump may be of, or enough of it to choose from; errors as `all`."""
        return _some(self.folder, self.folder.layouts_for(reading)) if self.folder else self.named


def schemas_at(schema: str, options: InputOptions, *, stores_only: bool = False) -> Schemas:
    """Return what a dump may be of: a schema file with its releases, or all of a folder; fixed
    layouts among it unless `stores_only`.

    ToolError if there is not the release that is asked for.
    """
    from paramstore.inspect.which import SchemaFolder, candidates_of, layouts_of

    if _is_folder(schema, options):
        return Schemas(folder=SchemaFolder(schema, stores_only=stores_only))
    read = candidates_of if stores_only else layouts_of
    return Schemas(read(read_source(schema), options.release))


def _is_folder(schema: str, options: InputOptions) -> bool:
    from pathlib import Path

    from paramstore.core.errors import ToolError

    if schema == "-" or not Path(schema).is_dir():
        return False
    if options.release is not None:
        raise ToolError(f"--release is for one schema, and `{schema}` is a folder of them",
                        "give the schema of the unit")
    return True


def _some(folder: SchemaFolder, found: tuple[Layout, ...]) -> tuple[Layout, ...]:
    from paramstore.core.errors import ToolError

    if not found:
        raise ToolError(f"`{folder.path}` holds no schema without mistakes",
                        f"`paramstore check` says what is wrong with {folder.passed[0]}"
                        if folder.passed else "give a folder with schema files (*.toml)")
    return found


def read(options: InputOptions, schemas: Schemas, *dumps: str) -> list[Reading]:
    """Return what files say; errors as `files.forms.read_dump`. ToolError if an order of words is
    given, and no file has words."""
    from paramstore.core.errors import ToolError
    from paramstore.files.forms import ReadOptions, form_of, read_dump
    from paramstore.files.runs import Order
    from paramstore.inspect.examine import recogniser

    order = Order(options.input_words) if options.input_words else None
    read_options = ReadOptions(order, recogniser(lambda: schemas.all))
    readings = [
        read_dump(read_bytes(dump), STDIN if dump == "-" else dump,
                  form_of(dump, options.input_format) if options.input_format else None,
                  read_options)
        for dump in dumps]
    if order and all(r.word_bytes == 1 for r in readings):
        raise ToolError(
            f"--input-words is for hex dumps and C arrays of words; `{readings[0].source.path}` is "
            f"{readings[0].title}", "leave --input-words out: bytes of words that were "
            "written the wrong way round are recognised by what they hold")
    return readings


def examined(schemas: Schemas, options: InputOptions, *dumps: str) -> list[Examination]:
    """Return what files of a store or a fixed layout hold; errors as `inspect.examine`."""
    from paramstore.inspect.examine import examine

    return [examine(reading, schemas.layouts_for(reading), options.input_offset,
                    named=schemas.folder is None)
            for reading in read(options, schemas, *dumps)]


def examined_store(schemas: Schemas, options: InputOptions, dump: str) -> StoreExamination:
    """Return what a file of a store holds; errors as `inspect.store`."""
    from paramstore.inspect.store import StoreExamination

    (found,) = examined(schemas, options, dump)
    assert isinstance(found, StoreExamination), "only stores were to choose from"
    return found


def _concerns_all(finding: Finding) -> bool:
    return finding.code.startswith(_WHOLE)


def show_doubts(found: Examination) -> None:
    """Tell what concerns a dump as a whole."""
    from host_tools.terminal import show_findings

    show_findings(filter(_concerns_all, found.findings))


def show_dumps(shown: Sequence[Examination], data: Callable[[], Mapping[str, object]],
               text: Callable[[], str]) -> None:
    """Show something of dumps, without judging them: in text, only what concerns a dump as a whole
    stands above."""
    if not asks_json():
        for found in shown:
            show_doubts(found)
    answer([f for found in shown for f in found.findings], data, text, tell=lambda: None)


def report_on_dump(findings: Sequence[Finding], data: Callable[[], Mapping[str, object]],
                   text: Callable[[], str]) -> int:
    """Give a report on a dump: on top what concerns the dump as a whole, for all below stands
    under it, and behind it what is wrong in its parts. Return the exit code."""
    from host_tools.terminal import show_findings, tint
    from paramstore.report.findings import findings_text

    whole = [f for f in findings if _concerns_all(f)]

    def shown() -> str:
        return findings_text(whole, style=tint) + text() + "\n" * bool(findings)

    rest = [f for f in findings if not _concerns_all(f)]
    return answer(findings, data, shown, tell=lambda: show_findings(rest, told=whole))
