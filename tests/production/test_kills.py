"""A batch that is killed: no serial number for two units, no recorded unit lost.

The run is a forked process that ends without any clean-up, as SIGKILL ends one: at every step of
its protocol in turn, and by the signal at random moments, alone and beside another run.
"""

from __future__ import annotations

import hashlib
import os
import random
import signal
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from paramstore.production import batch
from paramstore.production.batch import BatchJob
from paramstore.production.outputs import open_output
from paramstore.production.records import Records
from tests.production.jobs import job_of, made, rows

Recorded = dict[str, tuple[str, int | None, str]]
ROWS = 120


class Dying(Records):
    """Records that end the process at one of its steps; `left` counts down to it."""

    left = 1 << 30

    def _step(self) -> None:
        Dying.left -= 1
        if Dying.left == 0:
            os._exit(9)

    def allot(self, *args: Any, **kwargs: Any) -> list[str]:
        self._step()
        result = super().allot(*args, **kwargs)
        self._step()
        return result

    def record_packed(self, *args: Any, **kwargs: Any) -> None:
        self._step()
        super().record_packed(*args, **kwargs)
        self._step()


def run(job: BatchJob, records: Path, output: Path, kind: type[Records] = Records) -> None:
    with kind(str(records), create=True) as kept, open_output(str(output)) as out:
        job.check(kept)
        job.run(kept, out, lambda n: kept._step() if isinstance(kept, Dying) else None)


def forked(work: Callable[[], None]) -> int:
    """Do `work` in a process of its own, which ends with status 0 if all went well."""
    child = os.fork()
    if child:
        return child
    try:
        work()
        os._exit(0)
    finally:
        os._exit(1)


def recorded(path: Path) -> Recorded:
    """Return batch, row and digest of each unit on record."""
    if not path.exists():
        return {}
    with Records(str(path)) as records:
        return {u.serial: (u.batch, u.image.row, u.image.sha256) for u in records.units()}


def check(before: Recorded, after: Recorded) -> None:
    """Nothing that was on record is gone or other, and no row has two units."""
    for serial, unit in before.items():
        assert unit[:2] == after[serial][:2]
        assert unit[2] in ("", after[serial][2])
    places = [unit[:2] for unit in after.values()]
    assert len(places) == len(set(places))


def finish(job: BatchJob, records: Path, output: Path) -> None:
    """Run a batch to its end: every row has one unit, and the image that its record names."""
    before = recorded(records)
    images = made(job, records, output)
    after = recorded(records)
    check(before, after)
    own = {serial: digest for serial, (lot, _, digest) in after.items() if lot == job.name}
    assert own == {s: hashlib.sha256(image).hexdigest() for s, image in images.items()}


def test_every_step_may_be_the_last(tmp_path: Path) -> None:
    """Killed before and after each step on the records, a repeated run ends the work."""
    table = tmp_path / "lot1.csv"
    table.write_text(rows(40))
    died = 0
    for step in range(1, 100):
        records, output = tmp_path / f"{step}.db", tmp_path / f"out{step}"

        def die(at: int = step, db: Path = records, to: Path = output) -> None:
            Dying.left = at
            run(job_of(table), db, to, Dying)

        _, status = os.waitpid(forked(die), 0)
        if os.waitstatus_to_exitcode(status) == 0:
            break
        assert 9 == os.waitstatus_to_exitcode(status)
        died += 1
        finish(job_of(table), records, output)
        assert 40 == len(recorded(records))
    assert 15 == died  # three chunks of five steps


def kill_at_random(tmp_path: Path, kills: int, seed: int) -> None:
    """Kill runs at random moments, alone and in pairs, of one batch and of two, until that many
    died of it; batches that were cut short are repeated among new ones, and all are ended."""
    chance = random.Random(seed)
    records = tmp_path / "r.db"
    jobs: list[tuple[BatchJob, Path]] = []
    start = time.monotonic()
    made(job_of(_lot(tmp_path, 0), name="whole"), records, tmp_path / "whole")
    longest = time.monotonic() - start
    died = pairs = 0
    before = recorded(records)
    while died < kills:
        number = len(jobs) + 1
        jobs.append((job_of(_lot(tmp_path, number), name=f"lot{number}"), tmp_path / f"{number}"))
        chosen = [jobs[-1], *chance.sample(jobs, chance.choice((0, 0, 1)))]
        children = [forked(lambda job=job, to=to: run(job, records, to)) for job, to in chosen]
        time.sleep(chance.random() * longest)
        for child in children:
            os.kill(child, signal.SIGKILL)
        ends = [os.waitpid(child, 0)[1] for child in children]
        hit = sum(os.WIFSIGNALED(end) and os.WTERMSIG(end) == signal.SIGKILL for end in ends)
        assert all(os.WIFSIGNALED(end) or os.waitstatus_to_exitcode(end) == 0 for end in ends)
        longest *= 1.2 if hit else 0.8  # so that the moments reach to the end of a run
        died, pairs = died + hit, pairs + (hit == 2)
        after = recorded(records)
        check(before, after)
        before = after
    cut_short = len(before)
    for job, output in jobs:
        finish(job, records, output)
    in_the_end = ROWS * (1 + len(jobs))
    assert in_the_end == len(recorded(records)) > cut_short > ROWS
    print(f"seed {seed}: {died} runs killed, {pairs} times two at once, in {len(jobs)} batches; "
          f"{cut_short} units on record then, {in_the_end} in the end, each number once")


def _lot(folder: Path, number: int) -> Path:
    table = folder / f"lot{number}.csv"
    table.write_text(rows(ROWS))
    return table


@pytest.fixture(autouse=True)
def short_steps(monkeypatch: pytest.MonkeyPatch) -> None:
    """A batch of several steps."""
    monkeypatch.setattr(batch, "_BLOCK_MOST", 16)


def test_killed_at_random_moments(tmp_path: Path) -> None:
    """A dozen kills, alone and beside another run."""
    kill_at_random(tmp_path, 12, 1)


@pytest.mark.long
@pytest.mark.parametrize("seed", range(10))
def test_killed_at_two_hundred_moments(seed: int, tmp_path: Path) -> None:
    """Ten histories of twenty kills each."""
    kill_at_random(tmp_path, 20, 100 + seed)
