"""What a schema, a fixed layout and the releases beside them come to is found out once.

Half of the time of most commands goes into that, and most inputs leave the schema as it was, or
give the same one to several commands. Each text is read as ever when it comes for the first time;
only then is what came out of it, a refusal included, given again for the same path, text and
releases. All of it is frozen.
"""

from __future__ import annotations

import os
from collections import OrderedDict
from collections.abc import Callable, Hashable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from paramstore.core.errors import FindingsError, SourceText
from paramstore.production import columnar
from paramstore.releases import project
from paramstore.schema.fixed import reader as layouts

__all__ = ["remembered"]

_MOST = 40
"""Results of each kind; those that were not asked for the longest go first."""


class _Remembered:
    """A function of a text, and what it gave or refused."""

    def __init__(self, function: Callable[[Any], Any], key: Callable[[Any], Hashable]) -> None:
        self._function, self._key = function, key
        self._results: OrderedDict[Hashable, tuple[Any, FindingsError | None]] = OrderedDict()

    def __call__(self, argument: Any) -> Any:
        key = self._key(argument)
        if key not in self._results:
            self._results[key] = self._ask(argument)
            if len(self._results) > _MOST:
                self._results.popitem(last=False)
        self._results.move_to_end(key)
        result, error = self._results[key]
        if error is not None:
            raise FindingsError(error.findings)
        return result

    def _ask(self, argument: Any) -> tuple[Any, FindingsError | None]:
        try:
            return self._function(argument), None
        except FindingsError as error:
            return None, FindingsError(error.findings)  # without the frames of this one


def _text(source: SourceText) -> Hashable:
    return source.path, source.text


def _with_releases(source: SourceText) -> Hashable:
    folder = Path(source.path).with_suffix(".releases")
    try:
        names = sorted(os.listdir(folder))  # noqa: PTH208 - no more than the names are needed
    except FileNotFoundError:
        names = []
    return source.path, source.text, *((n, (folder / n).read_bytes()) for n in names)


_PLACES: tuple[tuple[Any, str, Callable[[Any], Hashable]], ...] = (
    (project, "read_schema", _text),
    (project, "review", _with_releases),
    (layouts, "read_layout", _text),
    (columnar, "contributions", int),
)
_FUNCTIONS = [_Remembered(getattr(place, name), key) for place, name, key in _PLACES]


@contextmanager
def remembered() -> Iterator[None]:
    """Let the commands take what was found out before."""
    before = [getattr(place, name) for place, name, _ in _PLACES]
    try:
        for (place, name, _), function in zip(_PLACES, _FUNCTIONS, strict=True):
            setattr(place, name, function)
        yield
    finally:
        for (place, name, _), function in zip(_PLACES, before, strict=True):
            setattr(place, name, function)
