"""What a recipe means, once it has been read and found free of mistakes.

A recipe says which model feeds which parameters of a schema. It is a file of its own rather than a
part of the schema: a schema is a promise that firmware and released layouts rest on, a recipe is a
procedure that a test bench may change any day. Frozen data; knows no TOML.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from fractions import Fraction
from typing import Any

from paramstore.calibrate.acceptance import Acceptance
from paramstore.calibrate.keys import MODELS, ModelInfo
from paramstore.calibrate.particulars import Particulars
from paramstore.core.errors import SourceText, Span
from paramstore.core.scalars import Raw, StoreRaws
from paramstore.schema.model import Field, Group, Parameter

__all__ = ["ALL_UNITS_FILE", "Calibration", "FedParameter", "Recipe", "put"]

_NONE: StoreRaws = {}

ALL_UNITS_FILE = "_all_units.toml"
"""Beside the values files of a folder, one for each serial number: what was measured once for all
of them. No serial number begins with `_`."""


@dataclass(frozen=True, slots=True)
class FedParameter:
    """A parameter that takes an output, or one `element` of an array. A number in the unit of the
    model, times `factor`, is one in the unit of the parameter; `x_factor` is that of the readings,
    for x of a curve."""

    group: Group
    parameter: Parameter
    span: Span
    factor: Fraction = Fraction(1)
    x_factor: Fraction = Fraction(1)
    element: int | None = None

    @property
    def name(self) -> str:
        """GROUP.PARAMETER or GROUP.PARAMETER[ELEMENT], as in the recipe."""
        element = "" if self.element is None else f"[{self.element}]"
        return f"{self.group.name}.{self.parameter.name}{element}"

    @property
    def array(self) -> bool:
        """Whether it takes a whole array."""
        return self.field.array and self.element is None

    @property
    def field(self) -> Field:
        """Where the numbers go: the only field, or y of a curve."""
        return self.parameter.fields[-1]


@dataclass(frozen=True, slots=True)
class Calibration:
    """One table of a recipe. `options` has the other keys of the model, by name, with defaults.

    `reading_factor` turns a reading of the table into the unit the model computes in. `stores` has
    the parameters for `particulars`, by their keys; without `acceptance` no error is judged.
    `channels`: how many channels a table measures, each for one element of the arrays; 0 if the
    parameters are fed as they are.
    """

    name: str
    model: str
    reading_unit: str
    reference_unit: str
    targets: dict[str, FedParameter]
    options: dict[str, Any]
    span: Span
    doc: str = ""
    reading_factor: Fraction = Fraction(1)
    particulars: Particulars = field(default_factory=Particulars)
    stores: dict[str, FedParameter] = field(default_factory=dict)
    acceptance: Acceptance | None = None
    channels: int = 0

    def channel(self, index: int) -> Calibration:
        """Return the calibration of one channel, called NAME[index]."""
        return replace(self, name=f"{self.name}[{index}]", channels=0, targets={
            key: replace(target, element=index) for key, target in self.targets.items()})

    @property
    def info(self) -> ModelInfo:
        """The model's row in the table of models."""
        return MODELS[self.model]

    def number(self, key: str) -> float | None:
        """Return a numeric option; None if it is not given and has no default."""
        value = self.options.get(key)
        return None if value is None else float(value)

    @property
    def all_units(self) -> bool:
        """Whether it is measured once for every unit."""
        return bool(self.options["all_units"])

    @property
    def temperature_used(self) -> bool:
        """Whether the model asks for the temperature of each measurement."""
        return self.info.needs_temperature or self.options.get("tempco") is not None


@dataclass(frozen=True, slots=True)
class Recipe:
    """A whole recipe. `serial` takes the serial number of the unit, if the recipe names it."""

    source: SourceText
    calibrations: tuple[Calibration, ...]
    serial: FedParameter | None = None

    def given(self, measured: date | None = None, person: str = "", ambient: str = "") -> Recipe:
        """Return the recipe with what was given for this run."""
        return replace(self, calibrations=tuple(
            replace(c, particulars=c.particulars.given(measured, person, ambient))
            for c in self.calibrations))

    def calibration(self, name: str) -> Calibration | None:
        """Return the calibration called `name`, None if there is none."""
        return next((c for c in self.calibrations if c.name == name), None)


def put(values: dict[str, dict[str, tuple[Raw, ...]]], targets: Iterable[FedParameter],
        raws: Mapping[str, Mapping[str, tuple[Raw, ...]]], base: StoreRaws = _NONE) -> None:
    """Add raws by group and field name to `values`. Of an array that `targets` feed by elements
    only these change; the others are those of `values`, `base` or the schema."""
    elements: dict[tuple[str, str], list[int]] = {}
    fields = {}
    for target in targets:
        if target.element is not None:
            key = target.group.name, target.field.name
            elements.setdefault(key, []).append(target.element)
            fields[key] = target.field
    for group, named in raws.items():
        own = values.setdefault(group, {})
        for name, given in named.items():
            if (group, name) not in elements:
                own[name] = given
                continue
            whole = list(own.get(name) or base.get(group, {}).get(name)
                         or fields[group, name].default)
            for element in elements[group, name]:
                whole[element] = given[element]
            own[name] = tuple(whole)
