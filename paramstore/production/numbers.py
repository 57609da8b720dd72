"""Texts of numbers and words to raws, many at once, with numpy.

What is usual in a long table is converted here: plain numbers, short texts. Whatever is unusual in
any way is left alone, for `entries` to convert or to refuse with its reasons. All is exact: numbers
of up to 15 digits become whole numbers of their last decimal, and are rounded once, half to even.
Knows fields; knows no table.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from decimal import Decimal

import numpy as np
from numpy.typing import NDArray

from paramstore.core.scalars import Scalar, ScalarForm
from paramstore.core.words import show_number
from paramstore.schema.model import Field, Kind
from paramstore.schema.numbers import float_numbers

__all__ = ["Elements", "converter", "dtype_of", "number_texts"]

Flags = NDArray[np.bool_]
RawColumn = NDArray[np.generic]
"""Raws of one field, of many units."""

_DIGITS = 15
"""A number of so many digits survives a float of 64 bits."""
_SPARE_DECIMALS = 4
"""More decimals than a field stores, that its cells may have."""
_F32_NORMAL = 2.0 ** -126
_CANONICAL = r"(?!-0\n)-?(?:0|[1-9]\d*)(?:\.\d{0,6}[1-9])?\n"
_FEW_DIGITS = r"-?[0.]*(?:\d\.?){0,6}(?:[eE][+-]?\d+)?\n"
_FLOAT = r"-?\d{1,7}(?:\.\d{1,8})?(?:[eE][+-]?\d{1,2})?\n"


@dataclass(slots=True)
class Elements:
    """Elements of one field: raws, which of them are usual (the others are meaningless), and by
    how much storage moves each, None if it moves none."""

    raws: RawColumn
    usual: Flags
    moved: NDArray[np.float64] | None = None


Converter = Callable[[Sequence[str]], Elements]


def converter(field: Field) -> Converter | None:
    """Return what converts the texts of elements of a field, limits checked; None if each needs a
    look of its own. A text is one element, that is, all of its bytes."""
    if field.kind is Kind.TEXT:
        return _Texts(field)
    if field.kind not in (Kind.INTEGER, Kind.FLOAT, Kind.CURVE):
        return None
    if field.scalar.form is ScalarForm.FLOAT:
        return _Floats(field)
    decimals = max(0, *(-int(d.as_tuple().exponent) for d in (field.scale, field.offset)))
    decimals += _SPARE_DECIMALS
    room = Decimal(2) ** 60
    small = max(abs(field.scale), abs(field.offset)) * 10 ** decimals < room
    return _Integers(field, decimals) if decimals < _DIGITS and small and field.scale > 0 else None


def dtype_of(scalar: Scalar) -> np.dtype[np.generic]:
    """Return the type of the elements of an array of such scalars, as they lie on the EEPROM."""
    letter = {ScalarForm.UNSIGNED: "u", ScalarForm.SIGNED: "i", ScalarForm.FLOAT: "f"}[scalar.form]
    return np.dtype(f"<{letter}{scalar.size}")


def number_texts(texts: Sequence[str], usual: Flags) -> Sequence[str]:
    """Return numbers as `words.show_number` writes them; what is not usual stays as it is."""
    leave = _matches(_CANONICAL, texts) | ~usual
    if leave.all():
        return texts
    return [text if stays else show_number(Decimal(text))
            for text, stays in zip(texts, leave.tolist(), strict=True)]


class _Integers:
    """Whole numbers and scaled ones. raw = (value - offset) / scale, in units of 10**-decimals."""

    def __init__(self, field: Field, decimals: int) -> None:
        self._field = field
        self._unit = 10 ** decimals
        self._usual = rf"-?\d{{1,{_DIGITS - decimals}}}(?:\.\d{{1,{decimals}}})?\n"
        self._scale = int(field.scale * self._unit)
        self._offset = int(field.offset * self._unit)

    def __call__(self, texts: Sequence[str]) -> Elements:
        values, usual = _floats(self._usual, texts)
        # Below 10**15, the nearest whole number is the one that was written.
        wanted = np.rint(values * self._unit).astype(np.int64) - self._offset
        raws, rest = np.divmod(wanted, self._scale)
        raws += (2 * rest > self._scale) | ((2 * rest == self._scale) & (raws & 1 == 1))
        moved = raws * self._scale - wanted
        usual &= _within(self._field, raws)
        if not self._field.scaled:
            usual &= moved == 0
        return Elements(raws.astype(dtype_of(self._field.scalar)), usual,
                        moved / self._unit if moved.any() else None)


class _Floats:
    """f32 and f64."""

    def __init__(self, field: Field) -> None:
        self._field = field

    def __call__(self, texts: Sequence[str]) -> Elements:
        values, usual = _floats(_FLOAT, texts)
        scalar = self._field.scalar
        if scalar.size == 8:
            return Elements(values.astype("<f8"), usual & _within(self._field, values))
        with np.errstate(over="ignore"):
            raws = values.astype("<f4")
        usual &= np.isfinite(raws) & ((np.abs(raws) >= _F32_NORMAL) | (values == 0))
        # Half-way between two f32, the f64 may have lost on which side the number lies.
        usual &= values.view(np.uint64) & np.uint64(0x1FFF_FFFF) != np.uint64(0x1000_0000)
        usual &= _within(self._field, raws.astype(np.float64))
        return Elements(raws, usual, self._moved(texts, raws, usual))

    def _moved(self, texts: Sequence[str], raws: RawColumn,
               usual: Flags) -> NDArray[np.float64] | None:
        """An f32 keeps every number of 6 digits; one of more may come back as another."""
        doubtful = np.flatnonzero(usual & ~_matches(_FEW_DIGITS, texts))
        if not len(doubtful):
            return None
        moved = np.zeros(len(texts))
        for index, raw in zip(doubtful.tolist(), raws[doubtful].tolist(), strict=True):
            given, numbers = Decimal(texts[index]), float_numbers(self._field.scalar, raw)
            if given not in numbers:
                moved[index] = numbers[1] - given
        return moved if moved.any() else None


class _Texts:
    """Texts that are nothing special: no formula, not left empty, not too long."""

    def __init__(self, field: Field) -> None:
        self._size = field.count

    def __call__(self, texts: Sequence[str]) -> Elements:
        data = [text.encode() for text in texts]  # EMPTY is a zero byte, and stays one
        usual = np.fromiter((0 < len(d) <= self._size and d[0] not in b"=#'" for d in data),
                            np.bool_, len(data))
        filled = b"".join(d[:self._size].ljust(self._size, b"\0") for d in data)
        return Elements(np.frombuffer(filled, np.uint8), usual)


def _floats(pattern: str, texts: Sequence[str]) -> tuple[NDArray[np.float64], Flags]:
    """Return the numbers that texts stand for, and which of them have the pattern; the others
    are 0."""
    usual = _matches(pattern, texts)
    if not usual.all():
        texts = [t if good else "0" for t, good in zip(texts, usual.tolist(), strict=True)]
    return np.fromiter(map(float, texts), np.float64, len(texts)), usual


def _matches(pattern: str, texts: Sequence[str]) -> Flags:
    """Return which texts, a line end behind each, have a pattern."""
    # `*+` never goes back into a line: one that does not match must not make others be tried anew.
    if re.fullmatch(f"(?:{pattern})*+", "\n".join([*texts, ""]), re.ASCII):
        return np.ones(len(texts), np.bool_)
    one = re.compile(pattern, re.ASCII)
    return np.fromiter((one.fullmatch(text + "\n") is not None for text in texts), np.bool_,
                       len(texts))


def _within(field: Field, raws: NDArray[np.int64] | NDArray[np.float64]) -> Flags:
    scalar, ranges = field.scalar, field.limits.ranges
    within = (raws >= scalar.minimum) & (raws <= scalar.maximum)
    if ranges:
        within &= np.logical_or.reduce([(raws >= low) & (raws <= high) for low, high in ranges])
    return within
