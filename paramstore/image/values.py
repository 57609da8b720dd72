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

from paramstore.core.errors import (
    Finding,
    FindingsError,
    Severity,
    SourceText,
    Span,
    errors_in,
)
from paramstore.core.scalars import Raw
from paramstore.core.words import code_list, did_you_mean, show_number, type_of
from paramstore.image.wording import breach_help, breach_text
from paramstore.located.source import Document, load_document
from paramstore.located.validator import Validator
from paramstore.schema.breaches import BreachKind, breaches
from paramstore.schema.from_raw import Physical, element_name
from paramstore.schema.model import AnyGroup, AnySchema, Kind, Parameter
from paramstore.schema.to_raw import Loss, ValueProblem, parameter_to_raw

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
        reader.read(load_document(source))
    given = tuple(settings)
    for number, setting in enumerate(given, 1):
        reader.read_setting(setting, "--set" if len(given) == 1 else f"--set {number}")
    reader.check_order(partial, elsewhere)
    if errors_in(reader.findings):
        raise FindingsError(reader.findings)
    return GivenValues(reader.values, tuple(sorted(reader.findings, key=lambda f: f.sort_key)))


@dataclass(slots=True)
class _Reader:
    schema: AnySchema
    findings: list[Finding] = field(default_factory=list)
    values: dict[str, dict[str, tuple[Raw, ...]]] = field(default_factory=dict)
    given_in: dict[tuple[str, str], Validator] = field(default_factory=dict)

    # ---- Sources -----------------------------------------------------------------------------

    def read(self, document: Document, *, setting: bool = False) -> None:
        """Take the values of a document; one that was made of a `setting` has texts."""
        found = Validator(document, findings=self.findings)
        if {"store", "group"} <= document.data.keys():
            found.add("PS503", "this is a schema, not a values file", found.key("store"),
                      help="give the schema first and the values file second")
            return
        for name, content in document.data.items():
            group = self._group(found, name)
            if group is None:
                continue
            if not isinstance(content, dict):
                found.add("PS503", f"`{name}` must be a table, not {type_of(content)}",
                          found.key(name), help=f"write `[{name}]` and the parameters below it")
                continue
            for key, value in content.items():
                parameter = self._parameter(found, group, key)
                if parameter is not None:
                    self._take(found, group, parameter,
                               _setting_value(parameter, str(value)) if setting else value)

    def read_setting(self, text: str, source_name: str) -> None:
        """Take the value of a setting, GROUP.PARAMETER=VALUE."""
        source = SourceText(source_name, text)
        name, equals, value = text.partition("=")
        group, dot, parameter = (part.strip() for part in name.partition("."))
        if not text.isprintable():
            message, help = ("a setting holds a character that cannot be shown",
                             "put such a value in a values file")
        elif not equals or not dot or not group or not parameter:
            message, help = f"`{text}` is not a setting", "write GROUP.PARAMETER=VALUE"
        else:
            self.read(Document(source, {group: {parameter: value}}, {
                (group,): _part(text, group),
                (group, parameter): _part(text, parameter, name.index(".") + 1),
            }, {(group, parameter): Span(1, len(name) + 2, 1, len(text) + 1)}), setting=True)
            return
        self.findings.append(Finding("PS512", message, source, Span(1, 1, 1, len(text) + 1),
                                     help=help))

    # ---- Rules -------------------------------------------------------------------------------

    def check_order(self, partial: bool, elsewhere: Container[tuple[str, str]]) -> None:
        """Check `below` on what will be stored: given values, and defaults for the rest."""
        for group in self.schema.groups:
            stored = {f.name: f.default for f in group.fields} | self.values.get(group.name, {})
            for breach in breaches(group, stored):
                if breach.kind is not BreachKind.BELOW:
                    continue
                low, high = breach.parameter.name, breach.parameter.below or ""
                places = {n: (found, found.value(group.name, n)) for n in (low, high)
                          if (found := self.given_in.get((group.name, n)))}
                if not places.keys() <= self.values.get(group.name, {}).keys() or not places:
                    continue  # one has a mistake already, or both are defaults of the schema
                if (partial and len(places) < 2) or any(
                        (group.name, name) in elsewhere for name in (low, high)):
                    continue  # what is compared here is not what a part gets
                (found, place), *others = places.values()
                notes = tuple(f"`{n}` has its default" for n in (low, high) if n not in places)
                found.add("PS510", breach_text(breach, group, stored), place, notes=notes,
                          help=breach_help(breach, stored), also=tuple(
                              (there, "and this one") for other, there in others
                              if other is found))

    def _group(self, found: Validator, name: str) -> AnyGroup | None:
        names = [g.name for g in self.schema.groups]
        if name in names:
            return self.schema.group(name)
        owners = self._owners(name)
        help = (f"it is a parameter of {owners}" if owners
                else did_you_mean(name, names, "the groups"))
        found.add("PS501", f"the schema has no group `{name}`", found.key(name), help=help)
        return None

    def _parameter(self, found: Validator, group: AnyGroup, name: str) -> Parameter | None:
        names = [p.name for p in group.parameters]
        if name in names:
            return group.parameter(name)
        owners = self._owners(name)
        help = (f"it is a parameter of {owners}" if owners
                else did_you_mean(name, names, f"the parameters of `{group.name}`"))
        found.add("PS502", f"group `{group.name}` has no parameter `{name}`",
                  found.key(group.name, name), help=help)
        return None

    def _owners(self, name: str) -> str:
        owners = [g.name for g in self.schema.groups if name in (p.name for p in g.parameters)]
        return f"group {code_list(owners, 'or')}" if owners else ""

    def _take(self, found: Validator, group: AnyGroup, parameter: Parameter,
              value: Physical) -> None:
        path = group.name, parameter.name
        self.given_in[path] = found
        try:
            conversions = parameter_to_raw(parameter, value)
        except ValueProblem as problem:
            for each in (problem, *problem.others):
                found.add_problem(each.as_problem(_CODE_OF_PROBLEM), path)
            return
        for name, conversion in conversions.items():
            self.values.setdefault(group.name, {})[name] = conversion.raws
        for f in parameter.fields:
            for loss in conversions[f.name].losses:
                unit = f" {f.unit}" if f.unit else ""
                element = loss.path[:1] if parameter.kind is Kind.CURVE else loss.path
                found.add(
                    "PS511",
                    f"`{element_name(f, element)}` = {show_number(loss.wanted)}{unit} is stored as "
                    f"{show_number(loss.stored)}{unit}", found.value(*path, *loss.path),
                    notes=(f"{_short(loss)}{unit} off; {_steps(f.scaled, f.scale, unit)}",),
                    severity=Severity.WARNING)


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
    array = parameter.first.array
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
    if text.strip() == "none" and "none" not in dict(parameter.first.members):
        return []
    return [name.strip() for name in re.split(r"[,+]", text) if name.strip()]
