"""What programs share that feed arbitrary inputs: making them, limits, workers, and the figures.

Input N of a SEED is always the same. What ends a run, with the number of the input: one that takes
more than `MOST_S` of a processor, memory beyond `MOST_BYTES`, and any error that is not one of the
library.
"""

from __future__ import annotations

import argparse
import gc
import json
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

from paramstore.core.disk import write_text

__all__ = ["MOST_BYTES", "MOST_S", "Fed", "Figures", "One", "TooLong", "Totals", "arbitrary",
           "arbitrary_schema", "damage", "main", "run", "run_all"]

MOST_S = 10
"""Of a processor."""

_MOST_WAITED_S = 300
MOST_BYTES = 1 << 30
_LETTERS = b"0123456789abcdefABCDEFxS:,;{}[]|*.-'\"/\\ \t\r\n\x1b\xff\0"
_WORDS = (b"0", b"-1", b"1e400", b"nan", b"99999999999999999999", b'""', b"[]", b"{}", b"true",
          b"[[1, 2], [0, 1]]", b'"u8"', b'"curve"', b'"24LC32A"', b"0.1", b"1979-05-27")

_SHARE = 500
"""Inputs that a worker takes at a time."""
_SHARES_OF_A_WORKER = 50
"""Then other processes take over: click keeps the streams of every command that a test runs. (An
executor that replaces its own workers may wait for ever: CPython issue 115634.)"""


class Fed(NamedTuple):
    """What became of an input, how long it is, and the commands that it was given to, if any."""

    what: str
    size: int = 0
    commands: tuple[str, ...] = ()


One = Callable[[int, random.Random], Fed]
"""Feeds the input of a number; returns what became of it."""


class Totals(NamedTuple):
    """What a run did: inputs by how far they got, commands that ran, seconds of a processor for all
    and for the slowest input, and the memory of a worker."""

    reached: Counter[str]
    commands: Counter[str]
    cpu_s: float = 0.0
    slowest_s: float = 0.0
    slowest: str = ""
    peak_bytes: int = 0

    def plus(self, other: Totals) -> Totals:
        """Return what both did."""
        slow = max(self, other, key=lambda t: t.slowest_s)
        return Totals(self.reached + other.reached, self.commands + other.commands,
                      self.cpu_s + other.cpu_s, slow.slowest_s, slow.slowest,
                      max(self.peak_bytes, other.peak_bytes))


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
    """Feed inputs `first` to before `end`, or none if it is past the time `until`; what is not an
    error of the library goes through."""
    reached, commands, cpu_s, slowest_s, slowest = Counter[str](), Counter[str](), 0.0, 0.0, ""
    signal.signal(signal.SIGPROF, _too_long)
    signal.signal(signal.SIGALRM, _too_long)
    for number in range(first, end if time.time() < until else first):
        start = time.process_time()
        signal.setitimer(signal.ITIMER_PROF, MOST_S)
        signal.alarm(_MOST_WAITED_S)
        try:
            fed = one(number, random.Random(seed << 32 | number))
        except BaseException as error:
            error.add_note(f"input {number} of seed {seed}")
            raise
        finally:
            signal.setitimer(signal.ITIMER_PROF, 0)
            signal.alarm(0)
        reached[fed.what] += 1
        commands.update(fed.commands)
        took = time.process_time() - start
        cpu_s += took
        if took > slowest_s:
            slowest_s, slowest = took, f"input {number} of seed {seed}, {fed.size} bytes"
    peak = 1024 * resource.getrusage(resource.RUSAGE_SELF).ru_maxrss  # KiB on Linux
    return Totals(reached, commands, cpu_s, slowest_s, slowest, peak)


def _too_long(number: int, frame: FrameType | None) -> None:
    raise TooLong(f"an input took more than {MOST_S} s, or waited {_MOST_WAITED_S} s")


def _prepare() -> None:
    resource.setrlimit(resource.RLIMIT_AS, (MOST_BYTES, MOST_BYTES))
    gc.set_threshold(100_000)


