"""Processes that each have loaded a harness: what the firmware does to itself there harms nobody.

A crash ends its process only. A call that does not come back is noticed by a thread beside it,
which leaves word of the history at hand and ends the process. Knows no campaign.
"""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import TypeVar

from paramstore.core.errors import ToolError
from paramstore.verify.cuts.build import Harness
from paramstore.verify.cuts.explorer import Explorer
from paramstore.verify.rig.native import NativeTarget

__all__ = ["PATIENCE_S", "Workers"]

PATIENCE_S = 10.0
"""Processor time in which some call to the store has to begin: one takes less than 1 ms."""

R = TypeVar("R")
T = TypeVar("T")


class Workers:
    """Processes that do work with an explorer; a context, at whose end they are gone."""

    def __init__(self, harness: Harness, count: int = 1) -> None:
        self._word = harness.library.with_name("endless.txt")
        self._pool = ProcessPoolExecutor(count, initializer=_begin,
                                         initargs=(harness, self._word, PATIENCE_S))

    def __enter__(self) -> Workers:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None) -> None:
        self._pool.shutdown(wait=True, cancel_futures=True)

    def do(self, function: Callable[..., R], *arguments: object) -> R:
        """Let one process call `function` with its explorer, and return what that returns.

        ToolError if the firmware crashes, or a call of it does not come back.
        """
        with self._crash_explained():
            return self._pool.submit(_work, function, *arguments).result()

    def each(self, function: Callable[[Explorer, T], R],
             items: Iterable[T]) -> Iterator[tuple[int, R]]:
        """Do the same with each item; yield the number of an item and what came of it, as it is
        done."""
        with self._crash_explained():
            futures: dict[Future[R], int] = {
                self._pool.submit(_work, function, item): i for i, item in enumerate(items)}
            for future in as_completed(futures):
                yield futures[future], future.result()

    @contextmanager
    def _crash_explained(self) -> Iterator[None]:
        try:
            yield
        except BrokenProcessPool as error:
            if self._word.exists():
                where = self._word.read_text("utf-8")
                raise ToolError(f"a call of the firmware does not come back, in {where}",
                                f"see it again with --replay {where}, and look for a loop that "
                                "nothing ends") from error
            raise ToolError("a worker process came to a sudden end",
                            "the runtime crashed on this schema: please report it with the schema"
                            ) from error


_explorer: Explorer | None = None  # of a worker process
_FIRST = "FACTORY,BOOT"
"""What an explorer does to get ready."""


def _begin(harness: Harness, word: Path, patience_s: float) -> None:
    global _explorer
    target = NativeTarget(harness.library)
    threading.Thread(target=_watch, args=(target, word, patience_s), daemon=True).start()
    _explorer = harness.explorer()


def _work(function: Callable[..., R], *arguments: object) -> R:
    assert _explorer is not None
    return function(_explorer, *arguments)


def _watch(target: NativeTarget, word: Path, patience_s: float) -> None:
    """End this process if the processor is busy with one call to the store."""
    calls, since = b"", time.process_time()
    while True:
        time.sleep(patience_s / 10)
        begun = target.read("part_calls", 4)
        if begun != calls:
            calls, since = begun, time.process_time()
        elif time.process_time() - since > patience_s:
            word.write_text(_FIRST if _explorer is None else _explorer.doing(), "utf-8")
            os._exit(1)
