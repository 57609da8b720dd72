"""One parameter of a fixed layout: from its TOML table to a `PlacedParameter`, or to findings.

What the parameter is to a person is read as in the schema of a store; here is where it lies, what
it must be, and what it becomes in a store. Knows no other parameter.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any

from paramstore.core.scalars import SCALARS, Raw, ScalarForm
from paramstore.core.words import code_list, did_you_mean, plural, show_number, type_of
from paramstore.located.keys import KeyPath
from paramstore.located.validator import CheckedTable, Validator
from paramstore.schema.bits import Bits, Place, place_bytes, place_width, whole_bytes
from paramstore.schema.fixed.coding import date_bits, read_coding, stored_date
from paramstore.schema.fixed.keys import (
    ENCODINGS,
    FIXED_PARAMETER_KEYS,
    FIXED_TYPES,
    LETTERS,
    TARGET_KEYS,
)
from paramstore.schema.fixed.model import Alphabet, PlacedParameter, ScaleFrom, StoreTarget
from paramstore.schema.fixed.places import read_bits, refuse_outside
from paramstore.schema.identifiers import NAME
from paramstore.schema.keys import CONVERT_KEYS
from paramstore.schema.limits import refuse_value
from paramstore.schema.model import Field, Kind, Parameter
from paramstore.schema.parameters import Dialect, open_parameter, read_single
from paramstore.schema.to_raw import ValueProblem, to_raw

__all__ = ["Spot", "read_item", "read_order", "shifted"]

_DIALECT = Dialect(FIXED_PARAMETER_KEYS, FIXED_TYPES)
_LEAST, _MOST = Decimal("1e-30"), Decimal("1e30")


@dataclass(frozen=True, slots=True)
class Spot:
    """Where a group stands: addresses count from `base`, the image has `size` bytes, numbers lie
    in `order` unless they say otherwise."""

    base: int
    size: int
    order: str


def shifted(place: Place, by: int) -> Place:
    """Return a place moved by so many bytes."""
    return tuple(bits._replace(address=bits.address + by) for bits in place)


def read_order(table: CheckedTable, otherwise: str) -> str | None:
    """Return the byte order that a table gives, or `otherwise`; None if it gives a wrong one."""
    return None if "order" in table.spoilt else str(table.get("order", otherwise))


def read_item(validator: Validator, path: KeyPath, name: str, spot: Spot) -> PlacedParameter | None:
    """Return the parameter at `path` with its place; None, with findings, if it is not sound."""
    opened = open_parameter(validator, path, name, _DIALECT)
    if opened is None:
        return None
    table, info = opened
    before = len(validator.findings)
    fields = read_single(table, name, info.kind)
    coding = read_coding(table, info.kind)
    if fields is None or coding is None:
        return None
    field = stored_date(table, fields[0], coding) if info.kind is Kind.DATE else fields[0]
    place = _place(table, field, spot) if field else None
    if field is None or place is None:
        return None
    field = date_bits(table, field, coding, place_width(place)) if (
        info.kind is Kind.DATE and table.given("bits")) else _sized(table, field, place)
    if field is None:
        return None
    places = _elements(table, field, place, spot)
    encoding = str(table.get("encoding", ENCODINGS[0]))
    if encoding == "latin-1":  # a character takes up to two bytes of UTF-8, as raws are
        field = replace(field, count=2 * field.count)
    alphabet = _alphabet(table, place, field) if table.get("type") == "letters" else None
    always = _always(table, field, place, alphabet)
    none = _none(table, field, place)
    target = _target(table, field)
    scale = _scale(table)
    if len(validator.findings) > before or table.spoilt or target is None:
        return None
    field = replace(field, default=always or (0,) * field.count)
    parameter = Parameter(name, info.kind, (field,), table.get("doc", ""), span=table.key())
    return PlacedParameter(
        parameter, places, always, none, table.get("end", 0), table.get("fill", 0), alphabet,
        target, encoding, coding.coding, coding.since, scale)


# ---- Places -------------------------------------------------------------------------------------


def _place(table: CheckedTable, field: Field, spot: Spot) -> Place | None:
    """Return where the first element lies; of texts and bytes, all of it."""
    order = read_order(table, spot.order)
    if order is None or table.spoilt & {"at", "bits"}:
        return None
    if table.given("at") == table.given("bits"):
        _refuse_place(table)
        return None
    if table.given("bits"):
        return read_bits(table, spot.base, spot.size)
    string = field.kind in (Kind.TEXT, Kind.BYTES)
    size = field.count if string else field.scalar.size
    place = whole_bytes(spot.base + table.get("at"), size, "big" if string else order)
    last = max(place_bytes(place))
    if last < spot.size:
        return place
    refuse_outside(table, f"`{field.name}`", last, spot.size, table.span("at"))
    return None


def _refuse_place(table: CheckedTable) -> None:
    both = table.given("at")
    allowed = FIXED_TYPES[table.get("type")].keys
    ways = [w for k, w in (("at", "`at = ADDRESS`"), ("bits", '`bits = ["ADDRESS.HIGH-LOW"]`'))
            if k in allowed]
    table.add(
        "PS354", f"{table.what} has both `at` and `bits`" if both else
        f"{table.what} does not say where it lies",
        table.span("bits") if both else table.key(),
        also=((table.span("at"), ""),) if both else (),
        notes=("`bits` names every bit of the value",) if both else (),
        help="take one of them out" if both else f"add {' or '.join(ways)}")


def _elements(table: CheckedTable, field: Field, place: Place, spot: Spot) -> tuple[Place, ...]:
    """Return the place of each element: of an array one after the other, of strings each byte."""
    if table.get("type") == "letters":
        width = place_width(place)
        size = width // field.count if field.count and width % field.count == 0 else 0
        return tuple(_slice(place, i * size, size) for i in range(field.count)) if size else ()
    if field.kind in (Kind.TEXT, Kind.BYTES):
        return tuple((bits,) for bits in place)
    addresses = place_bytes(place)
    extent = addresses[-1] - addresses[0] + 1
    step = table.get("every", extent)
    last = addresses[-1] + step * (field.count - 1)
    if last >= spot.size:
        refuse_outside(table, f"`{field.name}`", last, spot.size, table.span("count"))
        return ()
    if "every" in table.values and not field.array:
        table.add("PS355", f"{table.what} has `every`, but no `count`", table.span("every"),
                  help="add `count`, or take `every` out")
    return tuple(shifted(place, step * i) for i in range(field.count))


def _slice(place: Place, first: int, width: int) -> Place:
    """Return `width` bits of a place from the bit `first`, counted from the highest."""
    pieces: list[Bits] = []
    for bits in place:
        skip = min(first, bits.width)
        first -= skip
        take = min(bits.width - skip, width)
        width -= take
        if take:
            pieces.append(Bits(bits.address, bits.low + bits.width - skip - take, take))
    return tuple(pieces)


def _sized(table: CheckedTable, field: Field, place: Place) -> Field | None:
    """Return the field with a stored type as wide as its bits; None if they do not go together."""
    if field.kind in (Kind.TEXT, Kind.BYTES) or not table.given("bits"):
        return field
    width = place_width(place)
    if field.kind in (Kind.ENUM, Kind.FLAGS):
        wide = [SCALARS[n] for n in ("u8", "u16", "u32", "u64") if 8 * SCALARS[n].size >= width]
        word = "bit" if field.kind is Kind.FLAGS else "number"
        top = width - 1 if field.kind is Kind.FLAGS else (1 << width) - 1
        name, most = max(field.members, key=lambda m: m[1])
        if wide and most > top:
            table.add("PS353", f"{word} {most} of member `{name}` does not fit in "
                      f"{plural(width, 'bit')}", table.span("bits"),
                      help="give more bits, or a smaller one to the member")
            return None
        if wide:
            return replace(field, scalar=max(wide[0], field.scalar, key=lambda s: s.size))
    most = 8 * field.scalar.size
    if width <= most:
        return field
    table.add("PS353", f"{plural(width, 'bit')} are more than `{table.get('type')}` takes",
              table.span("bits"), label=f"it takes up to {most}",
              help="take a wider type, or fewer bits")
    return None


# ---- What it must be ----------------------------------------------------------------------------


def _alphabet(table: CheckedTable, place: Place, field: Field) -> Alphabet | None:
    width = place_width(place)
    if width % field.count or width // field.count > 8:
        letters = plural(field.count, "letter")
        table.add("PS353", f"{plural(width, 'bit')} do not make {letters} of equally many",
                  table.span("bits"),
                  help="give as many bits as all letters have; a letter has up to 8")
        return None
    letters, first = table.get("alphabet", LETTERS), table.get("first", 1)
    most = 1 << width // field.count
    twice = len(set(letters)) < len(letters)
    if twice or not letters.isascii() or not letters.isprintable() or not letters:
        table.add("PS363", "the alphabet must be printable ASCII characters, each once",
                  table.span("alphabet"), help='write them in order, as in "ABCDEF"')
    elif first + len(letters) > most:
        table.add(
            "PS363", f"the last letter has number {first + len(letters) - 1}, which does not fit "
            f"in {plural(width // field.count, 'bit')}",
            table.span("alphabet" if "alphabet" in table.values else "bits"),
            help="shorten the alphabet, or give more bits")
    return Alphabet(letters, first)


def _always(table: CheckedTable, field: Field, place: Place,
            alphabet: Alphabet | None) -> tuple[Raw, ...] | None:
    if "always" not in table.values:
        return None
    path = (*table.path, "always")
    try:
        raws = to_raw(field, table.get("always"))
    except ValueProblem as problem:
        refuse_value(table, "always", problem)
        return None
    strange = [chr(int(r)) for r in raws if r and alphabet and chr(int(r)) not in alphabet.letters]
    if strange:
        table.add("PS363", f"the alphabet has no letter `{strange[0]}`",
                  table.validator.value(*path), help="use letters of the alphabet")
    number = raws[0]
    if table.given("bits") and not alphabet and isinstance(number, int):
        width = place_width(place)
        if not -(1 << width - 1) <= number < 1 << width:
            table.add("PS353", f"{show_number(Decimal(number))} does not fit in "
                      f"{plural(width, 'bit')}", table.validator.value(*path),
                      help="give a value that fits, or more bits")
    return raws


def _none(table: CheckedTable, field: Field, place: Place) -> int | None:
    """Return the stored bits that stand for no value, as an unsigned number."""
    none, width = table.get("none"), place_width(place)
    if none is None:
        return None
    low = -(1 << width - 1) if field.scalar.form is ScalarForm.SIGNED else 0
    if low <= none < 1 << width:
        return int(none) & (1 << width) - 1
    table.add("PS353", f"`none` = {none} does not fit in {plural(width, 'bit')}",
              table.span("none"), help="give the number as it is stored")
    return None


def _scale(table: CheckedTable) -> ScaleFrom | None:
    """Return which parameter the scale is from; a finding if that cannot be."""
    name = table.get("scale_from")
    if name is None:
        if table.given("base"):
            table.add("PS365", f"{table.what} has `base`, but no `scale_from`",
                      table.span("base"), help="name the parameter that has the power, as in "
                      '`scale_from = "exponent"`, or take `base` out')
        return None
    if not re.fullmatch(rf"({NAME}\.)?{NAME}", name):
        table.add("PS365", f"`{name}` names no parameter of the layout",
                  table.span("scale_from"), help="write NAME, or GROUP.NAME")
        return None
    for key in [k for k in ("min", "max", "always") if table.given(k)]:
        table.add("PS365", f"{table.what} has `{key}` and `scale_from`", table.span(key),
                  also=((table.span("scale_from"), ""),),
                  notes=("what is stored for it is another number in each image",),
                  help=f"take `{key}` out: `paramstore migrate` keeps the limits of the store")
    group, _, parameter = name.rpartition(".")
    return ScaleFrom(group or None, parameter, table.get("base"))


# ---- What it becomes in a store -----------------------------------------------------------------


def _target(table: CheckedTable, field: Field) -> StoreTarget | None:
    """Return which parameter of a store takes the value; None, with a finding, if it is wrong."""
    given: Any = table.get("to")
    if given is None:
        return StoreTarget()
    if given == "":
        return StoreTarget(nowhere=True, span=table.span("to"))
    if isinstance(given, str):
        return _named(table, given, StoreTarget(span=table.span("to")))
    what = f"`to` of {table.what}"
    inner = table.inner("to", TARGET_KEYS, what)
    if inner is None or inner.spoilt:
        return None
    factor, offset = (Decimal(inner.get(k, CONVERT_KEYS[k].default)) for k in ("factor", "offset"))
    for key, value in (("factor", factor), ("offset", offset)):
        if not value.is_finite() or (not value and key == "factor") or (
                value and not _LEAST <= abs(value) <= _MOST):
            inner.add("PS207", f"`{key}` = {show_number(value)} is of no use", inner.span(key),
                      notes=("value in the store = value here x `factor` + `offset`",),
                      help="give a number between 1e-30 and 1e30")
            return None
    numeric = field.kind in (Kind.INTEGER, Kind.FLOAT)
    for key in [k for k in inner.values if (k in CONVERT_KEYS and not numeric) or (
                k == "members" and not field.members)]:
        inner.add("PS107", f"`{key}` means nothing for the type `{table.get('type')}`",
                  inner.key(key), help=f"leave `{key}` out")
        return None
    members = _members(inner, field)
    scaled = bool(inner.values.keys() & CONVERT_KEYS.keys())
    target = StoreTarget(factor=factor, offset=offset, scaled=scaled, members=members or (),
                    span=table.span("to"))
    if members is None or "parameter" not in inner.values:
        return None if members is None else target
    return _named(inner, inner.get("parameter"), target)


def _named(table: CheckedTable, name: str, target: StoreTarget) -> StoreTarget | None:
    if re.fullmatch(rf"{NAME}\.{NAME}(\.[xy])?", name):
        group, parameter, axis = (*name.split("."), "")[:3]
        return replace(target, group=group, parameter=parameter, axis=axis)
    table.add("PS361", f"`{name}` does not name a parameter of a store", target.span,
              help='write GROUP.PARAMETER, as in `to = "settings.ph_low"`')
    return None


def _members(table: CheckedTable, field: Field) -> tuple[tuple[str, str], ...] | None:
    known = [name for name, _ in field.members]
    pairs = table.get("members", {})
    for here, there in pairs.items():
        span = table.key("members", here)
        if here not in known:
            table.add("PS213", f"`{field.name}` has no member `{here}`", span,
                      notes=("`members` gives names here and their names in the store",),
                      help=did_you_mean(here, known) or f"its members are {code_list(known)}")
            return None
        if not isinstance(there, str):
            table.add("PS210", f"the name of member `{here}` in the store must be a text, not "
                      f"{type_of(there)}", table.span("members", here),
                      help=f'write `{here} = "{here}"`')
            return None
    return tuple(pairs.items())
