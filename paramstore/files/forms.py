"""Image files: a whole EEPROM as bytes, to and from the forms people store it in.

The way into this package: which forms there are, which one a file has, and how what a file says
lies on a part. A file that is not what its form demands is refused with the place, never read as
something else. Must not know rings or schemas.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from importlib import import_module
from pathlib import PurePath
from typing import NamedTuple, Protocol, cast

from paramstore.core.errors import Finding, FindingsError, SourceText, ToolError
from paramstore.core.words import plural
from paramstore.files.runs import (
    READ_DEFAULTS,
    Reading,
    ReadOptions,
    Run,
    WriteOptions,
    filled,
    flatten,
)

__all__ = ["FORMS", "Dump", "Form", "ReadOptions", "WriteOptions", "decode_image", "encode_dump",
           "encode_image", "form_of", "lay_on_part", "read_dump", "refuse_elsewhere",
           "without_fill"]


class Dump(NamedTuple):
    """What a file says about an EEPROM: `data` from address 0 on.

    `gaps` are the (first, past the last) addresses inside `data` that the file does not give;
    they read as FF.
    """

    data: bytes
    gaps: tuple[tuple[int, int], ...] = ()


class Form(NamedTuple):
    """One file form. `module` of this package reads and writes it. `addressed`: it can have an
    offset. `gaps`: it can leave out any byte. `pasted`: people paste it as text, perhaps with
    markup around it, and its numbers may be words. `block`: it writes blocks of so many bytes,
    aligned to their size."""

    name: str
    title: str
    suffixes: tuple[str, ...]
    module: str
    addressed: bool
    gaps: bool
    pasted: bool = False
    block: int = 1

    def fill_outside(self, offset: int, size: int) -> tuple[tuple[int, int], ...]:
        """Return the (first, past the last) addresses before and behind `size` bytes from `offset`
        on that a file of the form fills, so that its blocks are whole."""
        end = offset + size
        around = (offset - offset % self.block, offset), (end, end + -end % self.block)
        return tuple((a, b) for a, b in around if a < b)


FORMS: dict[str, Form] = {
    form.name: form
    for form in (
        Form("bin", "raw binary", (".bin",), "binary", False, False),
        Form("hex", "Intel HEX", (".hex", ".ihex", ".ihx"), "intel_hex", True, True),
        Form("srec", "Motorola S-record", (".srec", ".s19", ".s28", ".s37", ".mot"), "s_record",
             True, True),
        Form("uf2", "UF2", (".uf2",), "uf2", True, False, block=256),
        Form("c", "C array", (".c", ".h", ".inc"), "c_array", False, False, True),
        Form("text", "hex dump text", (".txt", ".log"), "text_dump", True, True, True),
    )
}


def form_of(path: str, name: str | None = None, *, choice: bool = True) -> Form:
    """Return the form called `name`, or if that is None the one that the suffix of `path` tells.
    `choice`: a person may give a name.

    Raises ToolError if there is none.
    """
    if name is not None:
        if name in FORMS:
            return FORMS[name]
        raise ToolError(f"there is no file form `{name}`", f"use one of: {', '.join(FORMS)}")
    suffix = PurePath(path).suffix.lower()
    for form in FORMS.values():
        if suffix in form.suffixes:
            return form
    known = ", ".join(s for form in FORMS.values() for s in form.suffixes)
    option = f"--format ({' or '.join(FORMS)}), or " if choice else ""
    raise ToolError(f"the name `{path}` does not tell the form of the file",
                    f"give {option}one of the suffixes {known}")


# ---- Out ----------------------------------------------------------------------------------------


def encode_image(image: bytes, form: Form, options: WriteOptions | None = None) -> bytes:
    """Return the content of a file that holds `image`, from address 0 of the EEPROM on.

    ToolError for what a form cannot say: an offset without addresses, UF2 without a family, an
    address past 4 GiB, a C array without a valid name.
    """
    options = options or WriteOptions()
    _check_options(form, options, len(image))
    ranges = options.ranges if options.ranges is not None else ((0, len(image)),)
    runs = [Run(options.offset + first, image[first:end]) for first, end in _merged(ranges)]
    return _module(form).write(runs, options)


def encode_dump(dump: Dump, form: Form, options: WriteOptions, fill: int | None) -> bytes:
    """Return the content of a file that holds a dump, leaving out its gaps; `fill` stands in
    them in a form that cannot.

    ToolError if it needs a fill and there is none; else as `encode_image`.
    """
    if not dump.gaps:
        return encode_image(dump.data, form, options)
    if form.gaps:
        edges = [0, *(edge for gap in dump.gaps for edge in gap), len(dump.data)]
        there = tuple((a, b) for a, b in zip(edges[::2], edges[1::2], strict=True) if a < b)
        return encode_image(dump.data, form, options._replace(ranges=there))
    if fill is None:
        count = sum(end - first for first, end in dump.gaps)
        raise ToolError(
            f"{form.title} cannot leave out the {plural(count, 'byte')} that the dump lacks",
            "give what shall stand there with --fill, or choose a form with gaps: "
            + _names(f for f in FORMS.values() if f.gaps))
    return encode_image(filled(dump.data, dump.gaps, fill), form, options._replace(fill=fill))


class _FormModule(Protocol):
    """What a module of a form offers."""

    def read(self, content: bytes, path: str, options: ReadOptions, /) -> Reading:
        """Return what a file says."""
        ...

    def write(self, runs: Sequence[Run], options: WriteOptions) -> bytes:
        """Return a file that says this."""
        ...


def _module(form: Form) -> _FormModule:
    """Return the module of a form; loaded when it is needed."""
    return cast("_FormModule", import_module(f"paramstore.files.{form.module}"))


def _merged(ranges: Iterable[tuple[int, int]]) -> list[tuple[int, int]]:
    merged: list[tuple[int, int]] = []
    for first, end in sorted(ranges):
        if merged and first <= merged[-1][1]:
            merged[-1] = merged[-1][0], max(end, merged[-1][1])
        else:
            merged.append((first, end))
    return merged


def _check_options(form: Form, options: WriteOptions, size: int) -> None:
    if options.offset and not form.addressed:
        raise ToolError(f"{form.title} has no addresses, so no offset either",
                        "choose a form with addresses: "
                        + _names(f for f in FORMS.values() if f.addressed))
    if options.offset < 0 or options.offset + size > 1 << 32:
        at = f"0x{options.offset:X}" if options.offset >= 0 else str(options.offset)
        raise ToolError(f"the image does not fit at {at}", "addresses have 32 bits, from 0 on")


def _names(forms: Iterable[Form]) -> str:
    return ", ".join(form.name for form in forms)


# ---- In -----------------------------------------------------------------------------------------

_MOST_TEXT = 1 << 23
"""The longest text that is read: 64 letters for each byte of the largest part."""


def read_dump(content: bytes, path: str, form: Form | None = None,
              options: ReadOptions = READ_DEFAULTS) -> Reading:
    """Return what a file says; without a `form`, that is told by the content.

    A `form` that the content plainly contradicts is refused.

    FindingsError (PS62x, PS63x) with every place where the file is not what it should be.
    """
    if not content:
        raise FindingsError([Finding("PS620", f"`{path}` is empty", SourceText(path, ""),
                                     help="read the part again")])
    from paramstore.files.recognise import recognise, without_utf16

    if form is None or form.name != "bin":
        content = without_utf16(content)
    if form is None or form.pasted:
        content = _without_markup(content)
    if form is None:
        form = FORMS[recognise(content, path)]
    else:
        _refuse_other_form(content, path, form)
    if form.pasted and len(content) > _MOST_TEXT:
        raise FindingsError([Finding(
            "PS626", f"the text has {len(content)} bytes: that is no dump of one EEPROM",
            SourceText(path, ""), help="cut out the dump of the EEPROM")])
    return _module(form).read(content, path, options)


def _without_markup(content: bytes) -> bytes:
    from paramstore.files.recognise import is_text

    if not is_text(content) or len(content) > _MOST_TEXT:
        return content
    from paramstore.files.encoded import without_markup

    return without_markup(content)


def _refuse_other_form(content: bytes, path: str, form: Form) -> None:
    """Refuse a text read as bytes, or bytes read as a text, where there is no doubt about it."""
    from paramstore.files.recognise import recognise

    try:
        shown = FORMS[recognise(content, path)]
    except FindingsError:
        return
    plain = {"hex", "srec", "uf2"} if form.name == "bin" else {"bin", "uf2"}
    if shown is not form and shown.name in plain:
        raise FindingsError([Finding(
            "PS628", f"`{path}` is {shown.title}, not {form.title}", SourceText(path, ""),
            help=f"give --input-format {shown.name}")])


def lay_on_part(reading: Reading, capacity: int, offset: int = 0) -> Dump:
    """Return how a file lies on a part of `capacity` bytes whose first byte it calls `offset`.

    Without addresses a dump keeps its own length from `offset` on; with them it is filled up to
    `capacity`. FindingsError (PS626) for data outside the part.
    """
    if not reading.addressed:
        refuse_elsewhere(reading, capacity, offset)
        return Dump(flatten(reading.runs, 0, reading.end)[0][offset:])
    reading = without_fill(reading, capacity, offset)
    outside = [r for r in reading.runs if r.address < offset or r.end > offset + capacity]
    if outside:
        raise FindingsError([_outside(reading, outside, capacity, offset)])
    return Dump(*flatten(reading.runs, offset, offset + capacity))


def without_fill(reading: Reading, capacity: int, offset: int) -> Reading:
    """Return what a file says without the fill that its form puts around a part of `capacity` bytes
    from `offset` on: bytes of one value in blocks that the part begins or ends in."""
    around = FORMS[reading.form].fill_outside(offset, capacity)
    if not around:
        return reading
    runs = []
    for run in reading.runs:
        for first, end in around:
            low, high = max(run.address, first) - run.address, min(run.end, end) - run.address
            piece = run.data[max(low, 0):max(high, 0)]
            if low < high and piece.count(piece[0]) == len(piece):
                run = (run._replace(data=run.data[:low]) if low else
                       run._replace(address=run.address + high, data=run.data[high:]))
        if run.data:
            runs.append(run)
    return reading._replace(runs=tuple(runs))


def refuse_elsewhere(reading: Reading, size: int, offset: int) -> None:
    """Refuse an offset from which on a file has none of `size` bytes: FindingsError (PS626)."""
    if not any(r.address < offset + size and r.end > offset for r in reading.runs):
        raise FindingsError([Finding(
            "PS626", f"the file goes from 0x{reading.start:X} to 0x{reading.end - 1:X} and has "
            f"nothing of {plural(size, 'byte')} from 0x{offset:X} on", reading.source,
            help="give the address at which the first byte lies with --input-offset")])


def _outside(reading: Reading, outside: Sequence[Run], capacity: int, offset: int) -> Finding:
    label, help = "the first record beyond", "give the schema of this part; its first byte has"
    if reading.end > offset + capacity:
        message = f"the file goes on to 0x{reading.end - 1:X}, past the part's {capacity} bytes"
    else:
        message = f"the file begins at 0x{reading.start:X}, before the part"
    return Finding("PS626", message, reading.source, outside[0].span, label,
                   help=f"{help} address {'0' if not offset else f'0x{offset:X}'}")


def decode_image(content: bytes, form: Form, path: str, capacity: int) -> Dump:
    """Return what a file says of a part of `capacity` bytes from 0 on; see `lay_on_part`."""
    return lay_on_part(read_dump(content, path, form), capacity)
