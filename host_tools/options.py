"""The options that several commands have, each defined once: the same name means the same thing.

DEVELOPERS.md lists them. What belongs together comes to a command as one object.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial, wraps
from typing import TYPE_CHECKING, NamedTuple

import click

from host_tools.terminal import marks

if TYPE_CHECKING:
    from paramstore.files.forms import Form, WriteOptions
    from paramstore.layout.plan import Plan

__all__ = [
    "BusOptions",
    "ImageOptions",
    "InputOptions",
    "ValueOptions",
    "address",
    "backup_option",
    "batch_option",
    "bus_options",
    "defaults_option",
    "encoded",
    "file_option",
    "fill_byte",
    "gathered",
    "image_options",
    "input_form_option",
    "input_options",
    "json_option",
    "output_option",
    "outside_text",
    "page_option",
    "picture_option",
    "range_options",
    "records_option",
    "release_option",
    "serial_option",
    "unlock_option",
    "used_pages_option",
    "value_options",
    "values_option",
    "write_options",
]

Command = Callable[..., int]
"""What runs as a command; returns its exit code."""
Decorator = Callable[[Command], Command]


def gathered(name: str, kind: type, *options: Decorator) -> Decorator:
    """Return what adds options to a command; it gets their values as one object, the keyword
    `name`: a NamedTuple `kind`, whose fields have the names of the options."""
    fields = kind._fields  # type: ignore[attr-defined]

    def decorate(command: Command) -> Command:
        @wraps(command)
        def with_object(**given: object) -> int:
            own = {field: given.pop(field) for field in fields if field in given}
            return command(**given, **{name: kind(**own)})

        result: Command = with_object
        for option in reversed(options):
            result = option(result)
        return result

    return decorate


def address(text: str) -> int:
    """Return a number in decimal, or hexadecimal with `0x`; a usage error if it is none."""
    try:
        number = int(text, 0)
    except ValueError:
        raise click.BadParameter(f"`{text}` is no number; write 4096 or 0x1000") from None
    if number < 0:
        raise click.BadParameter(f"`{text}` is less than 0")
    return number


# ---- What is written ----------------------------------------------------------------------------


def _mark_file(context: click.Context, parameter: click.Parameter, path: str | None) -> str | None:
    if path == "-":
        marks(file=True)
    return path


def file_option(*names: str, help: str, metavar: str = "FILE", required: bool = False,
                default: str | None = None) -> Decorator:
    """Return an option that names what is written; `-` is stdout, and the report goes to stderr."""
    named = partial(click.option, *names, metavar=metavar, help=help, required=required,
                    is_eager=True, callback=_mark_file)
    return named() if default is None else named(default=default, show_default=True)


def output_option(help: str, *, required: bool = False, default: str | None = None) -> Decorator:
    """Return `-o`, which names what a command makes."""
    return file_option("-o", "--output", metavar="PATH", help=help, required=required,
                       default=default)


def _mark_json(context: click.Context, parameter: click.Parameter, asked: bool) -> None:
    marks(json=asked)


json_option = click.option("--json", is_flag=True, is_eager=True, expose_value=False,
                           callback=_mark_json, help="Write the report as JSON.")
page_option = file_option("--html", "page", help="Also write the report as a page: one HTML file "
                          "that needs nothing else.")
picture_option = file_option("--svg", "picture", help="Also draw the report as a picture.")
form_option = click.option("--format", "form_name", metavar="FORM",
                           help="Form of the file that is written: bin, hex, srec, uf2, c or text "
                           "(default: by its suffix; bin for `-`).")
offset_option = click.option("--offset", type=address, default="0", metavar="ADDRESS",
                             help="Where the part begins in the file that is written.")
used_pages_option = click.option("--used-pages", is_flag=True,
                                 help="Leave out the pages that the store does not use; raw "
                                 "binary and a C array end behind the last one that it uses.")


class ImageOptions(NamedTuple):
    """The image file that a command writes, and what its form needs."""

    output: str | None = None
    form_name: str | None = None
    offset: int = 0
    family: int | None = None
    fill: int | None = None
    name: str = "eeprom_image"
    used_pages: bool = False

    @property
    def form(self) -> Form:
        """The form of the file; ToolError if nothing tells it."""
        from paramstore.files.forms import form_of

        name = "bin" if self.output == "-" and self.form_name is None else self.form_name
        return form_of(self.output or "", name)


def image_options(help: str, *more: Decorator, required: bool = False) -> Decorator:
    """Return the options of an image file, which a command gets as `image`."""
    return gathered(
        "image", ImageOptions, output_option(help, required=required), form_option, offset_option,
        click.option("--family", type=address, metavar="ID",
                     help="Family ID of the controller that takes a UF2 file."),
        click.option("--fill", type=address, metavar="BYTE",
                     help="Byte for addresses without content, where the form has no gaps "
                     "(default for unused pages: 0xFF)."),
        click.option("--name", metavar="NAME", default="eeprom_image", help="Name of the C array."),
        *more)


# ---- What is read -------------------------------------------------------------------------------


class InputOptions(NamedTuple):
    """What a person says of a dump or image that is read."""

    input_format: str | None = None
    input_words: str | None = None
    input_offset: int | None = None
    release: int | None = None


release_option = click.option("--release", type=int, metavar="N",
                              help="Take release N instead of the schema as it stands.")
input_form_option = click.option("--input-format", metavar="FORM",
                                 help="Form of the file that is read: bin, hex, srec, uf2, c or "
                                 "text (default: by its content).")


def input_options(*more: Decorator) -> Decorator:
    """Return the options of a dump that is read, which a command gets as `given`."""
    return gathered(
        "given", InputOptions, input_form_option,
        click.option("--input-words", type=click.Choice(["big", "little"]),
                     help="Which byte of a word comes first in the file that is read, where "
                     "nothing tells it: in a hex dump or C array of words."),
        click.option("--input-offset", type=address, metavar="ADDRESS",
                     help="Where the part begins in the file that is read."),
        *more)


def range_options(first: str, last: str) -> Decorator:
    """Return `--from` and `--to`, which name two releases; `first` and `last` are their help."""
    def decorate(command: Command) -> Command:
        command = click.option("--to", "last", type=int, metavar="N", help=last)(command)
        return click.option("--from", "first", type=int, metavar="N", help=first)(command)

    return decorate


class ValueOptions(NamedTuple):
    """Values as a person gives them: a file, settings on top of it, or both."""

    values: str | None
    settings: tuple[str, ...]


values_option = click.option("--values", metavar="FILE", help="A values file (TOML).")
settings_option = click.option(
    "--set", "settings", multiple=True, metavar="GROUP.PARAMETER=VALUE",
    help="One value, on top of the values file; may be repeated. VALUE as in a values file; quotes "
    "around texts and brackets around lists may be left out.")
value_options = gathered("wanted", ValueOptions, values_option, settings_option)
defaults_option = click.option(
    "--write-defaults", is_flag=True, help="Write a record of defaults for an identity or "
    "calibration group that got no value; without it such a group has no record, so that no unit "
    "looks calibrated that is not.")


# ---- Records and parts --------------------------------------------------------------------------

records_option = click.option("--records", metavar="FILE",
                              help="The records of production that `paramstore batch` keeps.")
batch_option = click.option("--batch", metavar="NAME", help="The name of a batch.")
serial_option = click.option("--serial", metavar="SERIAL", help="The serial number of a unit.")
unlock_option = click.option("--unlock", is_flag=True,
                             help="Change identity and calibration as well.")
backup_option = click.option("--backup", metavar="FILE",
                             help="Where the old content goes (default: STORE.before-NNNN.hex "
                             "here).")


class BusOptions(NamedTuple):
    """Where a part is."""

    bus: int | None
    message_bytes: int | None
    part_file: str | None


bus_options = gathered(
    "at", BusOptions,
    click.option("--bus", type=click.IntRange(0), metavar="N",
                 help="The part is on /dev/i2c-N of Linux."),
    click.option("--message-bytes", type=click.IntRange(3), metavar="N",
                 help="Of the adapter's longest message (default: found out)."),
    click.option("--part-file", metavar="FILE", help="The part is simulated; FILE holds its "
                 "bytes."))


def fill_byte(options: ImageOptions) -> int:
    """Return what stands for bytes that are left out; ToolError if it is no byte."""
    from paramstore.core.errors import ToolError

    fill = 0xFF if options.fill is None else options.fill
    if fill > 0xFF:
        raise ToolError(f"--fill {fill} is no byte", "give 0 to 0xFF")
    return fill


def write_options(options: ImageOptions) -> WriteOptions:
    """Return how a file is to be written; ToolError if its fill is no byte."""
    from paramstore.files.forms import WriteOptions

    return WriteOptions(options.offset, None, fill_byte(options), options.family, options.name)


def outside_text(options: ImageOptions, size: int) -> str:
    """Return what a file writes outside a part of `size` bytes, for people; "" if nothing."""
    form, fill = options.form, fill_byte(options)
    around = " and ".join(f"0x{a:X} to 0x{b - 1:X}"
                          for a, b in form.fill_outside(options.offset, size))
    return (f"{form.title} is written in blocks of {form.block} bytes: the file also writes "
            f"0x{fill:02X} to {around}, outside the part") if around else ""


def encoded(image: bytes, plan: Plan, options: ImageOptions) -> bytes:
    """Return the file that holds an image; ToolError for what its form cannot say."""
    from paramstore.files.forms import encode_image
    from paramstore.image.pack import used_ranges

    ranges = used_ranges(plan) if options.used_pages else None
    return encode_image(image, options.form, write_options(options)._replace(ranges=ranges))
