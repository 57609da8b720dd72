"""Feeds arbitrary inputs to everything that reads a dump, and counts what becomes of them.

    python -m tests.programs.fuzz_dumps [INPUTS [SEED]]

An input is a file in no form or in a damaged one, with one schema or two: random bytes, random
text, samples with bytes changed, lost, doubled or taken from one another, and EEPROM contents with
the same done to them. Each is read, laid on a part, examined, reported and salvaged as far as it
gets. What may come out is a report or an error of the library; anything else ends the run with the
input. Input N of a SEED is always the same.
"""

from __future__ import annotations

import random
import sys
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from paramstore.decode.examine import examine
from paramstore.decode.salvage import salvage
from paramstore.decode.which import Candidate
from paramstore.errors import ParamstoreError
from paramstore.image.files import FORMS, WriteOptions, encode_image, read_dump
from paramstore.image.pack import pack
from paramstore.report.bytes import bytes_text
from paramstore.report.dump import dump_data, dump_text
from paramstore.report.salvage import salvage_text
from tests.codec.plans import EXAMPLE
from tests.decode.scenes import PLAN, used_unit

ROOT = Path(__file__).parents[2]
CANDIDATES = (Candidate("bench_unit", PLAN), Candidate("pump_drive", EXAMPLE))
_LETTERS = b"0123456789abcdefABCDEFxS:,;{}[]|*.-'\"/\\ \t\r\n\x1b\xff\0"


@dataclass
class Totals:
    """What a run did: inputs by how far they got, and the slowest one."""

    reached: Counter[str] = field(default_factory=Counter)
    slowest_s: float = 0.0
    slowest: str = ""


def seeds() -> list[bytes]:
    """Return whole files of every form, and images with a history."""
    image = bytes(used_unit("settings", 9, random.Random(1)).bench.device.memory)
    small = pack(EXAMPLE, {})
    options = WriteOptions(family=7)
    found = [p.read_bytes() for p in sorted((ROOT / "tests" / "corpus" / "dumps").iterdir())]
    found += [encode_image(small[:256], form, options) for form in FORMS.values()]
    return [*found, small, image]


def arbitrary(chance: random.Random, samples: list[bytes]) -> bytes:
    """Return one input."""
    kind = chance.randrange(8)
    if kind == 0:
        return chance.randbytes(chance.randrange(1, 400))
    if kind == 1:
        return bytes(chance.choices(_LETTERS, k=chance.randrange(1, 400)))
    data = bytearray(chance.choice(samples))
    if kind == 2 and len(data) > 600:
        at = chance.randrange(len(data) - 300)
        data = data[at:at + chance.randrange(1, 300)]
    for _ in range(chance.choice((1, 1, 2, 5, 30))):
        at, size = chance.randrange(len(data) + 1), chance.choice((1, 1, 2, 8, 40))
        match chance.randrange(6):
            case 0:
                data[at:at + size] = chance.randbytes(size)
            case 1:
                del data[at:at + size]
            case 2:
                data[at:at] = data[at:at + size]
            case 3:
                data[at:at + size] = bytes(chance.choices(_LETTERS, k=size))
            case 4:
                other = chance.choice(samples)
                start = chance.randrange(len(other))
                data[at:at + size] = other[start:start + size]
            case _:
                data[at:at + 1] = bytes([data[at] ^ 1 << chance.randrange(8)]) if (
                    at < len(data)) else b""
    return bytes(data)


def feed(content: bytes, candidates: Sequence[Candidate]) -> str:
    """Take an input as far as it goes; return how far that was."""
    try:
        reading = read_dump(content, "input")
    except ParamstoreError:
        return "refused as a file"
    try:
        found = examine(reading, candidates)
    except ParamstoreError:
        return "no schema, or outside the part"
    dump_text(found)
    dump_data(found)
    bytes_text(found)
    if found.contents.readable:
        salvage_text(salvage(found, repair=True))
        return "salvaged"
    return "reported"


def run(inputs: int, seed: int) -> Totals:
    """Feed so many inputs; whatever is not an error of the library goes through."""
    samples, totals = seeds(), Totals()
    for number in range(inputs):
        content = arbitrary(random.Random(seed << 32 | number), samples)
        chosen = CANDIDATES[number % 3:number % 3 + 1] or CANDIDATES
        start = time.perf_counter()
        try:
            totals.reached[feed(content, chosen)] += 1
        except BaseException:
            print(f"input {number} of seed {seed}: {content!r}", file=sys.stderr)
            raise
        took = time.perf_counter() - start
        if took > totals.slowest_s:
            totals.slowest_s, totals.slowest = took, f"input {number}, {len(content)} bytes"
    return totals


def main(arguments: list[str]) -> None:
    """Run and print the totals."""
    inputs = int(arguments[0]) if arguments else 100_000
    seed = int(arguments[1]) if len(arguments) > 1 else 1
    start = time.perf_counter()
    totals = run(inputs, seed)
    print(f"{inputs:,} inputs in {time.perf_counter() - start:.0f} s, seed {seed}")
    for what, count in totals.reached.most_common():
        print(f"{count:>10,}  {what}")
    print(f"slowest: {totals.slowest}, {totals.slowest_s:.3f} s")


if __name__ == "__main__":
    main(sys.argv[1:])
