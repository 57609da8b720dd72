"""Units on record as values again: for tables, labels and calibration records.

A table that is written here has the form that a batch reads. A text that a spreadsheet would take
for a formula gets a quote before it, as is common practice; a batch takes the quote off again.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from itertools import takewhile
from typing import NamedTuple

from paramstore.core.errors import ToolError
from paramstore.core.scalars import Raw
from paramstore.core.words import did_you_mean, show_number
from paramstore.layout.plan import Plan
from paramstore.production.batch import batch_plan
from paramstore.production.cells import NOT_GIVEN
from paramstore.production.columns import column_name
from paramstore.production.records import (
    BEGIN,
    CHANGE,
    ERASE,
    STOPPED,
    VERIFY,
    WRITE,
    Batch,
    Event,
    Image,
    Records,
    UnitRecord,
)
from paramstore.production.serials import serial_place
from paramstore.schema.from_raw import Physical, parameter_from_raw
from paramstore.schema.model import Group, Kind, Parameter
from paramstore.schema.to_raw import ValueProblem, parameter_to_raw

__all__ = [
    "Exporter",
    "UnitValues",
    "event_words",
    "label_text",
    "last_event",
    "raws_on_record",
    "spreadsheet_safe",
    "units_csv",
]

_FACTS = ("#batch", "#row", "#allotted", "#packed", "#sha256", "#written", "#verified")
"""Columns that are no parameters: a batch leaves them alone."""

_RUNS = re.compile(r"'*[=+\-@\t\r\n\uff1d\uff0b\uff0d\uff20]")
_SPECIAL = re.compile(r'[",\r\n]|^\s|\s$')
_PLACEHOLDER = re.compile(r"\{([^{}]*)\}")
_UNCLOSED = re.compile(r"\{\w[\w.]*")


@dataclass(frozen=True, slots=True)
class UnitValues:
    """One unit, and what its latest image holds, as physical values by group and parameter.

    `own` names the (group, parameter) pairs that were given for this unit; it shares the others
    with all units of its batch. `values` has no group that the image has no record of; what is
    `left_out` has its default there, since no value was given.
    """

    unit: UnitRecord
    batch: Batch
    plan: Plan
    values: Mapping[str, Mapping[str, Physical]]
    own: frozenset[tuple[str, str]]
    left_out: frozenset[tuple[str, str]] = frozenset()

    @property
    def without(self) -> tuple[str, ...]:
        """The groups that the image has no record of: no value was given for them."""
        return tuple(g.name for g in self.plan.schema.groups if g.name not in self.values)


_Values = Mapping[str, Mapping[str, Physical]]


class _Given(NamedTuple):
    """What an image was made from; `own` names what was given for its unit alone, `left_out` what
    was not given."""

    batch: Batch
    plan: Plan
    values: dict[str, dict[str, Physical]]
    own: frozenset[tuple[str, str]]
    left_out: frozenset[tuple[str, str]]


class Exporter:
    """Brings the values of units back from their records; plans are read once for each batch."""

    def __init__(self, records: Records) -> None:
        self._records = records
        self._batches = {b.name: b for b in records.batches()}
        self._read: dict[str, tuple[Plan, dict[str, dict[str, Physical]]]] = {}

    def values(self, unit: UnitRecord) -> UnitValues:
        """Return a unit with its values: constants of its batch, its own, its serial number.

        ToolError if its record is damaged.
        """
        batch, plan, values, names, left_out = self._image(unit, unit.image)
        names = names - self._copied(unit, values)
        try:
            place = serial_place(plan.schema, batch.serial_parameter)
            serial = place.physical(unit.serial)
            parameter_to_raw(place.parameter, serial)
        except (ToolError, ValueError, ValueProblem) as error:
            raise self._records.damaged(f"the plan of batch `{batch.name}` has no place for the "
                                        f"serial number `{unit.serial}`") from error
        values[place.group.name][place.parameter.name] = serial
        return UnitValues(unit, batch, plan, values,
                          names | {(place.group.name, place.parameter.name)}, left_out)

    def _image(self, unit: UnitRecord, image: Image) -> _Given:
        """Return what an image was made from: constants of its batch, and the unit's own."""
        batch = self._batches.get(image.batch)
        if batch is None:
            raise self._records.damaged(f"the batch `{image.batch}` of unit `{unit.serial}` is not "
                                        "there")
        if batch.name not in self._read:
            plan = batch_plan(self._records, batch)
            constants = self._values(plan, batch.constants, f"batch `{batch.name}`")
            if missing := [p.name for g in plan.schema.groups for p in g.parameters
                           if p.name not in constants.get(g.name, {}) and not g.role.protected]:
                raise self._records.damaged(f"batch `{batch.name}` has no `{missing[0]}`")
            self._read[batch.name] = plan, constants
        plan, constants = self._read[batch.name]
        own = self._values(plan, image.given, f"unit `{unit.serial}`")
        values = {
            g.name: {**_defaults(g), **constants.get(g.name, {}), **own.get(g.name, {})}
            for g in plan.schema.groups if g.name in constants or own.get(g.name)}
        return _Given(batch, plan, values,
                      frozenset((g, name) for g, fields in own.items() for name in fields),
                      frozenset((g, name) for g, fields in values.items() for name in fields
                                if name not in constants.get(g, {}) and name not in own.get(g, {})))

    def _copied(self, unit: UnitRecord, values: _Values) -> frozenset[tuple[str, str]]:
        """Return which values the latest image has since one that they were not given for.

        A table of all values, made anew into images, gives every value of every unit: whoever gave
        it to all of them before has still given it to all of them.
        """
        if len(self._batches) == 1:
            return frozenset()
        whole = self._records.unit(unit.serial)
        images = whole.images if whole else ()
        earlier = [self._image(unit, i)
                   for i in takewhile(lambda i: i.batch != unit.image.batch, images) if i.sha256]
        shared: set[tuple[str, str]] = set()
        before: _Values = {}
        for made in earlier:
            now = {(g, name): value for g, fields in made.values.items()
                   for name, value in fields.items()}
            shared = {key for key in now if key not in made.own or (
                key in shared and before[key[0]].get(key[1]) == now[key])}
            before = made.values
        return frozenset((g, name) for g, name in shared
                         if values.get(g, {}).get(name) == before[g][name])

    def _values(self, plan: Plan, text: str, whose: str) -> dict[str, dict[str, Physical]]:
        """Return the values in a text of the records, each one that its parameter can hold."""
        known = {g.name: {p.name: p for p in g.parameters} for g in plan.schema.groups}
        try:
            values: dict[str, dict[str, Physical]] = tomllib.loads(text, parse_float=Decimal)
            for group, given in values.items():
                for name, value in given.items():
                    parameter_to_raw(known[group][name], value)
        except (LookupError, TypeError, ValueError, AttributeError, RecursionError,
                ValueProblem) as error:
            raise self._records.damaged(f"the values of {whose} cannot be read") from error
        return values


