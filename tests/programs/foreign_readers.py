"""Let tools that are not ours read every form of an image back, and say which ones did.

    python -m tests.programs.foreign_readers

The tests read most forms with libraries. Here it is programs that many people have: objcopy, xxd,
a C compiler, and node with the package `uf2` (in a folder that NODE_PATH names). What is not
installed is said.
"""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

from paramstore.core.disk import read_text
from paramstore.files.forms import FORMS, WriteOptions, encode_image
from paramstore.image.pack import pack
from paramstore.image.values import read_values
from paramstore.releases.project import open_project

__all__ = ["main", "readers"]

SCHEMAS = Path(__file__).parents[2] / "schemas"
OFFSET, FAMILY = 0x0800_0000, 0xE48BFF56
UF2 = """
const fs = require('fs'), { decodeBlock } = require('uf2');
const [OFFSET, FAMILY] = process.argv.slice(3).map(Number);
const data = fs.readFileSync(process.argv[1]), parts = [];
for (let at = 0; at < data.length; at += 512) {
  const block = decodeBlock(data.subarray(at, at + 512));
  if (block.flashAddress !== OFFSET + 256 * block.blockNumber || block.boardFamily !== FAMILY ||
      block.totalBlocks !== data.length / 512) process.exit(1);
  parts.push(Buffer.from(block.payload));
}
fs.writeFileSync(process.argv[2], Buffer.concat(parts));
"""
Reader = Callable[[Path, Path], list[list[str]]]
"""The commands that make a binary file (second) from an image file (first)."""


def readers() -> Iterator[tuple[str, str, WriteOptions, Reader]]:
    """Yield the form, the program, how to write the form, and the commands."""
    placed = WriteOptions(offset=OFFSET)
    for form, name in (("hex", "ihex"), ("srec", "srec")):
        yield form, "objcopy", placed, lambda image, out, name=name: [
            ["objcopy", "-I", name, "-O", "binary", str(image), str(out)]]
    yield "text", "xxd", WriteOptions(), lambda image, out: [["xxd", "-r", str(image), str(out)]]
    yield "uf2", "node", WriteOptions(offset=OFFSET, family=FAMILY), lambda image, out: [
        ["node", "-e", UF2, str(image), str(out), str(OFFSET), str(FAMILY)]]
    yield "c", "cc", WriteOptions(), _compiled


def _compiled(image: Path, out: Path) -> list[list[str]]:
    main_c = image.with_name("main.c")
    main_c.write_text(f'#include <stdio.h>\n#include "{image.name}"\nint main(void)\n{{\n'
                      "    fwrite(eeprom_image, 1, sizeof eeprom_image, stdout);\n}\n")
    program = image.with_name("program")
    return [["cc", "-o", str(program), str(main_c)], ["sh", "-c", f"{program} > {out}"]]


def _installed(program: str) -> bool:
    return shutil.which(program) is not None and (program != "node" or subprocess.run(
        ["node", "-e", "require('uf2')"], capture_output=True).returncode == 0)


def main() -> int:
    """Read every form back; return 1 if one differs."""
    plan = open_project(read_text(SCHEMAS / "tank_probe.toml")).plan
    values = read_values(plan.schema, read_text(SCHEMAS / "tank_probe.values.toml")).values
    image = pack(plan, values)
    wrong = 0
    for form, program, options, commands in readers():
        if not _installed(program):
            print(f"{form:5} {program:8} is not installed")
            continue
        with tempfile.TemporaryDirectory() as folder:
            source, out = Path(folder) / f"image{FORMS[form].suffixes[0]}", Path(folder) / "out"
            source.write_bytes(encode_image(image, FORMS[form], options))
            done = [subprocess.run(c, capture_output=True, text=True) for c in
                    commands(source, out)]
            same = out.exists() and out.read_bytes() == image
        failed = next((d.stderr.strip().splitlines()[-1:] for d in done if d.returncode), None)
        wrong += not same
        print(f"{form:5} {program:8} {'the same bytes' if same else 'other bytes'}"
              + (f": {' '.join(failed)}" if failed is not None else ""))
    return 1 if wrong else 0


if __name__ == "__main__":
    raise SystemExit(main())
