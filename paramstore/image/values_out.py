"""Values as text: a values file in TOML, with units in comments, that `values` reads back."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from decimal import Decimal

from paramstore.core.scalars import GroupRaws, Raw, StoreRaws
from paramstore.core.text import one_line, quoted
from paramstore.core.words import show_number
from paramstore.schema.from_raw import Physical, parameter_from_raw
from paramstore.schema.model import AnyGroup, AnySchema, Kind, Parameter

__all__ = ["parameter_unit", "toml_value", "values_toml"]

_LINE = 96
"""Longest line; a longer array is written with one element on each line."""


def values_toml(schema: AnySchema, values: StoreRaws,
                remarks: Mapping[str, str] | None = None,
                notes: Mapping[tuple[str, str], str] | None = None) -> str:
    """Return a values file with every parameter in `values`, in schema order.

    `values` has all fields of each parameter by group and name; a parameter that has none of its
    fields there is left out, and so is a text that is no UTF-8. `remarks` are comments by group
    name, of groups without values too, `notes` by names of group and parameter.
    Reading the text back gives the same raws, as long as these are within their limits.
    """
    blocks = [f"# Values of the store {schema.name}."]
    for group in schema.groups:
        remark = (remarks or {}).get(group.name, "")
        if group.name in values:
            blocks.append(_group(group, values[group.name], remark, notes or {}))
        elif remark:
            blocks.append(f"# {group.name}: {one_line(remark)}")
    return "\n\n".join(blocks) + "\n"


def parameter_unit(parameter: Parameter) -> str:
    """Return the unit of a parameter, "x unit, y unit" of a curve; "" if it has none."""
    units = [f.unit for f in parameter.fields]
    return ", ".join(u or "1" for u in units) if any(units) else ""


def _group(group: AnyGroup, values: GroupRaws, remark: str,
           notes: Mapping[tuple[str, str], str]) -> str:
    lines = [f"[{group.name}]{_comment(remark)}"]
    for parameter in group.parameters:
        if parameter.first.name not in values:
            continue
        if note := notes.get((group.name, parameter.name)):
            lines.append(_comment(note).strip())
        raws = {f.name: values[f.name] for f in parameter.fields}
        if parameter.kind is Kind.TEXT and not _is_utf8(raws[parameter.name]):
            lines.append(f"# {parameter.name} is left out: it is no UTF-8 text")
            continue
        value = parameter_from_raw(parameter, raws)
        lines.append(_line(parameter.name, value, _comment(parameter_unit(parameter))))
    return "\n".join(lines)


def _comment(text: str) -> str:
    """Return what goes behind a value: a text with line ends must not become lines of its own."""
    return f"  # {one_line(text)}" if text else ""


def _is_utf8(raws: Sequence[Raw]) -> bool:
    """Return whether a text can be written: what no text stands for must not come back as one."""
    try:
        bytes(int(r) for r in raws).split(b"\0")[0].decode()
    except UnicodeDecodeError:
        return False
    return True


def _line(name: str, value: Physical, comment: str) -> str:
    line = f"{name} = {toml_value(value)}{comment}"
    if len(line) <= _LINE or not isinstance(value, list):
        return line
    elements = [f"    {toml_value(element)}," for element in value]
    return "\n".join([f"{name} = [{comment}", *elements, "]"])


def toml_value(value: Physical) -> str:
    """Return a physical value as it is written in TOML."""
    match value:
        case bool():
            return "true" if value else "false"
        case str():
            return quoted(value)
        case Decimal():
            return show_number(value)
        case date():
            return value.isoformat()
        case Sequence():
            return f"[{', '.join(toml_value(v) for v in value)}]"
        case _:
            return repr(value)
