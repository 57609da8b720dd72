"""Feeds arbitrary inputs to everything that reads a dump, and counts what becomes of them.

    python -m tests.programs.fuzz_dumps --inputs 1000000 --workers 2 --to FILE

An input is a file in no form or in a damaged one, with one schema or several, of stores and of a
fixed layout, by name or not: random bytes, random text, samples of every form with bytes changed,
lost, doubled or taken from one another, and EEPROM contents with the same done to them; one in
sixteen is a damaged schema, with which a sound dump is read. Each is read, in the form that it
shows or in one that is forced on it, laid on a part, examined, reported, compared and salvaged as
far as it gets. What may come out is a report or an error of the library. Anything else ends the run
with the input, and so do more than 10 seconds for one, or 1 GB for all. Input N of a SEED is always
the same. `figures/fuzz_dumps.txt` is what a run of a million kept.
"""

from __future__ import annotations

import argparse
import gc
import random
import resource
import shlex
import signal
import sys
import time
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from types import FrameType
from typing import NamedTuple

from paramstore.decode.either import Known, differences, examine_either, recogniser
from paramstore.decode.examine import Examination
from paramstore.decode.salvage import salvage
from paramstore.decode.which import Candidate, candidates_of
from paramstore.errors import ParamstoreError
from paramstore.files import read_text, source_text
from paramstore.fixed.reader import read_layout
from paramstore.image.files import FORMS, WriteOptions, encode_dump, encode_image, read_dump
from paramstore.image.forms import binary
from paramstore.image.forms.words import Order, swapped
from paramstore.image.pack import pack
from paramstore.report.either import annotated_bytes, examination_data, examination_text
from paramstore.report.findings import findings_text
from paramstore.report.places import difference_text
from paramstore.report.salvage import salvage_text
from tests.codec.plans import EXAMPLE
from tests.decode.scenes import PLAN, SCHEMA, used_unit
from tests.fixed.legacy import legacy

ROOT = Path(__file__).parents[2]
LEGACY, _ = read_layout(read_text(ROOT / "schemas" / "tank_probe.fixed.toml"))
KNOWN: tuple[Known, ...] = (
    Candidate("bench_unit", PLAN), Candidate("pump_drive", EXAMPLE), LEGACY)
MOST_S = 10
MOST_BYTES = 1 << 30
_LETTERS = b"0123456789abcdefABCDEFxS:,;{}[]|*.-'\"/\\ \t\r\n\x1b\xff\0"
_WORDS = (b"0", b"-1", b"1e400", b"nan", b"99999999999999999999", b'""', b"[]", b"{}", b"true",
          b"[[1, 2], [0, 1]]", b'"u8"', b'"curve"', b'"24LC32A"', b"0.1", b"1979-05-27")
_SHARE = 2_000
"""Inputs that a worker takes at a time."""


class Samples(NamedTuple):
    """What is damaged: whole files of every form and images with a history; schemas."""

    dumps: tuple[bytes, ...]
    schemas: tuple[bytes, ...]
    sound: bytes  # the image of a unit of `PLAN`


class Totals(NamedTuple):
    """What a run did: inputs by how far they got, the slowest one, and the memory of a worker."""

    reached: Counter[str]
    slowest_s: float = 0.0
    slowest: str = ""
    peak_bytes: int = 0


def samples() -> Samples:
    """Return what inputs are made from."""
    image = bytes(used_unit("settings", 9, random.Random(1)).bench.device.memory)
    small = pack(EXAMPLE, {}, defaults=True)
    options = WriteOptions(family=7)
    corpus = ROOT / "tests" / "corpus"
    dumps = [p.read_bytes() for p in sorted((corpus / "dumps").iterdir())]
    dumps += [encode_image(small[:256], form, options) for form in FORMS.values()]
    mistakes = [p.read_bytes() for p in sorted((corpus / "schemas").glob("*.toml"))]
    # Most of the corpus is refused undamaged, so the schema without mistakes comes as often.
    schemas = (*mistakes, *[SCHEMA.encode()] * len(mistakes))
    return Samples((*dumps, small, image, *_fixed(options)), schemas, image)


# ---- Inputs -------------------------------------------------------------------------------------


def _fixed(options: WriteOptions) -> list[bytes]:
    """Return a dump of the fixed layout in every form, and with its words the other way round."""
    sound = legacy()
    return [sound, swapped(sound, 2), *(encode_image(sound, f, options) for f in FORMS.values())]


def arbitrary(chance: random.Random, dumps: Sequence[bytes]) -> bytes:
    """Return one file."""
    kind = chance.randrange(8)
    if kind == 0:
        return chance.randbytes(chance.randrange(1, 400))
    if kind == 1:
        return bytes(chance.choices(_LETTERS, k=chance.randrange(1, 400)))
    data = bytearray(chance.choice(dumps))
    if kind < 6 and len(data) > 600:  # mostly a piece: nothing grows with the size but the time
        at = 0 if kind < 4 else chance.randrange(len(data) - 300)
        data = data[at:at + chance.randrange(1, 600)]
    for _ in range(chance.choice((1, 1, 2, 5, 30))):
        _damage(chance, data, dumps)
    return bytes(data)


def _damage(chance: random.Random, data: bytearray, others: Sequence[bytes]) -> None:
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
            other = chance.choice(others)
            start = chance.randrange(len(other) + 1)
            data[at:at + size] = other[start:start + size]
        case _:
            if at < len(data):
                data[at] ^= 1 << chance.randrange(8)