def run_all(one: One, inputs: int, seed: int, workers: int, until: float = float("inf"),
            first: int = 0, tell: Callable[[Totals], None] = lambda _: None) -> Totals:
    """Feed so many inputs, from number `first`, with several workers; `tell` what is done so far,
    without a gap, time and again."""
    end, total = first + inputs, Totals(Counter(), Counter())
    starts = range(first, end, _SHARE)
    at_once = workers * _SHARES_OF_A_WORKER
    for begun in range(0, len(starts), at_once):
        some = starts[begun:begun + at_once]
        count = len(some)
        with ProcessPoolExecutor(workers, get_context("spawn"), _prepare) as pool:
            for share in pool.map(run, [one] * count, some, [min(s + _SHARE, end) for s in some],
                                  [seed] * count, [until] * count):
                if not share.reached:
                    return total  # it is past the time; what others did would leave a gap
                total = total.plus(share)
                tell(total)
    return total


# ---- Figures ------------------------------------------------------------------------------------


class Figures:
    """What a run did, as it goes on, and what the runs before it did that it continues.

    The file is text for people; a line of JSON at its end is for the next run.
    """

    def __init__(self, command: str, seed: int, first: int, path: Path | None) -> None:
        self._command, self._seed, self._path = command, seed, path
        self._before, self._before_s = Totals(Counter(), Counter()), 0.0
        self._ended: list[str] = []  # what ended a run before its time
        self._start = time.perf_counter()
        if first:
            self._before, self._before_s, self._ended = self._earlier(first)

    def _earlier(self, first: int) -> tuple[Totals, float, list[str]]:
        if self._path is None or not self._path.exists():
            raise SystemExit("--first goes on from what --to FILE has of the runs before")
        kept = json.loads(self._path.read_text("utf-8").splitlines()[-1])
        if (kept["seed"], kept["next"]) != (self._seed, first):
            raise SystemExit(f"{self._path} goes on with --seed {kept['seed']} "
                             f"--first {kept['next']}")
        reached, commands, *rest = kept["totals"]
        return Totals(Counter(reached), Counter(commands), *rest), kept["seconds"], kept["ended"]

    def keep(self, so_far: Totals, ended: str = "") -> str:
        """Return the figures as they are now, and write the file if there is to be one."""
        totals = self._before.plus(so_far)
        seconds = self._before_s + time.perf_counter() - self._start
        fed, ends = totals.reached.total(), [*self._ended, *[ended] * bool(ended)]
        text = "\n".join([
            self._command,
            f"inputs 0 to {fed - 1:,} of seed {self._seed}: {fed:,} in {seconds:.0f} s; "
            f"{1000 * totals.cpu_s / max(fed, 1):.1f} ms of a processor each",
            *(f"{count:>10,}  {what}" for what, count in totals.reached.most_common()),
            *[f"{totals.commands.total():,} commands:"] * bool(totals.commands),
            *(f"{count:>10,}  {what}" for what, count in totals.commands.most_common()),
            f"slowest: {totals.slowest}, {totals.slowest_s:.2f} s",
            f"most memory of a worker: {totals.peak_bytes / 1e6:.0f} MB",
            f"these {fed:,}: no traceback, nothing longer than {MOST_S} s, "
            f"no more than {MOST_BYTES >> 20} MB",
            *(f"ended a run, mended since: {end}" for end in self._ended),
            *[f"ended this run: {ended}"] * bool(ended)]) + "\n"
        state = {"seed": self._seed, "next": fed, "seconds": round(seconds, 1),
                 "totals": totals, "ended": ends}
        if self._path:
            write_text(self._path, text + json.dumps(state) + "\n")
        return text


def main(name: str, about: str, one: One, arguments: Sequence[str]) -> None:
    """Run, print the totals, and keep them as they grow."""
    parser = argparse.ArgumentParser(description=about)
    parser.add_argument("--inputs", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--first", type=int, default=0, metavar="N",
                        help="go on from input N, where the run before left FILE")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--minutes", type=float, default=float("inf"), help="end after that long")
    parser.add_argument("--to", type=Path, metavar="FILE", help="write the figures there, too")
    options = parser.parse_args(arguments)
    figures = Figures(f"python -m tests.programs.{name} {shlex.join(arguments)}", options.seed,
                      options.first, options.to)
    done = [Totals(Counter(), Counter())]

    def tell(so_far: Totals) -> None:
        done[0] = so_far
        figures.keep(so_far)

    try:
        run_all(one, options.inputs, options.seed, options.workers,
                time.time() + 60 * options.minutes, options.first, tell)
    except (Exception, TooLong) as error:
        figures.keep(done[0], "; ".join([repr(error), *getattr(error, "__notes__", ())])[:400])
        raise
    print(figures.keep(done[0]), end="")
