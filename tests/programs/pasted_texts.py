"""Writes the corpus of pasted dumps: bytes of three stores and a fixed layout in each shape that
people paste, and counts how each is read.

    python -m tests.programs.pasted_texts --corpus     write tests/corpus/pasted anew
    python -m tests.programs.pasted_texts --to FILE    read it, and keep the figures

The shapes are made by programs outside this project where there are such (od, xxd, hexdump,
base64), else by the standard library of Python. A text is either read as the bytes it was made of,
or refused with an error; read as anything else, it is *misread*, and there must be none. `figures/
pasted_texts.txt` is what a run kept.
"""

from __future__ import annotations

import argparse
import base64
import io
import random
import shlex
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NamedTuple
from urllib.parse import quote_from_bytes

from paramstore.core.disk import read_text
from paramstore.core.errors import FindingsError, SourceText
from paramstore.files.forms import ReadOptions, read_dump
from paramstore.files.runs import flatten
from paramstore.image.pack import pack
from paramstore.layout.place import make_plan
from paramstore.layout.plan import Plan
from paramstore.schema.reader import read_schema
from tests.inspect.scenes import SCHEMA
from tests.schema.fixed.legacy import legacy

ROOT = Path(__file__).parents[2]
CORPUS = ROOT / "tests" / "corpus" / "pasted"
SIZE = 160
"""Bytes of each text: labels, and what comes first behind them."""
MAGIC = b"PSL\xd5"

Maker = Callable[[bytes], str]


class Outcome(NamedTuple):
    """How a text was read: "read", "refused" or "misread", and with which code."""

    name: str
    store: str
    what: str
    code: str = ""


# ---- Shapes -------------------------------------------------------------------------------------


def _program(command: str) -> Maker:
    def make(data: bytes) -> str:
        with tempfile.NamedTemporaryFile(suffix=".bin") as file:
            file.write(data)
            file.flush()
            return subprocess.run([*command.split(), file.name], capture_output=True, check=True,
                                  text=True).stdout.replace(file.name, "x.bin").replace(
                                      file.name.replace("/", "_").replace(".", "_"), "x_bin")
    return make


def _rows(data: bytes, size: int) -> Iterator[tuple[int, bytes]]:
    for at in range(0, len(data), size):
        yield at, data[at:at + size]


def _letters(data: bytes) -> str:
    return "".join(chr(b) if 0x20 <= b < 0x7F else "." for b in data)


