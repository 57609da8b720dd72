"""What an image holds, for people and for programs: values with units, and every slot's health.

Words what `image.contents` read; findings are worded by `image.diagnose` and laid out like all
others. `image_data` is the same for programs.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import date
from decimal import Decimal

from paramstore.core.scalars import GroupRaws, Raw
from paramstore.core.text import Json, JsonObject, printable
from paramstore.image.contents import Contents, GroupContents, LabelState, SlotState
from paramstore.image.values_out import values_toml
from paramstore.image.wording import BLANK
from paramstore.releases.values import ValueOrigin
from paramstore.report.tables import named_lines
from paramstore.schema.breaches import BreachKind, Reset
from paramstore.schema.from_raw import format_value, parameter_from_raw, show_element
from paramstore.schema.model import Kind, Parameter

__all__ = ["MARKS", "SlotStyle", "contents_toml", "image_data", "image_text", "label_text",
           "origin_text", "plain_value", "stored_data", "stored_remark", "title_text",
           "value_remarks", "value_text"]

SlotStyle = Callable[[str, SlotState], str]
"""Gives a text the colour of a slot state."""

MARKS = {
    SlotState.CURRENT: "#",
    SlotState.OLDER: "+",
    SlotState.ERASED: ".",
    SlotState.DAMAGED: "x",
    SlotState.FOREIGN: "?",
    SlotState.MISSING: "_",
}
"""One character for each state of a slot."""

_BLOCK, _ROW = 8, 64  # slots: a blank to count by, and a new line


def _no_style(text: str, state: SlotState) -> str:
    return text


def image_text(contents: Contents, style: SlotStyle = _no_style) -> str:
    """Return the whole report, lines ended by \\n; without groups if they are of another store."""
    blocks = [[title_text(contents)]]
    if contents.readable:
        blocks += [list(_group(g, contents, style)) for g in contents.groups]
        blocks.append([_legend(contents, style)])
    return "\n\n".join("\n".join(block) for block in blocks) + "\n"


def contents_toml(contents: Contents) -> str:
    """Return the values as a values file; comments say which record each group comes from.

    A protected group that has no record is left out: its defaults, packed again, would look like
    values of the unit.
    """
    without = {g.ring.group.name for g in contents.groups
               if g.newest is None and not g.migrated and g.ring.group.role.protected}
    return values_toml(
        contents.plan.schema,
        {g.ring.group.name: g.values for g in contents.groups
         if g.ring.group.name not in without},
        {g.ring.group.name: (f"{_missing(g)}; left out"
                             if g.ring.group.name in without
                             else origin_text(contents, g)) for g in contents.groups},
        {(g.ring.group.name, p.name): stored_remark(reset, p) for g in contents.groups
         for p in g.ring.group.parameters if (reset := g.reset_of(p))},
    )


def image_data(contents: Contents) -> JsonObject:
    """Return the same as plain data for JSON; NaN and infinities become None."""
    plan, label = contents.plan, contents.label
    return {
        "store": plan.schema.name,
        "part": plan.part.name,
        "image_bytes": len(contents.image),
        "blank": contents.blank,
        "label": {
            "state": contents.label_state.value,
            "copies": [copy is not None for copy in contents.labels],
            "store": label and label.name,
            "store_id": label and label.store_id,
            "layout_id": label and label.layout_id,
            "release": label and label.release,
        },
        "groups": [_group_data(g) for g in contents.groups],
    }


# ---- Text ---------------------------------------------------------------------------------------


def title_text(contents: Contents) -> str:
    """Return which store it is, and what the label says of the part, in one line."""
    plan = contents.plan
    return f"{plan.schema.name} on the {plan.part.name}: {label_text(contents)}"


def label_text(contents: Contents) -> str:
    """Return what the label says of the part."""
    label = contents.label
    if contents.blank:
        return "blank"
    if label is None:
        return "no label"
    whole = sum(copy is not None for copy in contents.labels)
    release = f"release {label.release}" if label.release else "not released"
    text = f"layout 0x{label.layout_id:08X}, {release}, {whole} of 2 label copies"
    if contents.label_state is not LabelState.OURS:
        text = f"{contents.label_state} (`{printable(label.called)}`), {text}"
    return text


def _group(group: GroupContents, contents: Contents, style: SlotStyle) -> Iterator[str]:
    yield f"{group.ring.group.name}: {origin_text(contents, group)}"
    names = [p.name for p in group.ring.group.parameters]
    width = max(map(len, [*names, "slots"]))
    for row, line in enumerate(_picture(group, style)):
        yield f"  {'' if row else 'slots':{width}}  {line}"
    yield from named_lines(
        [(p.name, _value(group, p)) for p in group.ring.group.parameters], width)


def origin_text(contents: Contents, group: GroupContents) -> str:
    """Return where the values of a group are from."""
    if group.newest is None and group.migrated:
        return "not written yet, values are from where an earlier release kept them"
    if group.newest is None:
        return f"{_missing(group)}; these are the defaults" + (
            "" if group.may_be_in_gaps else ": the firmware serves them and says so")
    later = any(s.state is SlotState.MISSING for s in group.slots)
    return (f"record {group.newest.record.sequence}, revision {group.newest.record.revision}"
            + ("; a missing slot may hold a later one" if later else ""))


def _missing(group: GroupContents) -> str:
    return BLANK if group.blank else "bytes are missing" if group.may_be_in_gaps else "lost"


def _picture(group: GroupContents, style: SlotStyle) -> Iterator[str]:
    slots = group.slots
    for first in range(0, len(slots), _ROW):
        row = slots[first:first + _ROW]
        blocks = [
            "".join(style(MARKS[s.state], s.state) for s in row[i:i + _BLOCK])
            for i in range(0, len(row), _BLOCK)
        ]
        number = f"{first:4}  " if len(slots) > _ROW else ""
        yield number + " ".join(blocks)


def _legend(contents: Contents, style: SlotStyle) -> str:
    counts = Counter(s.state for g in contents.groups for s in g.slots)
    return "slots: " + "   ".join(
        f"{style(MARKS[state], state)} {counts[state]} {state}"
        for state in SlotState if counts[state]
    )


def _value(group: GroupContents, parameter: Parameter) -> str:
    text, wrong = value_text(parameter, group.values), value_remarks(group, parameter)
    return text + (f"  <- {', '.join(wrong)}" if wrong else "")


def value_text(parameter: Parameter, values: Mapping[str, Sequence[Raw]]) -> str:
    """Return the value of a parameter with its unit, a curve point by point."""
    fields = parameter.fields
    if parameter.kind is not Kind.CURVE:
        return printable(format_value(fields[0], values[fields[0].name]))
    axes = [[show_element(f, raw, f.digits) for raw in values[f.name]] for f in fields]
    text = ", ".join(f"{x} -> {y}" for x, y in zip(*axes, strict=True))
    units = [f.unit or "1" for f in fields]
    return text + (f"  ({units[0]} -> {units[1]})" if any(f.unit for f in fields) else "")


def value_remarks(group: GroupContents, parameter: Parameter) -> tuple[str, ...]:
    """Return why a value is not the stored one, and where it is from if not from its own record."""
    remarks = []
    if remark := _ORIGINS.get(group.origins[parameter.name], ""):
        remarks.append(remark)
    if group.newest and group.origins[parameter.name] is ValueOrigin.DEFAULT:
        remarks.append("the default: the record is of an earlier release")
    if reset := group.reset_of(parameter):
        remarks.append(stored_remark(reset, parameter))
    return tuple(remarks)


def stored_remark(reset: Reset, parameter: Parameter) -> str:
    """Return what is stored in place of a default that firmware serves, and why it does."""
    stored = value_text(parameter, reset.values)
    return f"the default: {stored} is stored, {_reason(reset, parameter)}"


_ORIGINS = {
    ValueOrigin.CONVERTED: "converted from an earlier release",
    ValueOrigin.UNFIT: "the default: the value of an earlier release cannot be converted",
}


def _reason(reset: Reset, parameter: Parameter) -> str:
    """Return why a parameter has its default, in a few words."""
    breach = reset.breach
    match breach.kind:
        case BreachKind.LIMIT:
            return "outside its limits"
        case BreachKind.RISING:
            return f"{breach.field.name} does not rise"
        case BreachKind.TEXT:
            return "not UTF-8 text"
        case BreachKind.BELOW:
            return (f"not below {breach.parameter.below}" if parameter is breach.parameter
                    else f"not above {breach.parameter.name}")


# ---- Data ---------------------------------------------------------------------------------------


def _group_data(group: GroupContents) -> JsonObject:
    newest = group.newest
    return {
        "name": group.ring.group.name,
        "id": group.ring.group.id,
        "from": "record" if newest else "defaults",
        "sequence": newest and newest.record.sequence,
        "revision": newest and newest.record.revision,
        "slots": [
            {
                "slot": s.number,
                "address": s.address,
                "state": s.state.value,
                "sequence": s.record.sequence if s.record.valid else None,
                "reason": s.reason,
            }
            for s in group.slots
        ],
        "values": {p.name: _parameter_data(group, p) for p in group.ring.group.parameters},
    }


def _parameter_data(group: GroupContents, parameter: Parameter) -> JsonObject:
    reset = group.reset_of(parameter)
    fields = parameter.fields
    return {
        **_value_data(parameter, group.values),
        "unit": [f.unit for f in fields] if len(fields) > 1 else fields[0].unit,
        "origin": group.origins[parameter.name].value,
        "stored": reset and stored_data(reset, parameter),
    }


def stored_data(reset: Reset, parameter: Parameter) -> JsonObject:
    """Return what is stored in place of a default that firmware serves, and why it does."""
    return {**_value_data(parameter, reset.values), "reason": _reason(reset, parameter)}


def _value_data(parameter: Parameter, values: GroupRaws) -> JsonObject:
    raws = {f.name: values[f.name] for f in parameter.fields}
    return {
        "value": plain_value(parameter_from_raw(parameter, raws)),
        "raw": {name: [plain_value(raw) for raw in elements] for name, elements in raws.items()},
    }


def plain_value(value: object) -> Json:
    """Return a physical value as JSON can hold it, with all its digits: a decimal of which a
    binary64 would lose some is a text. NaN and infinities become None."""
    match value:
        case list():
            return [plain_value(v) for v in value]
        case Decimal():
            if value == value.to_integral_value():
                return int(value)
            number = float(value)
            return number if Decimal(repr(number)) == value else str(value)
        case date():
            return value.isoformat()
        case float():
            return value if math.isfinite(value) else None
        case int() | str() | None:
            return value
    raise TypeError(f"{value!r} is no physical value")
