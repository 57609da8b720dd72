"""Fitted numbers as the store keeps them: rounded to the stored type, held to the limits."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

import numpy as np

from paramstore.calibrate.leastsq import Array
from paramstore.calibrate.recipe import FedParameter
from paramstore.core.scalars import Raw
from paramstore.schema.from_raw import physical_number, show_raw
from paramstore.schema.model import Field, Kind
from paramstore.schema.numbers import nearest_raw
from paramstore.schema.to_raw import check_limits, refuse_fit

__all__ = ["Stored", "in_parameter", "store"]


@dataclass(frozen=True, slots=True)
class Stored:
    """The numbers of one parameter: `raws` by field name (of an element, that of the whole array,
    the others at their defaults), `back` as the firmware reads them, in
    the unit of the model; `physical` and `shown` in that of the parameter."""

    raws: dict[str, tuple[Raw, ...]]
    back: Array
    physical: tuple[float, ...]
    shown: tuple[str, ...]


def in_parameter(target: FedParameter, numbers: Sequence[float]) -> tuple[float, ...]:
    """Return numbers of the model in the unit of the parameter."""
    return tuple(float(Fraction(n) * target.factor) for n in numbers)


def store(target: FedParameter, numbers: Sequence[float], x_raws: Sequence[Raw] = ()) -> Stored:
    """Return what storing finite `numbers` in a parameter makes of them; `x_raws` of a curve.

    ValueProblem if a number does not fit in the stored type, or breaks a limit.
    """
    field = target.field
    raws = tuple(_raw(field, n, i if target.element is None else target.element)
                 for i, n in enumerate(in_parameter(target, numbers)))
    fields: Mapping[str, Sequence[Raw]] = {field.name: raws}
    if target.parameter.kind is Kind.CURVE:
        x = target.parameter.fields[0]
        check_limits(x, x_raws)
        fields = {x.name: x_raws, **fields}
    check_limits(field, raws)
    exact = [Fraction(r) if isinstance(r, float) else Fraction(physical_number(field, r))
             for r in raws]
    if target.element is not None:
        whole = list(field.default)
        whole[target.element] = raws[0]
        fields = {field.name: whole}
    return Stored(
        {name: tuple(r) for name, r in fields.items()},
        np.array([float(e / target.factor) for e in exact]),
        tuple(map(float, exact)),
        tuple(show_raw(field, r) for r in raws),
    )


def _raw(field: Field, number: float, index: int) -> Raw:
    decimal = Decimal(repr(number))
    raw = nearest_raw(field.scalar, decimal, field.scale, field.offset)
    if raw is None:
        refuse_fit(field, decimal, (index,) if field.count > 1 else ())
    return raw
