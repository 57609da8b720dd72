"""Damages images of units whose past is known, and counts what is said of them.

    python -m tests.programs.damaged_images --images 4000 --to FILE

A unit is made by the twin: production gives all values, then groups of one and of two copies are
committed in random order, each commit acknowledged. Its image is damaged in one of many ways, read
as `examine` and `salvage` do, and compared with what was acknowledged last:

    right      the values are those
    flagged    they are others, and a finding names the group or concerns the whole dump
    as before  they are others, and the ring holds, byte for byte, what it held after an earlier
               commit: FORMAT.md, section 7, says that this cannot be told
    wrong      anything else; there must be none

Beside it: what is said as a fact must be one (no record of another store where none was put),
damage to one slot of a group in copies costs nothing, and a salvage that says it is complete has
what was acknowledged last. Image N of a SEED is always the same. `figures/damaged_images.txt` is
what a run kept.
"""

from __future__ import annotations

import argparse
import random
import shlex
import sys
import time
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from functools import lru_cache
from pathlib import Path
from typing import NamedTuple

from paramstore.core.errors import FindingsError, Severity
from paramstore.core.scalars import Raw
from paramstore.core.status import Status
from paramstore.files.forms import FORMS, read_dump
from paramstore.image.contents import unpack
from paramstore.image.pack import pack
from paramstore.inspect.salvage import salvage
from paramstore.inspect.slots import SlotKind
from paramstore.inspect.store import StoreExamination, examine_store
from paramstore.inspect.which import Candidate
from paramstore.layout.plan import Ring
from paramstore.verify.eeprom.faults import CutAtWrite, PowerCut, Tear, Torn
from paramstore.verify.rig.twin import TwinRig
from tests.inspect.scenes import PLAN, change, on_part, page_writes

ONLY = (Candidate("bench_unit", PLAN),)
GROUPS = tuple(r.group.name for r in PLAN.rings)
_UNITS = 48
"""Units of a seed."""

_WHOLE = ("PS601", "PS603", "PS653", "PS659")
"""Errors that concern the whole dump: bytes of it are missing, or in the wrong place."""

Values = dict[str, tuple[Raw, ...]]


class Unit(NamedTuple):
    """A unit: the image after each commit, the first one as production left it; the values of each
    group that were acknowledged last."""

    images: tuple[bytes, ...]
    values: dict[str, Values]

    @property
    def image(self) -> bytes:
        """The image as it is now."""
        return self.images[-1]


class Damaged(NamedTuple):
    """A file to read. `form` is its form; `cut` the group of a commit that was cut, with the values
    that it would have stored; `slots` the slots that are touched, of groups by name."""

    content: bytes
    form: str = "bin"
    cut: str = ""
    stored: Values | None = None
    slots: frozenset[tuple[str, int]] = frozenset()


class Outcome(NamedTuple):
    """What came of an image: the kind of damage, how each group is served, and what was said that
    is not so."""

    kind: str
    groups: tuple[tuple[str, str], ...]
    false: tuple[str, ...]


# ---- Units --------------------------------------------------------------------------------------


@lru_cache(maxsize=_UNITS)
def unit(number: int, seed: int) -> Unit:
    """Return one unit: none of its groups has values that a default has."""
    chance = random.Random(seed << 16 | number)
    given = {g.name: {f.name: f.default for f in g.fields} for g in PLAN.schema.groups}
    rig = on_part(pack(PLAN, given))
    images = [bytes(rig.bench.device.memory)]
    commits = chance.choice((0, 1, 2, 3, 5, 8, 13, 21))
    order = [*GROUPS, *chance.choices(GROUPS, k=commits)] if commits else list(GROUPS)
    for group in order:
        _commit(rig, group, chance)
        images.append(bytes(rig.bench.device.memory))
    return Unit(tuple(images), {g: rig.values(g) for g in GROUPS})


def _commit(rig: TwinRig, group: str, chance: random.Random) -> None:
    assert change(group, chance)(rig) is Status.OK
    assert rig.commit(group) is Status.OK


# ---- Damage -------------------------------------------------------------------------------------


def _slot(chance: random.Random) -> tuple[Ring, int]:
    ring = chance.choice(PLAN.rings)
    return ring, chance.randrange(ring.slots)


