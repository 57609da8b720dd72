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

import random
import sys
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import NamedTuple

from paramstore.core.disk import read_text, source_text
from paramstore.core.errors import ParamstoreError
from paramstore.files import binary
from paramstore.files.forms import (
    FORMS,
    ReadOptions,
    WriteOptions,
    encode_dump,
    encode_image,
    read_dump,
)
from paramstore.files.runs import Order, swapped
from paramstore.image.pack import pack
from paramstore.inspect.differ import differences
from paramstore.inspect.examine import examine, recogniser
from paramstore.inspect.salvage import salvage
from paramstore.inspect.store import StoreExamination
from paramstore.inspect.which import Candidate, Layout, candidates_of
from paramstore.report.bytes import bytes_text
from paramstore.report.differences import difference_text
from paramstore.report.examination import examination_data, examination_text
from paramstore.report.findings import findings_text
from paramstore.report.salvage import salvage_text
from paramstore.schema.fixed.reader import read_layout
from tests.inspect.scenes import PLAN, SCHEMA, used_unit
from tests.programs import pasted_texts
from tests.programs.fuzzing import Fed, arbitrary, arbitrary_schema, main
from tests.record.plans import EXAMPLE
from tests.schema.fixed.legacy import legacy

ROOT = Path(__file__).parents[2]
LEGACY, _ = read_layout(read_text(ROOT / "schemas" / "tank_probe.fixed.toml"))
KNOWN: tuple[Layout, ...] = (
    Candidate("bench_unit", PLAN), Candidate("pump_drive", EXAMPLE), LEGACY)
class Samples(NamedTuple):
    """What is damaged: whole files of every form and images with a history; schemas."""

    dumps: tuple[bytes, ...]
    schemas: tuple[bytes, ...]
    sound: bytes  # the image of a unit of `PLAN`


@cache
def samples() -> Samples:
    """Return what inputs are made from."""
    image = bytes(used_unit("settings", 9, random.Random(1)).bench.device.memory)
    small = pack(EXAMPLE, {}, defaults=True)
    options = WriteOptions(family=7)
    corpus = ROOT / "tests" / "corpus"
    dumps = [p.read_bytes() for p in sorted((corpus / "dumps").iterdir())]
    dumps += [text for _, _, text, _ in pasted_texts.corpus()]
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


# ---- What is done with them ---------------------------------------------------------------------


def feed(chance: random.Random, content: bytes, known: Sequence[Layout]) -> str:
    """Take a file as far as it goes; return how far that was."""
    form = order = offset = None
    if chance.randrange(8) == 0:
        form = chance.choice(list(FORMS.values()))
        order = chance.choice([None, *Order])
        offset = chance.choice([None, 0, 7, 4096, 1 << 31])
    try:
        reading = read_dump(content, "input", form, ReadOptions(
            order, recogniser(lambda: known)))
    except ParamstoreError:
        return "refused as a file"
    try:
        found = examine(reading, known, offset, named=chance.randrange(4) > 0)
    except ParamstoreError:
        return "no schema, or outside the part"
    examination_text(found)
    examination_data(found)
    first = chance.randrange(4096)
    bytes_text(found, first, first + chance.choice((1, 40, 400, 4096)))
    findings_text(found.findings)
    encode_dump(found.dump, chance.choice(list(FORMS.values())), WriteOptions(family=7), fill=0)
    if not isinstance(found, StoreExamination):
        sound = examine(binary.read(legacy(), "sound"), [LEGACY])
        difference_text(*differences(found, sound))
        return "reported as a fixed layout"
    if not found.contents.readable:
        return "reported"
    saved = salvage(found, repair=True)
    salvage_text(saved)
    clean = examine(binary.read(saved.image, "saved"), [Candidate(found.name, found.plan)])
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


def one(number: int, chance: random.Random) -> Fed:
    """Feed one input; return how far it got."""
    of = samples()
    if number % 16 == 0:
        content = arbitrary_schema(chance, of.schemas)
        return Fed(feed_schema(chance, content, of.sound), len(content))
    content = arbitrary(chance, of.dumps)
    return Fed(feed(chance, content, KNOWN[number % 4:number % 4 + 1] or KNOWN), len(content))


if __name__ == "__main__":
    main("fuzz_dumps", __doc__ or "", one, sys.argv[1:])