def _defaults(group: Group) -> dict[str, Physical]:
    return {p.name: parameter_from_raw(p, {f.name: f.default for f in p.fields})
            for p in group.parameters}


def raws_on_record(item: UnitValues) -> dict[str, dict[str, tuple[Raw, ...]]]:
    """Return the values of a unit as raws by group and field of the release that it was made with;
    those that a damaged record has out of their limits are left out."""
    raws: dict[str, dict[str, tuple[Raw, ...]]] = {}
    for group in item.plan.schema.groups:
        given = item.values.get(group.name, {})
        for parameter in group.parameters:
            if parameter.name not in given:
                continue
            try:
                converted = parameter_to_raw(parameter, given[parameter.name])
            except ValueProblem:
                continue
            raws.setdefault(group.name, {}).update({n: c.raws for n, c in converted.items()})
    return raws


def last_event(unit: UnitRecord, what: str) -> Event | None:
    """Return what is to be said of a kind of event, `write` or `verify`, of the latest image of a
    unit: the last one, or what came after it so that it does not hold any more; None if nothing is.

    A comparison says nothing any more once the part was touched again.
    """
    for event in reversed(unit.events):
        if event.what == what and event.sha256 in ("", unit.image.sha256):
            return event
        if event.what != VERIFY:
            return event if what == WRITE != event.what else None
    return None


def event_words(event: Event) -> str:
    """Return the result of an event in a word or two."""
    if event.what == BEGIN:
        return "not ended"
    if not event.good:
        return STOPPED if event.detail == STOPPED else "failed"
    return {CHANGE: "changed", ERASE: "erased"}.get(event.what, "good")


# ---- Tables --------------------------------------------------------------------------------------