def _in_slot(of: Unit, ring: Ring, slot: int, data: bytes, offset: int = 0) -> Damaged:
    at = ring.address(slot) + offset
    content = of.image[:at] + data + of.image[at + len(data):]
    return Damaged(content, slots=frozenset({(ring.group.name, slot)}))


def _bits(count: int) -> Callable[[Unit, random.Random], Damaged]:
    def damage(of: Unit, chance: random.Random) -> Damaged:
        ring, slot = _slot(chance)
        at = ring.address(slot)
        data = bytearray(of.image[at:at + ring.record_bytes])
        for place in chance.sample(range(8 * len(data)), count):
            data[place // 8] ^= 1 << place % 8
        return _in_slot(of, ring, slot, bytes(data))
    return damage


def _bytes(of: Unit, chance: random.Random) -> Damaged:
    ring, slot = _slot(chance)
    size = chance.choice((1, 2, 3, 4, 8))
    return _in_slot(of, ring, slot, chance.randbytes(size),
                    chance.randrange(ring.record_bytes - size + 1))


def _page(fill: Callable[[random.Random, int], bytes]) -> Callable[[Unit, random.Random], Damaged]:
    def damage(of: Unit, chance: random.Random) -> Damaged:
        ring, slot = _slot(chance)
        page = chance.randrange(ring.slot_pages) * ring.page_bytes
        return _in_slot(of, ring, slot, fill(chance, ring.page_bytes), page)
    return damage


def _put_back(of: Unit, chance: random.Random) -> Damaged:
    """A page as it was at an earlier time."""
    ring, slot = _slot(chance)
    page = chance.randrange(ring.slot_pages) * ring.page_bytes
    at = ring.address(slot) + page
    return _in_slot(of, ring, slot, chance.choice(of.images)[at:at + ring.page_bytes], page)


def _ring_erased(of: Unit, chance: random.Random) -> Damaged:
    ring, _ = _slot(chance)
    size = ring.address(ring.slots) - ring.address(0)
    return _in_slot(of, ring, 0, b"\xff" * size)._replace(slots=frozenset(
        (ring.group.name, slot) for slot in range(ring.slots)))


def _copied(of: Unit, chance: random.Random) -> Damaged:
    """A slot, damaged or not, over another one of any group."""
    (source, first), (ring, slot) = _slot(chance), _slot(chance)
    at = source.address(first)
    data = bytearray(of.image[at:at + min(source.record_bytes, ring.record_bytes)])
    for _ in range(chance.choice((0, 0, 3))):
        data[chance.randrange(len(data))] ^= 0x5A
    both = of._replace(images=(*of.images, _in_slot(of, source, first, bytes(data)).content))
    return _in_slot(both, ring, slot, bytes(data))._replace(slots=frozenset(
        {(source.group.name, first), (ring.group.name, slot)}))


def _labels(of: Unit, chance: random.Random) -> Damaged:
    end = PLAN.label_address(1) + PLAN.label_bytes
    data = chance.choice((b"\xff" * end, bytes(end), chance.randbytes(end)))
    return Damaged(data + of.image[end:])


def _anywhere(of: Unit, chance: random.Random) -> Damaged:
    content = bytearray(of.image)
    for place in chance.sample(range(8 * len(content)), chance.choice((4, 40, 400))):
        content[place // 8] ^= 1 << place % 8
    return Damaged(bytes(content))


def _cut(of: Unit, chance: random.Random) -> Damaged:
    """A commit whose power was cut."""
    group = chance.choice(GROUPS)
    rig = on_part(of.image)
    assert change(group, chance)(rig) is Status.OK
    tear = Tear(chance.choice(list(Torn)), chance.randrange(33), chance.randrange(1000))
    device = rig.bench.device
    device.faults = [CutAtWrite(device.cycles + 1 + chance.randrange(page_writes(group)), tear)]
    stored = rig.values(group)
    with suppress(PowerCut):
        rig.commit(group)
    return Damaged(bytes(device.memory), cut=group, stored=stored)


def _short(of: Unit, chance: random.Random) -> Damaged:
    return Damaged(of.image[:chance.randrange(1, len(of.image))])


def _lacking(of: Unit, chance: random.Random) -> Damaged:
    """A stretch of 16 to 64 bytes is not in the file, or twice."""
    at, size = 16 * chance.randrange(2, 250), 16 * chance.randrange(1, 5)
    twice = chance.randrange(4) == 0
    return Damaged(of.image[:at] + (of.image[at - size:] if twice else of.image[at + size:]))


def _shifted(of: Unit, chance: random.Random) -> Damaged:
    size = chance.choice((1, 2, 16, 32))
    return Damaged(chance.randbytes(size) + of.image if chance.randrange(2) else of.image[size:])


def _line_dead(of: Unit, chance: random.Random) -> Damaged:
    """An address line without effect."""
    step = 1 << chance.randrange(5, 12)
    stuck = chance.choice((0, step))
    return Damaged(bytes(of.image[at & ~step | stuck] for at in range(len(of.image))))


def _starred(of: Unit) -> list[str]:
    """The image as lines of text, a star for lines that are the same as the one before."""
    lines: list[str] = []
    last, star = b"", False
    for at in range(0, len(of.image), 16):
        row = of.image[at:at + 16]
        if row == last and at + 16 < len(of.image):
            lines += [] if star else ["*"]
            star = True
        else:
            lines.append(f"{at:08x}  {row.hex(' ')}")
            star = False
        last = row
    return [*lines, f"{len(of.image):08x}"]


def _lines(addressed: bool) -> Callable[[Unit, random.Random], Damaged]:
    def damage(of: Unit, chance: random.Random) -> Damaged:
        if addressed:
            lines = _starred(of)
        else:
            lines = [of.image[at:at + 16].hex(" ") for at in range(0, len(of.image), 16)]
        for _ in range(chance.choice((1, 1, 2))):
            at = chance.randrange(1, len(lines) - 1)
            match chance.randrange(4):
                case 0:
                    del lines[at]
                case 1:
                    cut = chance.randrange(len(lines[at]) + 1)
                    lines[at] = lines[at][:cut] + "I (300) wifi: connected"
                case 2:
                    lines[at] = "[ 12.3] ready " + lines[at]
                case _:
                    lines.insert(at, chance.choice(["ready", "T = 21.5", "I (20) app: 12 of 40"]))
        return Damaged("\n".join(lines).encode(), "text")
    return damage


KINDS: dict[str, Callable[[Unit, random.Random], Damaged]] = {
    "nothing": lambda of, chance: Damaged(of.image),
    "1 bit": _bits(1), "2 bits": _bits(2), "3 bits": _bits(3), "8 bits": _bits(8),
    "bytes in a slot": _bytes, "page erased": _page(lambda chance, size: b"\xff" * size),
    "page of 00": _page(lambda chance, size: bytes(size)),
    "page of noise": _page(lambda chance, size: chance.randbytes(size)),
    "page put back": _put_back, "ring erased": _ring_erased, "slot over another": _copied,
    "labels": _labels, "bits anywhere": _anywhere, "commit cut": _cut, "end missing": _short,
    "bytes missing inside": _lacking, "shifted": _shifted, "address line dead": _line_dead,
    "lines of a text": _lines(addressed=True), "lines without addresses": _lines(addressed=False),
}


# ---- Judging ------------------------------------------------------------------------------------


def judge(number: int, seed: int) -> Outcome:
    """Return what came of one image."""
    chance = random.Random(seed << 32 | number)
    kind = list(KINDS)[number % len(KINDS)]
    of = unit(chance.randrange(_UNITS), seed)
    damaged = KINDS[kind](of, chance)
    try:
        found = examine_store(read_dump(damaged.content, "x", FORMS[damaged.form]), ONLY)
    except FindingsError:
        return Outcome(kind, tuple((g, "refused") for g in GROUPS), ())
    if not found.contents.readable or found.contents.blank:
        return Outcome(kind, tuple((g, "refused") for g in GROUPS), ())
    groups = tuple((g, _served(of, damaged, found, g)) for g in GROUPS)
    return Outcome(kind, groups, tuple(_false(of, damaged, found, dict(groups))))


def _right(of: Unit, damaged: Damaged, group: str, values: Values) -> bool:
    """Whether values are those acknowledged last, or of a commit that was cut."""
    return values == of.values[group] or (damaged.cut == group and values == damaged.stored)


def _served(of: Unit, damaged: Damaged, found: StoreExamination, group: str) -> str:
    if _right(of, damaged, group, found.contents.group(group).values):
        return "right"
    if any(f"`{group}`" in f.message or (f.code in _WHOLE and f.severity is Severity.ERROR)
           for f in found.findings):
        return "flagged"
    return "as before" if _as_before(of, found, group) else "wrong"


def _as_before(of: Unit, found: StoreExamination, group: str) -> bool:
    """Whether the ring holds what it held at an earlier time."""
    ring = PLAN.ring(group)
    first, end = ring.address(0), ring.address(ring.slots)
    return found.contents.image[first:end] in {image[first:end] for image in of.images}


def _false(of: Unit, damaged: Damaged, found: StoreExamination,
           served: dict[str, str]) -> list[str]:
    """Return what was said as a fact and is none."""
    said = []
    for group, verdicts in found.slots.items():
        if any(v.kind is SlotKind.OTHER_STORE for v in verdicts):
            said.append(f"a record of another store in `{group}`")
        copies = PLAN.ring(group).group.copies
        touched = {slot for name, slot in damaged.slots if name == group}
        if copies > 1 and len(touched) == 1 and served[group] != "right":
            said.append(f"`{group}` has {copies} copies, and damage to one slot cost its values")
    saved = salvage(found)
    if saved.complete:
        contents = unpack(PLAN, saved.image)
        said += [f"`{g}`: a complete salvage has other values" for g in GROUPS if not _right(
            of, damaged, g, contents.group(g).values) and not _as_before(of, found, g)
            and not _as_cut(found, g)]
    return said


def _as_cut(found: StoreExamination, group: str) -> bool:
    """Whether a CRC shows a ring as a commit leaves it that was cut: a page put back may do so."""
    return any(v.tear is not None and v.tear.proven for v in found.slots[group])


# ---- Runs ---------------------------------------------------------------------------------------


def run(images: int, seed: int) -> list[Outcome]:
    """Judge so many images."""
    return [judge(number, seed) for number in range(images)]


def figures(outcomes: list[Outcome]) -> str:
    """Return counts of groups by how they are served, by kind of damage and by copies."""
    columns = ("right", "flagged", "refused", "as before", "wrong")
    copies = {g: PLAN.ring(g).group.copies for g in GROUPS}
    rows: dict[str, Counter[str]] = {}
    for outcome in outcomes:
        for group, served in outcome.groups:
            for key in (outcome.kind, f"groups of {copies[group]} copies"):
                rows.setdefault(key, Counter())[served] += 1
    width = max(map(len, rows))
    lines = [f"{len(outcomes):,} images, {len(GROUPS)} groups each", "",
             f"{'':{width}}  " + "  ".join(f"{c:>9}" for c in columns)]
    order = sorted(rows, key=lambda k: list(KINDS).index(k) if k in KINDS else len(KINDS))
    lines += [f"{key:{width}}  " + "  ".join(f"{rows[key][c]:>9,}" for c in columns)
              for key in order]
    said = [s for o in outcomes for s in o.false]
    return "\n".join([*lines, "", f"{len(said)} things said that are not so", *said[:10]]) + "\n"


def main(arguments: list[str]) -> None:
    """Run, print the figures, and keep them."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--images", type=int, default=4_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--to", type=Path, metavar="FILE", help="write the figures there, too")
    options = parser.parse_args(arguments)
    start = time.perf_counter()
    outcomes = run(options.images, options.seed)
    text = (f"python -m tests.programs.damaged_images {shlex.join(arguments)}\n"
            + figures(outcomes))
    print(text, end="")
    print(f"{time.perf_counter() - start:.0f} s", file=sys.stderr)
    for number, outcome in enumerate(outcomes):
        if outcome.false or "wrong" in dict(outcome.groups).values():
            print(f"image {number}: {outcome}", file=sys.stderr)
    if options.to:
        options.to.write_text(text, "utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
