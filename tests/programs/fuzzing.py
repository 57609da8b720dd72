"""What programs share that feed arbitrary inputs: making them, limits, workers, and the figures.

Input N of a SEED is always the same. An input that takes more than `MOST_S`, memory beyond
`MOST_BYTES`, and any error that is not one of the library end a run with the number of the input.
"""

from __future__ import annotations

import argparse
import gc
import random
import resource
import shlex
import signal
import time
from collections import Counter
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from types import FrameType
from typing import NamedTuple

__all__ = ["MOST_BYTES", "MOST_S", "One", "TooLong", "Totals", "arbitrary", "arbitrary_schema",
           "damage", "main", "run", "run_all"]

MOST_S = 10
MOST_BYTES = 1 << 30
_LETTERS = b"0123456789abcdefABCDEFxS:,;{}[]|*.-'\"/\\ \t\r\n\x1b\xff\0"
_WORDS = (b"0", b"-1", b"1e400", b"nan", b"99999999999999999999", b'""', b"[]", b"{}", b"true",
          b"[[1, 2], [0, 1]]", b'"u8"', b'"curve"', b'"24LC32A"', b"0.1", b"1979-05-27")

_SHARE = 2_000
"""Inputs that a worker takes at a time."""

One = Callable[[int, random.Random], tuple[str, bytes]]
"""Feeds the input of a number; returns what became of it, and the input."""


class Totals(NamedTuple):
    """What a run did: inputs by how far they got, the slowest one, and the memory of a worker."""

    reached: Counter[str]
    slowest_s: float = 0.0
    slowest: str = ""
    peak_bytes: int = 0


class TooLong(BaseException):
    """An input took more than `MOST_S`. No error that any command would tell as one."""


# ---- Inputs -------------------------------------------------------------------------------------


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
        damage(chance, data, dumps)
    return bytes(data)


def damage(chance: random.Random, data: bytearray, others: Sequence[bytes]) -> None:
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
        damage(chance, data, schemas)
    return bytes(data)


# ---- Runs ---------------------------------------------------------------------------------------


def run(one: One, first: int, end: int, seed: int, until: float = float("inf")) -> Totals:
    """Feed inputs `first` to before `end`, none after the time `until`; what is not an error of the
    library goes through."""
    reached, slowest_s, slowest = Counter[str](), 0.0, ""
    signal.signal(signal.SIGALRM, _too_long)
    for number in range(first, end):
        if time.time() > until:
            break
        start = time.perf_counter()
        signal.alarm(MOST_S)
        try:
            what, content = one(number, random.Random(seed << 32 | number))
        except BaseException as error:
            error.add_note(f"input {number} of seed {seed}")
            raise
        finally:
            signal.alarm(0)
        reached[what] += 1
        took = time.perf_counter() - start
        if took > slowest_s:
            slowest_s, slowest = took, f"input {number}, {len(content)} bytes"
    peak = 1024 * resource.getrusage(resource.RUSAGE_SELF).ru_maxrss  # KiB on Linux
    return Totals(reached, slowest_s, slowest, peak)


def _too_long(number: int, frame: FrameType | None) -> None:
    raise TooLong(f"an input took more than {MOST_S} s")


def _prepare() -> None:
    resource.setrlimit(resource.RLIMIT_AS, (MOST_BYTES, MOST_BYTES))
    gc.set_threshold(100_000)


def run_all(one: One, inputs: int, seed: int, workers: int,
            until: float = float("inf")) -> Totals:
    """Feed so many inputs with several workers."""
    starts = range(0, inputs, _SHARE)
    count = len(starts)
    with ProcessPoolExecutor(workers, get_context("spawn"), _prepare) as pool:
        shares = pool.map(run, [one] * count, starts, [min(s + _SHARE, inputs) for s in starts],
                          [seed] * count, [until] * count)
        total = Totals(Counter())
        for share in shares:
            slow = max(total, share, key=lambda t: t.slowest_s)
            total = Totals(total.reached + share.reached, slow.slowest_s, slow.slowest,
                           max(total.peak_bytes, share.peak_bytes))
    return total


def main(name: str, about: str, one: One, arguments: Sequence[str]) -> None:
    """Run, print the totals, and keep them."""
    parser = argparse.ArgumentParser(description=about)
    parser.add_argument("--inputs", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--minutes", type=float, default=float("inf"), help="end after that long")
    parser.add_argument("--to", type=Path, metavar="FILE", help="write the figures there, too")
    options = parser.parse_args(arguments)
    start = time.perf_counter()
    totals = run_all(one, options.inputs, options.seed, options.workers,
                     time.time() + 60 * options.minutes)
    took = time.perf_counter() - start
    fed = totals.reached.total()
    text = "\n".join([
        f"python -m tests.programs.{name} {shlex.join(arguments)}",
        f"{fed:,} inputs in {took:.0f} s, {fed / took:.0f} a second",
        *(f"{count:>10,}  {what}" for what, count in totals.reached.most_common()),
        f"slowest: {totals.slowest}, {totals.slowest_s:.2f} s",
        f"most memory of a worker: {totals.peak_bytes / 1e6:.0f} MB",
        "no traceback, nothing longer than "
        f"{MOST_S} s, no more than {MOST_BYTES >> 20} MB"]) + "\n"
    print(text, end="")
    if options.to:
        options.to.write_text(text, "utf-8")