def _lines(form: str, size: int = 16, base: int = 0, value: str = "{:02x}", between: str = " "
           ) -> Maker:
    """Lines of a form with {at}, {v} for the values and {t} for the letters."""
    def make(data: bytes) -> str:
        width = size * len(value.format(0) + between) - len(between)
        return "".join(form.format(
            at=base + at, v=between.join(value.format(b) for b in row).ljust(width),
            t=_letters(row), n=at // size) + "\n" for at, row in _rows(data, size))
    return make


def _list(form: str, value: str = "0x{:02x}", between: str = ", ", size: int = 12) -> Maker:
    """A list with {v} for the values."""
    def make(data: bytes) -> str:
        return form.format(v=(between.rstrip(" ") + "\n  ").join(
            between.join(value.format(b) for b in row) for _, row in _rows(data, size)),
            size=len(data))
    return make


def _signed(data: bytes, form: str) -> str:
    return form.format(v=", ".join(str(b - 256 if b > 127 else b) for b in data))


def _c_string(data: bytes, escape: str, size: int) -> str:
    return "\n".join('"' + "".join(escape.format(b) for b in row) + '"'
                     for _, row in _rows(data, size))


def _wrapped(text: str, size: int = 64) -> str:
    return "\n".join(text[at:at + size] for at in range(0, len(text), size)) + "\n"


def _markup(data: bytes) -> str:
    rows = _lines("{at:04X}: {v}  {t}")(data).replace("&", "&amp;").replace("<", "&lt;").replace(
        ">", "&gt;")
    return "<html><body><pre>\n" + rows + "</pre></body></html>\n"


def _breaks(data: bytes) -> str:
    return "<p>" + _lines("{at:04X}:&nbsp;{v}<br>", between="&nbsp;")(data) + "</p>\n"


def _cells(data: bytes) -> str:
    return "<table>\n" + _lines("<tr><td>{at:04X}:</td><td>{v}</td></tr>")(data) + "</table>\n"


def _gdb(data: bytes, value: str) -> str:
    return "".join(f"0x{0x20000000 + at:x} <eeprom+{at}>:\t" + "\t".join(
        value.format(b) for b in row) + "\n" for at, row in _rows(data, 8))


def _octal(byte: int) -> str:
    return f"0{byte:o}" if byte else "0"


def _stars(data: bytes) -> str:
    return _program("hexdump -C")(data[:64] + b"\xff" * 64 + data[64:96])


def _noise(data: bytes) -> str:
    chance, lines = random.Random(1), []
    for line in _lines("I (1200) ee: {at:08x}  {v}  |{t}|")(data).splitlines():
        lines.append(line)
        if chance.randrange(3) == 0:
            lines.append(chance.choice(["ready", "I (1300) wifi: connected", "T = 21.5 degC"]))
    return "\n".join(lines) + "\n"


def _quoted(make: Maker, sign: str) -> Maker:
    return lambda data: "".join(f"{sign}{line}\n" for line in make(data).splitlines())


PROGRAMS = {
    "xxd": "xxd", "xxd_upper": "xxd -u", "xxd_bytes": "xxd -g1", "xxd_words": "xxd -g4",
    "xxd_little": "xxd -e", "xxd_plain": "xxd -p", "xxd_array": "xxd -i", "xxd_binary": "xxd -b",
    "xxd_columns": "xxd -c8 -g1", "xxd_decimal": "xxd -d", "xxd_binary_wide": "xxd -b -c 8",
    "hexdump": "hexdump", "hexdump_canonical": "hexdump -C", "hexdump_octal": "hexdump -b",
    "hexdump_hex": "hexdump -x", "hexdump_all": "hexdump -v", "hexdump_characters": "hexdump -c",
    "hexdump_decimal_words": "hexdump -d", "hexdump_octal_words": "hexdump -o",
    "od": "od", "od_hex": "od -A x -t x1", "od_hex_letters": "od -A x -t x1z -v",
    "od_octal_addresses": "od -t x1", "od_decimal_addresses": "od -A d -t x1",
    "od_no_addresses": "od -A n -t x1 -v", "od_octal": "od -b", "od_octal_decimal": "od -A d -b",
    "od_decimal": "od -A d -t u1", "od_decimal_octal": "od -t u1", "od_decimal_x": "od -A x -t u1",
    "od_decimal_letters": "od -A d -t u1z", "od_signed": "od -t d1",
    "od_eight": "od -A d -t u1 -w8",
    "od_words": "od -t x2", "od_words_4": "od -A x -t x4z", "od_decimal_words": "od -t u2",
    "od_characters": "od -c", "od_named": "od -a", "base64": "base64", "base64_one": "base64 -w0",
    "base32": "base32", "od_plain_decimal": "od -A n -t u1 -v",
}

SHAPES: dict[str, Maker] = {
    **{name: _program(command) for name, command in PROGRAMS.items()},
    # Python
    "python_bytes": lambda d: repr(d) + "\n",
    "python_named": lambda d: f"data = {d!r}\n",
    "python_bytearray": lambda d: repr(bytearray(d)) + "\n",
    "python_lines": lambda d: "data = (\n" + "\n".join(
        f"    {row!r}" for _, row in _rows(d, 16)) + "\n)\n",
    "python_fromhex": lambda d: f'bytes.fromhex("{d.hex(" ")}")\n',
    "python_fromhex_plain": lambda d: f"x = bytearray.fromhex('{d.hex()}')\n",
    "python_fromhex_lines": lambda d: "bytes.fromhex(\n" + "\n".join(
        f'    "{row.hex(" ")}"' for _, row in _rows(d, 16)) + "\n)\n",
    "python_fromhex_triple": lambda d: 'bytes.fromhex("""\n' + "\n".join(
        row.hex(" ") for _, row in _rows(d, 16)) + '\n""")\n',
    "python_unhexlify": lambda d: f"binascii.unhexlify('{d.hex()}')\n",
    "python_list": lambda d: f"{list(d)}\n",
    "python_bytes_list": lambda d: f"bytes({list(d)})\n",
    "python_hex_list": lambda d: f"{[hex(b) for b in d]}\n".replace("'", ""),
    "python_hex_texts": lambda d: f"{[hex(b) for b in d]}\n",
    "python_tuple": lambda d: f"{tuple(d)}\n",
    "python_base64": lambda d: f'base64.b64decode("{base64.b64encode(d).decode()}")\n',
    "python_escapes": lambda d: 'b"' + "".join(f"\\x{b:02x}" for b in d) + '"\n',
    "python_text": lambda d: '"' + "".join(f"\\x{b:02x}" for b in d) + '"\n',
    # C and its relatives
    "c_array": _list("uint8_t eeprom[{size}] = {{\n  {v}\n}};\n"),
    "c_array_const": _list("static const unsigned char eeprom[] = {{\n  {v}\n}};\n", "0x{:02X}"),
    "c_array_decimal": _list("uint8_t eeprom[] = {{\n  {v}\n}};\n", "{}"),
    "c_array_padded": _list("uint8_t eeprom[] = {{\n  {v}\n}};\n", "{:3}"),
    "c_array_suffix": _list("uint8_t eeprom[] = {{\n  {v}\n}};\n", "0x{:02x}u"),
    "c_array_octal": lambda d: "uint8_t e[] = {" + ", ".join(map(_octal, d)) + "};\n",
    "c_array_zeros": _list("uint8_t eeprom[] = {{\n  {v}\n}};\n", "{:03}"),
    "c_casts": _list("const char eeprom[] = {{\n  {v}\n}};\n", "(char)0x{:02x}"),
    "c_casts_unsigned": _list("u8 e[] = {{ {v} }};\n", "(unsigned char) 0x{:02X}"),
    "c_casts_uint8": _list("uint8_t e[] = {{ {v} }};\n", "(uint8_t)0x{:02x}u"),
    "c_signed": lambda d: _signed(d, "signed char e[] = {{{v}}};\n"),
    "c_string": lambda d: "const char e[] =\n" + _c_string(d, "\\x{:02x}", 16) + ";\n",
    "c_string_octal": lambda d: "char e[] = " + _c_string(d, "\\{:03o}", 400) + ";\n",
    "c_string_alone": lambda d: _c_string(d, "\\x{:02X}", 400) + "\n",
    "c_comments": lambda d: "uint8_t e[] = {\n" + _lines("  {v}, // {at:04x} {t}", value="0x{:02x}",
                                                         between=", ")(d) + "};\n",
    "braces": _list("{{ {v} }}\n", "0x{:02x}"),
    "java": lambda d: "byte[] e = new byte[] {" + ", ".join(f"(byte)0x{b:02x}" for b in d) + "};\n",
    "java_signed": lambda d: _signed(d, "byte[] e = {{{v}}};\n"),
    "rust": _list("let e: [u8; {size}] = [{v}];\n", "0x{:02x}u8"),
    "go": _list("e := []byte{{{v}}}\n", "0x{:02x}"),
    "json": lambda d: '{"eeprom": ' + f"{list(d)}" + "}\n",
    "json_hex": lambda d: '{"eeprom": "' + d.hex() + '"}\n',
    "json_base64": lambda d: '{"eeprom": "' + base64.b64encode(d).decode() + '"}\n',
    "assembler_byte": _lines(".byte {v}", value="0x{:02x}", between=", "),
    "assembler_db": _lines("    db {v}", value="0{:02X}h", between=","),
    "assembler_dollar": _lines("table{n}: .db {v}", value="${:02X}", between=","),
    "basic": _list("{v}\n", "&H{:02X}"),
    # Plain
    "numbers": _list("{v}\n"), "numbers_decimal": _list("{v}\n", "{}"),
    "numbers_zeros": _list("{v}\n", "{:03}"), "numbers_hex_h": _list("{v}\n", "0{:02X}h"),
    "pairs_commas": _list("{v}\n", "{:02X}"), "pairs": _lines("{v}"),
    "pairs_one_line": lambda d: d.hex(" ") + "\n", "pairs_colons": lambda d: d.hex(":") + "\n",
    "pairs_dashes": lambda d: d.hex("-").upper() + "\n", "packed": lambda d: _wrapped(d.hex()),
    "packed_one": lambda d: d.hex() + "\n", "packed_0x": lambda d: "0x" + d.hex() + "\n",
    "packed_sql": lambda d: f"X'{d.hex().upper()}'\n", "escapes": lambda d: "".join(
        f"\\x{b:02x}" for b in d) + "\n",
    "packed_address": lambda d: "".join(f"{at:04X}:{row.hex()}\n" for at, row in _rows(d, 16)),
    "words_commas": lambda d: ", ".join(f"0x{d[i + 1]:02x}{d[i]:02x}" for i in range(
        0, len(d), 2)) + "\n",
    "decimal_lines": _lines("{v}", value="{}"), "decimal_padded": _lines("{v}", value="{:3}"),
    "decimal_zeros": _lines("{v}", value="{:03}"),
    # With addresses
    "table_tab": _lines("{at}\t{v}", 1, value="{}"),
    "table_colon": _lines("{at}: {v}", 1, value="{}"),
    "table_hex": _lines("0x{at:04x}\t{v}", 1, value="0x{:02x}"),
    "table_equals": _lines("{at:04x} = {v}", 1),
    "csv": _lines("{at},{v}", 1, value="{}"),
    "csv_hex": _lines("0x{at:04X},{v}", 1, value="0x{:02X}"),
    "csv_head": lambda d: "address;value\n" + _lines("{at:04X};{v}", 1)(d),
    "csv_quoted": _lines('"{at}","{v}"', 1, value="{}"),
    "csv_rows": lambda d: "addr," + ",".join(f"{i:X}" for i in range(16)) + "\n" + _lines(
        "{at:04X},{v}", between=",")(d),
    "csv_rows_decimal": _lines("{at};{v}", value="{}", between=";"),
    "csv_both": _lines("{at},{v}", 1, value="0x{0:02x},{0}"),
    "debugger_hex": lambda d: _gdb(d, "0x{:02x}"), "debugger_decimal": lambda d: _gdb(d, "{}"),
    "debugger_octal": lambda d: "".join(
        f"0x{0x20000000 + at:x} <e+{at}>:\t" + "\t".join(map(_octal, row)) + "\n"
        for at, row in _rows(d, 8)),
    "debugger_binary": lambda d: _gdb(d, "{:08b}"),
    "debugger_signed": lambda d: "".join(
        f"0x{0x20000000 + at:x}:\t" + "\t".join(str(b - 256 * (b > 127)) for b in row) + "\n"
        for at, row in _rows(d, 8)),
    "monitor": _lines("{at:08x}: {v}    {t}", base=0x80000000),
    "bars": _lines("{at:04X} | {v} | {t}"), "angle": _lines("{at:06x} {v}  >{t}<"),
    "brackets": _lines("[{at:04x}] {v}"), "quotes": _lines("{at:04x}: {v} '{t}'"),
    "h_addresses": _lines("{at:04X}h: {v}"), "x_addresses": _lines("0x{at:08X}:  {v}"),
    "dash": _lines("{at:04x} - {v}"), "capital_wide": _lines("{at:08X}  {v}  {t}", 32),
    "eight": _lines("{at:03x}: {v}", 8), "four": _lines("{at:02x}: {v}", 4),
    "hex_0x": _lines("{at:04x}: {v}", value="0x{:02X}"),
    "two_halves": lambda d: "".join(f"{at:08x}  {row[:8].hex(' ')}  {row[8:].hex(' ')}  "
                                    f"{_letters(row)}\n" for at, row in _rows(d, 16)),
    "numbered_lines": _quoted(_lines("{at:04x}: {v}"), "   7| "),
    "mail": _quoted(_lines("{at:04x}: {v}  |{t}|"), "> "),
    "log": _lines("I (1200) ee: {at:08x}  {v}  |{t}|"), "log_noise": _noise,
    "time": _lines("12:34:00.{n:03} -> {at:04X}: {v}"),
    "coloured": _lines("\x1b[32m{at:04x}\x1b[0m: {v}"),
    # In another alphabet
    "percent": lambda d: "".join(f"%{b:02X}" for b in d) + "\n",
    "percent_mixed": lambda d: quote_from_bytes(d) + "\n",
    "entities": lambda d: "".join(f"&#{b};" for b in d) + "\n",
    "entities_hex": lambda d: "".join(f"&#x{b:02x};" for b in d) + "\n",
    "base64_url": lambda d: base64.urlsafe_b64encode(d).decode() + "\n",
    "base64_armour": lambda d: "-----BEGIN DATA-----\n" + _wrapped(
        base64.b64encode(d).decode()) + "-----END DATA-----\n",
    "data_url": lambda d: "data:application/octet-stream;base64," + base64.b64encode(
        d).decode() + "\n",
    "ascii85": lambda d: base64.a85encode(d, adobe=True).decode() + "\n",
    "uuencode": lambda d: _uuencoded(d), "markup_pre": _markup, "markup_breaks": _breaks,
    "markup_cells": _cells,
    "quoted_printable": lambda d: _printable(d),
}


def _uuencoded(data: bytes) -> str:
    import binascii
    return "begin 644 x.bin\n" + "".join(
        binascii.b2a_uu(row).decode() for _, row in _rows(data, 45)) + "`\nend\n"


def _printable(data: bytes) -> str:
    import quopri
    out = io.BytesIO()
    quopri.encode(io.BytesIO(data), out, True)
    return out.getvalue().decode()


# ---- Stores -------------------------------------------------------------------------------------


def _plan(source: SourceText) -> Plan:
    return make_plan(read_schema(source)[0])


def stores() -> dict[str, bytes]:
    """Return the first bytes of three stores, and of a fixed layout without any check."""
    schemas = ROOT / "schemas"
    tank = _plan(read_text(schemas / "tank_probe.toml"))
    dimmer = _plan(read_text(schemas / "minimal.toml"))
    bench = _plan(SourceText("bench_unit.toml", SCHEMA))
    images = {"tank_probe": pack(tank, {}, defaults=True),
              "minimal": pack(dimmer, {}, defaults=True),
              "bench_unit": pack(bench, {"identity": {"serial": (70_012,)},
                                         "curve": {"steps": tuple(range(40))}})}
    return {**{n: image[:SIZE] for n, image in images.items()}, "fixed": legacy()[:SIZE]}


def write_corpus() -> None:
    """Write the bytes of each store, and every shape of them, to one file for each store: a line
    with name and length in bytes, then the text."""
    CORPUS.mkdir(parents=True, exist_ok=True)
    for store, data in stores().items():
        parts = [("content", data.hex() + "\n")] + [(n, make(data)) for n, make in SHAPES.items()]
        (CORPUS / f"{store}.txt").write_bytes(b"".join(
            f"=== {name} {len(text.encode())}\n{text}\n".encode() for name, text in parts))


def corpus() -> Iterator[tuple[str, str, bytes, bytes]]:
    """Yield store, name, text and content of each text of the corpus."""
    for path in sorted(CORPUS.glob("*.txt")):
        rest, content = path.read_bytes(), b""
        while rest:
            head, _, rest = rest.partition(b"\n")
            _, name, size = head.decode().split(" ")
            text, rest = rest[:int(size)], rest[int(size) + 1:]
            if name == "content":
                content = bytes.fromhex(text.decode())
            else:
                yield path.stem, name, text, content


# ---- Reading ------------------------------------------------------------------------------------


def outcome(store: str, name: str, text: bytes, data: bytes) -> Outcome:
    """Return how one text of the corpus is read."""
    try:
        found = read_dump(text, name, options=ReadOptions(recognises=lambda d: MAGIC in d))
    except FindingsError as error:
        return Outcome(name, store, "refused", error.findings[0].code)
    read, gaps = flatten(found.runs, found.start, found.end)
    return Outcome(name, store, "read" if read == data and not gaps else "misread")


def outcomes() -> list[Outcome]:
    """Return how all texts of the corpus are read, store by store."""
    return [outcome(*text) for text in corpus()]


def figures(found: list[Outcome]) -> str:
    """Return counts, and which shapes are refused."""
    counts = Counter(o.what for o in found)
    lines = [f"{len(found)} texts in {len({o.name for o in found})} shapes, "
             f"of {len({o.store for o in found})} contents",
             *(f"{counts[what]:>6}  {what}" for what in ("read", "refused", "misread")), ""]
    refused: dict[str, list[str]] = {}
    for o in found:
        if o.what != "read":
            refused.setdefault(f"{o.name} ({o.what} {o.code})", []).append(o.store)
    lines += [f"{name}: {', '.join(names)}" for name, names in sorted(refused.items())]
    return "\n".join(lines) + "\n"


def main(arguments: list[str]) -> None:
    """Write the corpus, or read it and print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--corpus", action="store_true", help="write the corpus anew")
    parser.add_argument("--to", type=Path, metavar="FILE", help="write the figures there, too")
    options = parser.parse_args(arguments)
    if options.corpus:
        write_corpus()
    text = f"python -m tests.programs.pasted_texts {shlex.join(arguments)}\n" + figures(outcomes())
    print(text, end="")
    if options.to:
        options.to.write_text(text, "utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