def arbitrary_schema(chance: random.Random, schemas: Sequence[bytes]) -> bytes:
    """Return one schema: lines and values of some exchanged, lost and doubled, then as a file."""
    lines = chance.choice(schemas).split(b"\n")
    for _ in range(chance.choice((1, 1, 2, 4))):
        at = chance.randrange(len(lines))
        match chance.randrange(4):
            case 0:
                lines[at] = chance.choice(chance.choice(schemas).split(b"\n"))
            case 1:
                lines.insert(at, chance.choice(lines))
            case 2:
                lines[at] = b""
            case _:
                head, sign, _ = lines[at].rpartition(b"= ")
                lines[at] = head + sign + chance.choice(_WORDS) + b" }" * (b"{" in head)
    data = bytearray(b"\n".join(lines))
    if chance.randrange(3) == 0:
        _damage(chance, data, schemas)
    return bytes(data)


# ---- What is done with them ---------------------------------------------------------------------


def feed(chance: random.Random, content: bytes, known: Sequence[Known]) -> str:
    """Take a file as far as it goes; return how far that was."""
    form = order = offset = None
    if chance.randrange(8) == 0:
        form = chance.choice(list(FORMS.values()))
        order = chance.choice([None, *Order])
        offset = chance.choice([None, 0, 7, 4096, 1 << 31])
    try:
        reading = read_dump(content, "input", form, order=order, known=recogniser(known))
    except ParamstoreError:
        return "refused as a file"
    try:
        found = examine_either(reading, known, offset, named=chance.randrange(4) > 0)
    except ParamstoreError:
        return "no schema, or outside the part"
    examination_text(found)
    examination_data(found)
    first = chance.randrange(4096)
    annotated_bytes(found, first, first + chance.choice((1, 40, 400, 4096)))
    findings_text(found.findings)
    encode_dump(found.dump, chance.choice(list(FORMS.values())), WriteOptions(family=7), fill=0)
    if not isinstance(found, Examination):
        sound = examine_either(binary.read(legacy(), "sound"), [LEGACY])
        difference_text(*differences(found, sound))
        return "reported as a fixed layout"
    if not found.contents.readable:
        return "reported"
    saved = salvage(found, repair=True)
    salvage_text(saved)
    clean = examine_either(binary.read(saved.image, "saved"), [found.candidate])
    difference_text(*differences(found, clean))
    return "salvaged"


def feed_schema(chance: random.Random, content: bytes, sound: bytes) -> str:
    """Read a sound dump with a schema as far as that goes; return how far that was."""
    try:
        candidates = candidates_of(source_text("schema.toml", content))
    except ParamstoreError:
        return "refused as a schema"
    feed(chance, sound, candidates)
    return "read with a damaged schema"


# ---- Runs ---------------------------------------------------------------------------------------


def run(first: int, end: int, seed: int) -> Totals:
    """Feed inputs `first` to before `end`; what is not an error of the library goes through."""
    of, reached, slowest_s, slowest = samples(), Counter[str](), 0.0, ""
    signal.signal(signal.SIGALRM, _too_long)
    for number in range(first, end):
        chance = random.Random(seed << 32 | number)
        schema = number % 16 == 0
        content = (arbitrary_schema(chance, of.schemas) if schema
                   else arbitrary(chance, of.dumps))
        start = time.perf_counter()
        signal.alarm(MOST_S)
        try:
            if schema:
                reached[feed_schema(chance, content, of.sound)] += 1
            else:
                chosen = KNOWN[number % 4:number % 4 + 1] or KNOWN
                reached[feed(chance, content, chosen)] += 1
        except BaseException as error:
            error.add_note(f"input {number} of seed {seed}: {content!r}")
            raise
        finally:
            signal.alarm(0)
        took = time.perf_counter() - start
        if took > slowest_s:
            slowest_s, slowest = took, f"input {number}, {len(content)} bytes"
    peak = 1024 * resource.getrusage(resource.RUSAGE_SELF).ru_maxrss  # KiB on Linux
    return Totals(reached, slowest_s, slowest, peak)


def _too_long(number: int, frame: FrameType | None) -> None:
    raise TimeoutError(f"an input took more than {MOST_S} s")


def _prepare() -> None:
    resource.setrlimit(resource.RLIMIT_AS, (MOST_BYTES, MOST_BYTES))
    gc.set_threshold(100_000)


def run_all(inputs: int, seed: int, workers: int) -> Totals:
    """Feed so many inputs with several workers."""
    starts = range(0, inputs, _SHARE)
    with ProcessPoolExecutor(workers, get_context("spawn"), _prepare) as pool:
        shares = pool.map(run, starts, [min(s + _SHARE, inputs) for s in starts],
                          [seed] * len(starts))
        total = Totals(Counter())
        for share in shares:
            slow = max(total, share, key=lambda t: t.slowest_s)
            total = Totals(total.reached + share.reached, slow.slowest_s, slow.slowest,
                           max(total.peak_bytes, share.peak_bytes))
    return total


def main(arguments: list[str]) -> None:
    """Run, print the totals, and keep them."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--inputs", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--to", type=Path, metavar="FILE", help="write the figures there, too")
    options = parser.parse_args(arguments)
    start = time.perf_counter()
    totals = run_all(options.inputs, options.seed, options.workers)
    took = time.perf_counter() - start
    text = "\n".join([
        f"python -m tests.programs.fuzz_dumps {shlex.join(arguments)}",
        f"{options.inputs:,} inputs in {took:.0f} s, {options.inputs / took:.0f} a second",
        *(f"{count:>10,}  {what}" for what, count in totals.reached.most_common()),
        f"slowest: {totals.slowest}, {totals.slowest_s:.2f} s",
        f"most memory of a worker: {totals.peak_bytes / 1e6:.0f} MB",
        "no traceback, nothing longer than "
        f"{MOST_S} s, no more than {MOST_BYTES >> 20} MB"]) + "\n"
    print(text, end="")
    if options.to:
        options.to.write_text(text, "utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
