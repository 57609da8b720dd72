"""As found: what a unit showed at the points with the values that it held before.

The readings are those of the calibration, so as found and as left differ by the parameters alone.
numpy is loaded only when there is something to compute.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from fractions import Fraction

from paramstore.calibrate.recipe import FedParameter
from paramstore.calibrate.result import AsFound, Drift, Result
from paramstore.core.scalars import Raw, StoreRaws
from paramstore.schema.from_raw import parameter_from_raw, physical_number
from paramstore.schema.model import Kind

__all__ = ["FoundValues", "with_found"]


@dataclass(frozen=True, slots=True)
class FoundValues:
    """What a unit held before: every field of its calibration groups, and where that was read.

    `defaults` names the groups without a record, whose values are the defaults of the schema.
    """

    raws: StoreRaws
    source: str
    defaults: frozenset[str] = frozenset()


def with_found(result: Result, found: FoundValues) -> Result:
    """Return a result with the errors as found at its points, and the drift of its parameters."""
    targets = result.calibration.targets
    numbers: list[Drift] = []
    stored = iter(result.numbers)
    for target in targets.values():
        physical = [float(n) for n in _physical(target, found.raws)]
        left = [next(stored) for _ in physical]
        if _same_x(target, result, found.raws):
            numbers += [Drift(n.name, n.unit, old, n.stored)
                        for n, old in zip(left, physical, strict=True)]
    return replace(result, found=AsFound(
        found.source, _errors(result, found.raws), tuple(numbers), _since(result, found),
        any(t.group.name in found.defaults for t in targets.values())))


def _errors(result: Result, raws: StoreRaws) -> tuple[float | None, ...]:
    import numpy as np

    from paramstore.calibrate.breakpoints import physical_x
    from paramstore.calibrate.models import Rows, design

    cal = result.calibration
    factor = float(cal.reading_factor)
    rows = Rows(
        np.array([p.reference for p in result.points]),
        np.array([p.reading * factor for p in result.points]),
        np.array([25.0 if p.temperature is None else p.temperature for p in result.points]))
    outputs, knots, size = {}, None, 1
    for key, target in cal.targets.items():
        numbers = np.array([float(n / target.factor) for n in _physical(target, raws)])
        curve = target.parameter.kind is Kind.CURVE
        outputs[key] = numbers if curve or target.array else numbers[0]
        size = len(numbers) if key == "coefficients" else size
        if curve:
            x = target.parameter.fields[0]
            knots = np.array([physical_x(x, raw, target.x_factor)
                              for raw in raws[target.group.name][x.name]])
    with np.errstate(all="ignore"):
        model = design(cal.model, rows, cal.options, frozenset(cal.targets), size, knots)
        errors = model.errors(outputs, rows)
    return tuple(float(e) if np.isfinite(e) else None for e in errors)


def _physical(target: FedParameter, raws: StoreRaws) -> list[Fraction]:
    """Return the numbers that are fed, in the unit of the parameter; those that are not finite as
    0, which no store serves."""
    field = target.field
    found: Sequence[Raw] = raws[target.group.name][field.name]
    if target.element is not None:
        found = found[target.element:target.element + 1]
    return [Fraction(r) if isinstance(r, float) else Fraction(physical_number(field, r))
            for r in found]


def _same_x(target: FedParameter, result: Result, raws: StoreRaws) -> bool:
    """Whether the heights of a curve stand at the same x as before; true of any other parameter."""
    if target.parameter.kind is not Kind.CURVE:
        return True
    group, x = target.group.name, target.parameter.fields[0].name
    return raws[group][x] == result.raws[group][x]


def _since(result: Result, found: FoundValues) -> date | None:
    target = result.calibration.stores.get("date")
    if target is None or target.group.name in found.defaults:
        return None
    value = parameter_from_raw(target.parameter, found.raws[target.group.name])
    return value if isinstance(value, date) else None
