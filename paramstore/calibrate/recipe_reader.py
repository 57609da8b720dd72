"""Recipes from TOML: every key, parameter and unit checked, all mistakes told at once."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from paramstore.calibrate.keys import (
    COMMON_KEYS,
    EQUATIONS,
    GIVES,
    MODEL_ALIASES,
    MODELS,
    ROOT_KEYS,
    SMALLEST,
    ModelInfo,
    ModelOutput,
)
from paramstore.calibrate.recipe import Calibration, FedParameter, Recipe
from paramstore.calibrate.recipe_units import with_units
from paramstore.calibrate.record_reader import read_acceptance, read_particulars, read_stores
from paramstore.core.errors import FindingsError, SourceText, Span
from paramstore.core.words import code_list, did_you_mean, near_words
from paramstore.located.source import load_document
from paramstore.located.validator import CheckedTable, Validator
from paramstore.schema.identifiers import name_problem
from paramstore.schema.keys import ALIASES
from paramstore.schema.model import Kind, Schema

__all__ = ["read_recipe"]

PLATINUM_SETS = ({"r0"}, {"r0", "a", "b"}, {"r0", "a", "b", "c"})
_ELEMENT = re.compile(r"(.+)\[(\d{1,4})\]", re.ASCII)
_NUMBERS = {Kind.INTEGER, Kind.FLOAT, Kind.CURVE}
_ALL_KEYS = {name: key for info in MODELS.values() for name, key in info.keys.items()} | COMMON_KEYS


def read_recipe(schema: Schema, source: SourceText) -> Recipe:
    """Return the recipe in `source` for `schema`.

    FindingsError with every mistake: PS101 to PS108 for the text, PS801 to PS806 for its meaning.
    """
    validator = Validator(load_document(source), ALIASES)
    data = validator.document.data
    if data and "calibration" not in data and not near_words("calibration", list(data)):
        what = "a schema" if "store" in data else "a values file" if all(
            isinstance(v, dict) for v in data.values()) else "another file"
        validator.add("PS801", f"this is {what}, not a recipe", validator.key(next(iter(data))),
                      help="give the recipe that says how to calibrate; it has tables "
                           "`[calibration.NAME]`")
        raise FindingsError(validator.findings)
    root = validator.table((), ROOT_KEYS, "the recipe")
    assert root is not None
    reader = _Reader(validator, schema)
    calibrations = reader.calibrations(root)
    serial = reader.serial(root)
    validator.sound_findings()
    return Recipe(source, tuple(calibrations), serial)


@dataclass(slots=True)
class _Reader:
    validator: Validator
    schema: Schema
    fed: dict[str, tuple[Span, str]] = field(default_factory=dict)
    """Where a parameter was named, and for which of the particulars, "" for a result."""

    def calibrations(self, root: CheckedTable) -> list[Calibration]:
        tables = root.get("calibration", {})
        if "calibration" in root.values and not tables:
            self.validator.add("PS801", "the recipe has no calibration", root.span("calibration"),
                               help="add a table such as `[calibration.electrode]`")
        return [c for name in tables if (c := self._calibration(name)) is not None]

    def serial(self, root: CheckedTable) -> FedParameter | None:
        text = root.get("serial")
        if text is None:
            return None
        target = self._target(text, root.span("serial"))
        if target is None or target.parameter.kind is Kind.TEXT:
            return target
        self.validator.add("PS803", f"`{text}` is no text parameter", root.span("serial"),
                           help="name the `text` parameter that holds the serial number")
        return None

    # ---- One calibration -----------------------------------------------------------------------

    def _calibration(self, name: str) -> Calibration | None:
        path = ("calibration", name)
        if problem := name_problem("calibration", name):
            self.validator.add_problem(problem, path)
        model = self._model(path)
        if model is None:
            return None
        info = MODELS[model]
        table = self.validator.table(path, {**COMMON_KEYS, **info.keys}, f"calibration `{name}`")
        assert table is not None
        targets = self._targets(table, info)
        self._check_options(table, info)
        particulars = read_particulars(table)
        acceptance = read_acceptance(table)
        stores = read_stores(table, self._target, particulars)
        if table.spoilt or targets is None:
            return None
        options = {k: table.get(k, key.default) for k, key in (COMMON_KEYS | info.keys).items()
                   if k not in {o.key for o in info.outputs}}
        calibration = Calibration(
            name, model, options.get("reading_unit", info.reading_unit),
            options.get("reference_unit", info.reference_unit), targets, options,
            self.validator.key(*path), options["doc"], particulars=particulars, stores=stores,
            acceptance=acceptance, channels=next(iter(targets.values())).field.count
            if options["channels"] else 0)
        return with_units(self.validator, table, calibration)

    def _model(self, path: tuple[str, str]) -> str | None:
        content = self.validator.at(path)
        if not isinstance(content, dict) or not isinstance(content.get("model"), str):
            self.validator.table(path, _ALL_KEYS, f"calibration `{path[1]}`", allowed={"model"},
                                 example=f"[calibration.{path[1]}]")
            return None
        name: str = content["model"]
        if name in MODELS:
            return name
        meant = MODEL_ALIASES.get(name, "")
        help = (f"the model is called `{meant}`" if meant
                else did_you_mean(name, list(MODELS), "the models"))
        self.validator.add("PS802", f"there is no model `{name}`",
                           self.validator.value(*path, "model"), help=help)
        return None

    def _targets(self, table: CheckedTable, info: ModelInfo) -> dict[str, FedParameter] | None:
        targets, sound = {}, True
        for output in info.outputs:
            text = table.get(output.key)
            if text is None:
                continue
            target = self._target(text, table.span(output.key))
            if target is None or not self._suits(target, output, table.get("channels", False)):
                sound = False
            else:
                targets[output.key] = target
        return targets if sound else None

    def _target(self, text: str, span: Span, what: str = "") -> FedParameter | None:
        names = [f"{g.name}.{p.name}" for g in self.schema.groups for p in g.parameters]
        found = _ELEMENT.fullmatch(text)
        whole, element = (found[1], int(found[2])) if found else (text, None)
        if whole not in names:
            bare = [n for n in names if n.partition(".")[2] == whole]
            help = (f"write {code_list(bare, 'or')}" if bare else did_you_mean(whole, names)
                    or "write GROUP.PARAMETER, as in the schema")
            self.validator.add("PS803", f"the schema has no parameter `{whole}`", span, help=help)
            return None
        group_name, _, name = whole.partition(".")
        group = self.schema.group(group_name)
        target = FedParameter(group, group.parameter(name), span, element=element)
        if element is not None and not self._has(target, element):
            return None
        # An array is given twice by itself, and by any of its elements.
        others = [t for t in self.fed if t in (text, whole) or (
            element is None and t.startswith(f"{whole}["))]
        if others and (not what or self.fed[others[0]][1] != what):
            self.validator.add("PS805", f"`{text}` is given twice", span, label="again here",
                               also=((self.fed[others[0]][0], "first here"),),
                               help="one parameter takes one result: take one out")
            return None
        self.fed[text] = span, what
        return target

    def _has(self, target: FedParameter, element: int) -> bool:
        """Check that a parameter has an element."""
        own = target.field
        if own.array and element < own.count:
            return True
        whole = f"{target.group.name}.{target.parameter.name}"
        self.validator.add(
            "PS803", f"`{whole}` has no element {element}", target.span,
            help=f"write `{whole}[0]` to `{whole}[{own.count - 1}]`" if own.array else
            f"it is no array: write `{whole}`")
        return False

    def _suits(self, target: FedParameter, output: ModelOutput, channels: bool) -> bool:
        """Check that the parameter can hold the numbers of the output."""
        parameter, own = target.parameter, target.field
        curve = parameter.kind is Kind.CURVE
        wanted = ""
        if output.key == "curve":
            wanted, help = "" if curve else "a curve", "name a parameter of type `curve`"
        elif curve or parameter.kind not in _NUMBERS:
            wanted, help = "a number", "name a parameter of an integer type, f32 or f64"
        elif channels:
            wanted = "" if target.array else "an array with an element for each channel"
            help = "give it a `count`, and name it without an element"
        elif output.counts:
            wanted = "" if target.array and own.count in output.counts else (
                f"an array of {code_list(map(str, output.counts), 'or')}")
            help = f"give it `count = {output.counts[1]}`, for a degree of 2"
        elif output.count == 0:
            wanted = "" if target.array and own.count > 1 else "an array"
            help = "give it a `count` of 2 or more"
        elif output.count > 1:
            wanted = "" if target.array and own.count == output.count else (
                f"an array of {output.count}")
            help = f"give it `count = {output.count}`"
        elif target.array:
            wanted = "a single number"
            help = f"name an element, as `{target.name}[0]`, or a parameter without `count`"
        if wanted:
            self.validator.add("PS803", f"`{target.name}` is not {wanted}, as `{output.key}` needs",
                               target.span, help=help)
        return not wanted

    # ---- Rules between keys ----------------------------------------------------------------------

    def _check_options(self, table: CheckedTable, info: ModelInfo) -> None:
        given = [o.key for o in info.outputs if table.given(o.key)]
        if info.at_least_one_of and not set(given) & set(info.at_least_one_of):
            self._refuse(table, "", f"{table.what} feeds no parameter",
                         f"add {code_list(info.at_least_one_of, 'or')}")
        if len(both := [k for k in info.at_most_one_of if k in given]) > 1:
            self._refuse(table, both[1], f"`{both[0]}` and `{both[1]}` say the same in two ways",
                         "take one out")
        elif info is MODELS["steinhart-hart"] and "a" in given and (
                missing := [k for k in "abc" if k not in given]):
            self._refuse(table, "a", f"{table.what} has no {code_list(missing)}",
                         "name all three, or one array with `coefficients`")
        elif info is MODELS["platinum"] and set(given) not in PLATINUM_SETS:
            self._refuse(table, "r0", f"{table.what} has {code_list(given)}",
                         "name `r0`, or `r0`, `a` and `b`, or all of `r0`, `a`, `b` and `c`")
        for key, choices in (("equation", EQUATIONS), ("gives", GIVES),
                             ("smallest", SMALLEST)):
            value = table.get(key)
            if value is not None and value not in choices:
                self._refuse(table, key, f"`{value}` is not among the choices of `{key}`",
                             did_you_mean(value, choices) or f"write {code_list(choices, 'or')}")
        low, high = table.get("from"), table.get("to")
        if low is not None and high is not None and not low < high:
            self._refuse(table, "from", "`from` is not below `to`", "exchange the two")
        if info.reading_unit == "ohm" and low is not None and low <= 0:
            self._refuse(table, "from", "a resistance is greater than 0", "raise `from`")
        if table.get("channels", False):
            self._check_channels(table, info, given)
        self._check_model(table, given)

    def _check_channels(self, table: CheckedTable, info: ModelInfo, given: list[str]) -> None:
        """Check that every output is one number, and every array as long as the others."""
        if several := [o.key for o in info.outputs if o.key in given and o.count != 1]:
            self._refuse(table, "channels", f"`{several[0]}` are several numbers of one channel",
                         "take out `channels`, and write a calibration for each channel")
            return
        counts = {f"{g.name}.{p.name}": p.fields[-1].count for g in self.schema.groups
                  for p in g.parameters}
        fed = {table.get(k): counts.get(table.get(k), 0) for k in given}
        if len(set(fed.values())) > 1:
            self._refuse(table, "channels", "the arrays have different numbers of channels",
                         "give each the same `count`: " + ", ".join(
                             f"`{name}` has {count}" for name, count in fed.items()))

    def _check_model(self, table: CheckedTable, given: list[str]) -> None:
        if "gain" in given and "full_scale" in table.values and not table.given("nominal"):
            self._refuse(table, "gain", "a gain needs `nominal`",
                         "say with which reference the firmware computes: `nominal = 2.5`, or "
                         "name a parameter for `reference_voltage`")
        if "temperature_c" in table.values and "reference_unit" in table.values and (
                not table.given("tempco")):
            self._refuse(table, "temperature_c", "`temperature_c` has no use without `tempco`",
                         "take it out, or add `tempco`")
        if table.given("coefficients") and table.given("degree"):
            text = table.get("coefficients")
            count = next((p.fields[0].count for g in self.schema.groups for p in g.parameters
                          if f"{g.name}.{p.name}" == text), None)
            degree = table.get("degree")
            if degree is not None and count is not None and degree >= count:
                self._refuse(table, "degree",
                             f"a polynomial of degree {degree} has {degree + 1} coefficients, "
                             f"`{text}` has room for {count}",
                             f"give `degree = {count - 1}` or less, or more `count`")

    def _refuse(self, table: CheckedTable, key: str, message: str, help: str) -> None:
        span = table.span(key) if key else self.validator.key(*table.path)
        self.validator.add("PS804", message, span, help=help)
        table.spoil(key or "model")
