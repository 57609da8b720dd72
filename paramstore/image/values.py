"""Values files: physical values in TOML to raws, with every mistake at its place.

A values file has one table for each group. `--set` settings are read by the same rules, each as
a source of its own. Must not know slots or images.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Container, Iterable
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Unpack

from paramstore.core.errors import (
    Finding,
    FindingsError,
    Remarks,
    Severity,
    SourceText,
    Span,
    errors_in,
)
from paramstore.core.scalars import Raw
from paramstore.core.words import code_list, did_you_mean, show_number, type_of
from paramstore.image.wording import breach_help, breach_text
from paramstore.located.source import Document, load_document
from paramstore.schema.breaches import BreachKind, breaches
from paramstore.schema.from_raw import Physical, element_name
from paramstore.schema.model import AnyGroup, AnySchema, Kind, Parameter
from paramstore.schema.to_raw import ConvertedValue, Loss, ValueProblem, parameter_to_raw

__all__ = ["GivenValues", "read_values"]

_CODE_OF_PROBLEM = {
    "type": "PS504", "whole": "PS504", "count": "PS504",
    "unit": "PS505",
    "fit": "PS506", "limit": "PS506", "finite": "PS506", "date": "PS506",
    "member": "PS507",
    "text": "PS508", "length": "PS508",
    "rising": "PS509",
}


@dataclass(frozen=True, slots=True)
class GivenValues:
    """Raws by group and field name, only what was given; and warnings about them."""

    values: dict[str, dict[str, tuple[Raw, ...]]]
    warnings: tuple[Finding, ...] = ()


def read_values(schema: AnySchema, source: SourceText | None = None,
                settings: Iterable[str] = (), *, partial: bool = False,
                elsewhere: Container[tuple[str, str]] = ()) -> GivenValues:
    """Return the values of a file, with `settings` (GROUP.PARAMETER=VALUE) on top of them.

    What is not given has its default; in `partial` values it comes from elsewhere, so a rule
    between two values is checked only if both are given. The parameters in `elsewhere`, pairs of
    group and name, get other values than these: no rule is checked on them.
    Raises FindingsError with all mistakes (PS101 to PS103, PS501 to PS512), and the warnings
    among them, if there is an error.
    """
    reader = _Reader(schema)
    if source is not None:
        reader.read_file(load_document(source))
    given = tuple(settings)
    for number, setting in enumerate(given, 1):
        reader.read_setting(setting, "--set" if len(given) == 1 else f"--set {number}")
    reader.check_order(partial, elsewhere)
    if errors_in(reader.findings):
        raise FindingsError(reader.findings)
    return GivenValues(reader.values, tuple(sorted(reader.findings, key=lambda f: f.sort_key)))


@dataclass(frozen=True, slots=True)
class _Place:
    """Where a value was given: in a document under a path, or in a setting at a span."""

    source: SourceText
    span: Span
    document: Document | None = None
    path: tuple[str, ...] = ()

    def element(self, path: tuple[int, ...]) -> Span:
        """Return where one element of the value stands."""
        return self.document.value_span((*self.path, *path)) if self.document else self.span


@dataclass(slots=True)
class _Reader:
    schema: AnySchema
    findings: list[Finding] = field(default_factory=list)
    values: dict[str, dict[str, tuple[Raw, ...]]] = field(default_factory=dict)
    places: dict[tuple[str, str], _Place] = field(default_factory=dict)

    # ---- Sources -----------------------------------------------------------------------------

    def read_file(self, document: Document) -> None:
        if {"store", "group"} <= document.data.keys():
            self._add("PS503", "this is a schema, not a values file",
                      _Place(document.source, document.key_span(("store",))),
                      help="give the schema first and the values file second")
            return
        for name, content in document.data.items():
            place = _Place(document.source, document.key_span((name,)))
            group = self._group(name, place)
            if group is None:
                continue
            if not isinstance(content, dict):
                self._add("PS503", f"`{name}` must be a table, not {type_of(content)}", place,
                          help=f"write `[{name}]` and the parameters below it")
                continue
            for key, value in content.items():
                path = (name, key)
                parameter = self._parameter(
                    group, key, _Place(document.source, document.key_span(path)))
                if parameter is not None:
                    self._take(group, parameter, value, _Place(
                        document.source, document.value_span(path), document, path))

    def read_setting(self, text: str, source_name: str) -> None:
        source = SourceText(source_name, text)
        name, equals, value = text.partition("=")
        group_name, dot, parameter_name = (part.strip() for part in name.partition("."))
        whole = _Place(source, Span(1, 1, 1, len(text) + 1))
        if not text.isprintable():
            self._add("PS512", "a setting holds a character that cannot be shown", whole,
                      help="put such a value in a values file")
            return
        if not equals or not dot or not group_name or not parameter_name:
            self._add("PS512", f"`{text}` is not a setting", whole,
                      help="write GROUP.PARAMETER=VALUE")
            return
        group = self._group(group_name, _Place(source, _part(text, group_name)))
        if group is None:
            return
        place = _Place(source, _part(text, parameter_name, name.index(".") + 1))
        parameter = self._parameter(group, parameter_name, place)
        if parameter is not None:
            span = Span(1, len(name) + 2, 1, len(text) + 1)
            self._take(group, parameter, _setting_value(parameter, value), _Place(source, span))

    # ---- Rules -------------------------------------------------------------------------------

    def check_order(self, partial: bool, elsewhere: Container[tuple[str, str]]) -> None:
        """Check `below` on what will be stored: given values, and defaults for the rest."""
        for group in self.schema.groups:
            stored = {f.name: f.default for f in group.fields} | self.values.get(group.name, {})
            for breach in breaches(group, stored):
                if breach.kind is not BreachKind.BELOW:
                    continue
                low, high = breach.parameter.name, breach.parameter.below or ""
                places = {n: p for n in (low, high) if (p := self.places.get((group.name, n)))}
                if not places.keys() <= self.values.get(group.name, {}).keys() or not places:
                    continue  # one has a mistake already, or both are defaults of the schema
                if (partial and len(places) < 2) or any(
                        (group.name, name) in elsewhere for name in (low, high)):
                    continue  # what is compared here is not what a part gets
                place = next(iter(places.values()))
                others = [p for p in list(places.values())[1:] if p.source is place.source]
                notes = tuple(f"`{n}` has its default" for n in (low, high) if n not in places)
                self._add("PS510", breach_text(breach, group, stored), place, notes=notes,
                          help=breach_help(breach, stored),
                          also=tuple((p.span, "and this one") for p in others))

    def _group(self, name: str, place: _Place) -> AnyGroup | None:
        names = [g.name for g in self.schema.groups]
        if name in names:
            return self.schema.group(name)
        owners = self._owners(name)
        help = (f"it is a parameter of {owners}" if owners
                else did_you_mean(name, names, "the groups"))
        self._add("PS501", f"the schema has no group `{name}`", place, help=help)
        return None

    def _parameter(self, group: AnyGroup, name: str, place: _Place) -> Parameter | None:
        names = [p.name for p in group.parameters]
        if name in names:
            return group.parameter(name)
        owners = self._owners(name)
        help = (f"it is a parameter of {owners}" if owners
                else did_you_mean(name, names, f"the parameters of `{group.name}`"))
        self._add("PS502", f"group `{group.name}` has no parameter `{name}`", place, help=help)
        return None

    def _owners(self, name: str) -> str:
        owners = [g.name for g in self.schema.groups if name in (p.name for p in g.parameters)]
        return f"group {code_list(owners, 'or')}" if owners else ""

    def _take(self, group: AnyGroup, parameter: Parameter, value: Physical, place: _Place) -> None:
        self.places[group.name, parameter.name] = place
        try:
            conversions = parameter_to_raw(parameter, value)
        except ValueProblem as problem:
            self.findings += [Finding(
                _CODE_OF_PROBLEM[p.kind], p.message, place.source, place.element(p.path), p.label,
                p.notes, p.help) for p in (problem, *problem.others)]
            return
        for name, conversion in conversions.items():
            self.values.setdefault(group.name, {})[name] = conversion.raws
        self._tell_losses(parameter, conversions, place)

    def _tell_losses(self, parameter: Parameter, conversions: dict[str, ConvertedValue],
                     place: _Place) -> None:
        for f in parameter.fields:
            for loss in conversions[f.name].losses:
                unit = f" {f.unit}" if f.unit else ""
                path = loss.path[:1] if parameter.kind is Kind.CURVE else loss.path
                self.findings.append(Finding(
                    "PS511",
                    f"`{element_name(f, path)}` = {show_number(loss.wanted)}{unit} is stored as "
                    f"{show_number(loss.stored)}{unit}",
                    place.source, place.element(loss.path),
                    notes=(f"{_short(loss)}{unit} off; {_steps(f.scaled, f.scale, unit)}",),
                    severity=Severity.WARNING))

    def _add(self, code: str, message: str, place: _Place, **more: Unpack[Remarks]) -> None:
        self.findings.append(Finding(code, message, place.source, place.span, **more))


def _short(loss: Loss) -> str:
    return f"{loss.error:+.2g}".replace("e+0", "e").replace("e-0", "e-")


def _steps(scaled: bool, scale: Decimal, unit: str) -> str:
    return f"the steps are {show_number(scale)}{unit}" if scaled else "the type has no more digits"


def _part(text: str, part: str, start: int = 0) -> Span:
    at = text.index(part, start) + 1
    return Span(1, at, 1, at + max(len(part), 1))


def _setting_value(parameter: Parameter, text: str) -> Physical:
    """Return the value of a setting: TOML where it is, else a text as a shell leaves it."""
    value = _toml_or_text(text)
    if parameter.kind in (Kind.TEXT, Kind.BYTES, Kind.ENUM) and not isinstance(value, str | list):
        value = text
    if not isinstance(value, str) or parameter.kind in (Kind.TEXT, Kind.BYTES, Kind.CURVE):
        return value
    array = parameter.fields[0].array
    if parameter.kind is Kind.FLAGS and not array:
        return _flag_names(parameter, value)
    if array and "," in value:
        return [_toml_or_text(part.strip()) for part in value.split(",")]
    return value


def _toml_or_text(text: str) -> object:
    try:
        return tomllib.loads(f"value = {text}", parse_float=Decimal)["value"]
    except (tomllib.TOMLDecodeError, ArithmeticError, ValueError, RecursionError):
        return text


def _flag_names(parameter: Parameter, text: str) -> list[str]:
    """Return the names in "low,high" or in "low + high", as `unpack` shows them; none in "none"."""
    if text.strip() == "none" and "none" not in dict(parameter.fields[0].members):
        return []
    return [name.strip() for name in re.split(r"[,+]", text) if name.strip()]
