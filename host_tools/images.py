"""What commands that write an image share: the options of its file form."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeVar

import click

from host_tools.dumps import address

if TYPE_CHECKING:
    from paramstore.files.forms import Form
    from paramstore.layout.plan import Plan

__all__ = ["ImageOptions", "defaults_option", "encoded", "family_option", "image_options",
           "name_option", "outside_text"]

Command = TypeVar("Command", bound=Callable[..., Any])


@dataclass(frozen=True, slots=True)
class ImageOptions:
    """How an image is to be written, as `image.files.WriteOptions`."""

    offset: int = 0
    family: int | None = None
    fill: int = 0xFF
    used_pages: bool = False
    name: str = "eeprom_image"


name_option = click.option("--name", metavar="NAME", default="eeprom_image", help="Of a C array.")
family_option = click.option("--family", type=address, metavar="ID",
                             help="Family ID of the controller that takes a UF2 file.")


defaults_option = click.option(
    "--write-defaults", is_flag=True, help="Write a record of defaults for an identity or "
    "calibration group that got no value; without it such a group has no record, so that no unit "
    "looks calibrated that is not.")


def image_options(command: Command) -> Command:
    """Add the options of a file form; they come as keywords of `ImageOptions`."""
    for option in (
        name_option,
        click.option("--fill", type=address, default="0xFF", metavar="BYTE",
                     help="What stands between used pages in a form that cannot leave bytes out."),
        click.option("--used-pages", is_flag=True,
                     help="Leave out the pages that nothing of the store has; raw binary and a C "
                     "array end behind the last one that it has."),
        family_option,
        click.option("--offset", type=address, default="0", metavar="ADDRESS",
                     help="Where the first byte of the part lies in the file."),
    ):
        command = option(command)
    return command


def outside_text(form: Form, offset: int, size: int, fill: int) -> str:
    """Return what a file of a form writes outside the part, for people; "" if nothing."""
    around = " and ".join(f"0x{a:X} to 0x{b - 1:X}" for a, b in form.fill_outside(offset, size))
    return (f"{form.title} is written in blocks of {form.block} bytes: the file also writes "
            f"0x{fill:02X} to {around}, outside the part") if around else ""


def encoded(image: bytes, plan: Plan, form: Form, options: ImageOptions) -> bytes:
    """Return the file that holds an image; ToolError for what its form cannot say."""
    from paramstore.core.errors import ToolError
    from paramstore.files.forms import WriteOptions, encode_image
    from paramstore.image.pack import used_ranges

    if not 0 <= options.fill <= 0xFF:
        raise ToolError(f"--fill {options.fill} is no byte", "give 0 to 0xFF")
    ranges = used_ranges(plan) if options.used_pages else None
    return encode_image(image, form, WriteOptions(
        options.offset, ranges, options.fill, options.family, options.name))
