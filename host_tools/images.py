"""What commands that write an image share: the file in its form."""

from __future__ import annotations

from typing import TYPE_CHECKING

from host_tools.options import ImageOptions

if TYPE_CHECKING:
    from paramstore.files.forms import WriteOptions
    from paramstore.layout.plan import Plan

__all__ = ["encoded", "fill_byte", "outside_text", "write_options"]


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