def units_csv(units: Iterable[UnitValues]) -> Iterator[str]:
    """Yield the lines of a table: a header, then the units, all of one store and layout.

    ToolError if they are not of one: choose a batch then.
    """
    head: list[tuple[Group, Parameter]] = []
    layout = None
    for item in units:
        plan = item.plan
        if layout is None:
            layout = (plan.store_id, plan.layout_id, plan.release)
            head = [(g, p) for g in plan.schema.groups for p in g.parameters]
            yield _line([*(column_name(g, p) for g, p in head), *_FACTS])
        elif layout != (plan.store_id, plan.layout_id, plan.release):
            raise ToolError("the units are of more than one store or layout",
                            "choose those of one batch with --batch")
        facts = map(spreadsheet_safe, _facts(item.unit))
        yield _line([*(_cell(item, g, p) for g, p in head), *facts])


def _cell(item: UnitValues, group: Group, parameter: Parameter) -> str:
    if group.name not in item.values or (group.name, parameter.name) in item.left_out:
        return NOT_GIVEN
    return cell_text(parameter, item.values[group.name][parameter.name])


def cell_text(parameter: Parameter, value: Physical) -> str:
    """Return a value as a cell of a table, as `cells` reads it."""
    match parameter.kind:
        case Kind.CURVE:
            return "; ".join(" ".join(map(_plain, point)) for point in value)
        case Kind.TEXT:
            return spreadsheet_safe(value)
        case Kind.FLAGS if not parameter.first.array:
            return " + ".join(value) or "none"
    if isinstance(value, list):
        return "; ".join(" + ".join(v) or "none" if isinstance(v, list) else _plain(v)
                         for v in value)
    return _plain(value)


def spreadsheet_safe(text: str) -> str:
    """Return a text that no spreadsheet takes for a formula, nor the reader of a batch."""
    return f"'{text}" if _RUNS.match(text) else text


def _facts(unit: UnitRecord) -> list[str]:
    image = unit.image
    return [image.batch, str(image.row or ""), unit.allotted, image.packed, image.sha256,
            *(_event_text(last_event(unit, what)) for what in (WRITE, VERIFY))]


def _event_text(event: Event | None) -> str:
    if event is None:
        return ""
    words = event_words(event)
    return f"{event.at} {words}" + f": {event.detail}" * (words == "failed")


def _line(cells: list[str]) -> str:
    """Return a line of CSV; an empty text is quoted, for without quotes it is no value."""
    return ",".join(
        '"' + cell.replace('"', '""') + '"' if not cell or _SPECIAL.search(cell) else cell
        for cell in cells) + "\n"


# ---- Labels --------------------------------------------------------------------------------------


def label_text(item: UnitValues, pattern: str) -> str:
    """Return the text of a label: `pattern` with its {serial}, {store}, {batch}, {sha256} and
    {GROUP.PARAMETER} filled in, `\\n` as a line end. What was not given is "no value": a label
    must not show a default as if it were the unit's own. ToolError for another name, or one
    without its `}`; braces around anything else stay, for a label may have JSON in its code."""
    if open_name := _UNCLOSED.search(_PLACEHOLDER.sub("", pattern)):
        raise ToolError(f"`{open_name[0]}` in the text of a label has no `}}` behind it",
                        f"write `{open_name[0]}}}`")
    known = {
        "serial": item.unit.serial, "store": item.plan.schema.name, "batch": item.batch.name,
        "sha256": item.unit.image.sha256,
        **{f"{g.name}.{p.name}": _shown(p, item.values[g.name][p.name])
           if g.name in item.values and (g.name, p.name) not in item.left_out else "no value"
           for g in item.plan.schema.groups for p in g.parameters},
    }

    def fill(found: re.Match[str]) -> str:
        name = found[1]
        if name not in known:
            raise ToolError(f"a label cannot show `{{{name}}}`",
                            did_you_mean(name, list(known))
                            or "use {serial}, {store}, {batch}, {sha256} or {GROUP.PARAMETER}")
        return known[name]

    return _PLACEHOLDER.sub(fill, pattern.replace("\\n", "\n"))


def _shown(parameter: Parameter, value: Physical) -> str:
    if parameter.kind is Kind.TEXT:
        return str(value)
    if parameter.kind is Kind.CURVE:
        return cell_text(parameter, value)
    unit = parameter.first.unit
    text = cell_text(parameter, value)
    return f"{text} {unit}" if unit and not text.endswith(unit) else text


def _plain(value: Physical) -> str:
    match value:
        case bool():
            return "true" if value else "false"
        case int() | float() | Decimal():
            return show_number(Decimal(value) if isinstance(value, int) else value)
        case date():
            return value.isoformat()
        case _:
            return str(value)

