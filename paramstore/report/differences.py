"""What differs between two dumps, or a dump and values, in text and as data."""

from __future__ import annotations

from collections.abc import Sequence

from paramstore.core.text import JsonObject
from paramstore.core.words import plural
from paramstore.inspect.differ import ByteOwner, ByteRange, Difference
from paramstore.inspect.examination import Absence, StoredValue
from paramstore.report.dump import parameter_text
from paramstore.report.findings import Style, no_style
from paramstore.report.image import stored_data, stored_remark

__all__ = ["difference_data", "difference_text", "equal_text"]

_ROW = 16
_SOME = 3
"""Places that are named where only the bytes differ."""


def difference_text(values: Sequence[Difference], ranges: Sequence[ByteRange],
                    style: Style = no_style) -> str:
    """Return what differs: parameters first, then bytes."""
    lines = []
    if values:
        lines.append("Parameters")
        for d in values:
            before, after = (_side(d, side) for side in (d.before, d.after))
            lines.append(f"  {d.group.name}.{d.parameter.name}  {style(before, 'place')} -> "
                         f"{style(after, 'mend')}")
    if ranges:
        lines += [""] * bool(lines) + ["Bytes"]
        for r in ranges:
            place = f"  {r.address:05X}  {_place(r.owner)}"
            lines.append(place)
            for at in range(0, max(len(r.before), len(r.after)), _ROW):
                before, after = (side[at:at + _ROW].hex(" ").upper() if side else "not read"
                                 for side in (r.before, r.after))
                lines.append(f"    {style(before, 'place')} -> {style(after, 'mend')}")
    return "\n".join(lines) + "\n" if lines else "no difference\n"


def equal_text(ranges: Sequence[ByteRange]) -> str:
    """Return what there is to say of two dumps with the same values: where their bytes differ, and
    how many only one of them has."""
    if not ranges:
        return "no difference\n"
    said = []
    both = [r for r in ranges if r.before and r.after]
    if both:
        first = [f"0x{r.address:04X} ({_place(r.owner)})" for r in both[:_SOME]]
        more = f" and {plural(len(both) - _SOME, 'more place')}" if len(both) > _SOME else ""
        said.append(f"bytes differ at {'; '.join(first)}{more}")
    single = sum(max(len(r.before), len(r.after)) for r in ranges if not (r.before and r.after))
    if single:
        said.append(f"only one dump has {plural(single, 'byte')}")
    return f"values equal, {', and '.join(said)}: --bytes shows them\n"


def _place(owner: ByteOwner) -> str:
    names = ", ".join(owner.names) or "not described"
    return f"{owner.area}: {names}" if owner.area else names


def _side(difference: Difference, side: StoredValue) -> str:
    if isinstance(side.raws, Absence):
        return side.raws.value
    text = parameter_text(difference.parameter, side.raws)
    return f"{text} ({stored_remark(side.reset, difference.parameter)})" if side.reset else text


def difference_data(values: Sequence[Difference], ranges: Sequence[ByteRange]) -> JsonObject:
    """Return what differs as plain data for JSON. `absent` says why a value is null, `stored` what
    stands on the part where the default is served."""
    parameters = []
    for d in values:
        sides = {"before": d.before, "after": d.after}
        parameters.append({
            "group": d.group.name, "parameter": d.parameter.name,
            **{name: None if isinstance(side.raws, Absence)
               else parameter_text(d.parameter, side.raws) for name, side in sides.items()},
            "absent": {name: side.raws.value for name, side in sides.items()
                       if isinstance(side.raws, Absence)},
            "stored": {name: stored_data(side.reset, d.parameter)
                       for name, side in sides.items() if side.reset},
        })
    return {
        "parameters": parameters,
        "bytes": [
            {"address": r.address, "what": _place(r.owner),
             "before": r.before.hex() or None, "after": r.after.hex() or None} for r in ranges
        ],
    }
