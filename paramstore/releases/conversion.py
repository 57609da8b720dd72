"""Which conversion leads from a field of one release to the same field of a later one.

`Via` is what a schema says about the way: the change of the physical value, the new names of
members. It adds up over several releases, so that a value is always converted in one step, from
how it was stored to how it is stored now. Knows no offsets and no groups.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import pairwise

from paramstore.core.errors import ParamstoreError
from paramstore.core.scalars import ScalarForm
from paramstore.core.words import code_list, show_number
from paramstore.layout.raw_conversion import INT64_MAX, Arithmetic, Conversion, Renumbering
from paramstore.schema.model import Field, Kind, Parameter

__all__ = ["NoConversion", "Via", "conversion_of", "host_conversion_of", "keeps_elements",
           "same_bytes", "via_along", "via_of"]

_NUMBERS = (Kind.INTEGER, Kind.FLOAT)


class NoConversion(ParamstoreError):
    """There is no conversion; `code` says why, `help` what to do instead."""

    def __init__(self, code: str, message: str, help: str, notes: tuple[str, ...] = ()) -> None:
        super().__init__(message)
        self.code, self.message, self.help, self.notes = code, message, help, notes
        self.args = (code, message, help, notes)  # so that it comes over from another process

    def __str__(self) -> str:
        return self.message


@dataclass(frozen=True, slots=True)
class Via:
    """The way from old to new values: physical new = old x `factor` + `offset`; old member names
    to new ones, a name that is not in `names` stays."""

    factor: Fraction = Fraction(1)
    offset: Fraction = Fraction(0)
    names: Mapping[str, str] = field(default_factory=dict)

    def then(self, later: Via) -> Via:
        """Return this way and then `later`."""
        names = {old: later.names.get(new, new) for old, new in self.names.items()}
        return Via(self.factor * later.factor, self.offset * later.factor + later.offset,
                   {**later.names, **names})


def via_of(old: Field, new: Field) -> Via:
    """Return what the schema of `new` says about the step from `old`, the release before.

    Raises NoConversion (PS727) if the unit changes and nothing is said.
    """
    convert = new.convert
    if old.unit == new.unit or not _are_numbers(old, new):
        return Via(names=_renamed(old, new))
    if convert is None:
        raise NoConversion(
            "PS727", f"the unit of `{new.name}` changes from {_unit(old)} to {_unit(new)}",
            "write how a value converts, such as `convert = { factor = 0.001 }`; "
            "`factor = 1` if it is only another word for the same unit",
            ("a stored value means something else in another unit",))
    return Via(Fraction(convert.factor) / Fraction(convert.divisor), Fraction(convert.offset))


def via_along(line: Sequence[Field]) -> Via:
    """Return the way from the first state of a field to the last, release by release.

    Raises NoConversion as `via_of`.
    """
    via = Via()
    for old, new in pairwise(line):
        via = via.then(via_of(old, new))
    return via


def _are_numbers(old: Field, new: Field) -> bool:
    both = {old.kind, new.kind}
    return both <= {*_NUMBERS} or both == {Kind.CURVE}


def _renamed(old: Field, new: Field) -> dict[str, str]:
    """Return the new names of members that the release before still has under their old ones."""
    old_names = {name for name, _ in old.members}
    return {o: n for o, n in (new.convert.names if new.convert else ()) if o in old_names}


def conversion_of(old: Field, new: Field, via: Via) -> Conversion:
    """Return the conversion of elements; raises NoConversion if firmware cannot do it for
    every value, or a number would get a second meaning."""
    if old.kind is Kind.CURVE and new.kind is Kind.CURVE and old.count != new.count:
        raise _refused_shape(new, "the number of points changes")
    conversion = host_conversion_of(old, new, via)
    match conversion.rule:
        case Arithmetic() as rule if old.scalar.form is not ScalarForm.FLOAT:
            _refuse_large(old, new, rule)
        case Renumbering(pairs) if old.scalar == new.scalar and all(a == b for a, b in pairs):
            _refuse_reuse(old, new, {number for number, _ in pairs})
    if old.kind in (Kind.TEXT, Kind.BYTES) and new.count < old.count:
        raise _refused_shape(new, f"it shrinks from {old.count} to {new.count} bytes")
    return conversion


def host_conversion_of(old: Field, new: Field, via: Via) -> Conversion:
    """Return the conversion of elements that a host does, value by value: its whole numbers have no
    end, and a text may be too long or not.

    Raises NoConversion if the kinds do not go together (PS728).
    """
    if _are_numbers(old, new):
        return _numeric(old, new, via)
    if old.kind is not new.kind:
        raise NoConversion(
            "PS728", f"`{new.name}` was {_kind(old)} and cannot become {_kind(new)}",
            "make a new parameter of another name, and retire the old one",
            ("there is no rule that turns the one into the other",))
    if old.kind in (Kind.ENUM, Kind.FLAGS):
        return _by_name(old, new, via)
    return Conversion(old.scalar, new.scalar)


def same_bytes(old: Parameter, new: Parameter) -> bool:
    """Return whether the bytes of `old` mean the same in `new`, limits aside.

    Raises NoConversion if they do not and cannot be converted either.
    """
    pairs = list(zip(old.fields, new.fields, strict=False))
    conversions = [conversion_of(a, b, via_of(a, b)) for a, b in pairs]
    return all(a.scalar == b.scalar and a.count == b.count and keeps_elements(c)
               for (a, b), c in zip(pairs, conversions, strict=True))


def keeps_elements(conversion: Conversion) -> bool:
    """Return whether elements stay as they are."""
    rule = conversion.rule
    return rule is None or (
        isinstance(rule, Renumbering) and all(old == new for old, new in rule.pairs))


def _numeric(old: Field, new: Field, via: Via) -> Conversion:
    scale = Fraction(new.scale)
    factor = Fraction(old.scale) * via.factor / scale
    addend = (Fraction(old.offset) * via.factor + via.offset - Fraction(new.offset)) / scale
    rule = Arithmetic.of(factor, addend)
    if old.scalar == new.scalar and rule.identity:
        return Conversion(old.scalar, new.scalar)
    return Conversion(old.scalar, new.scalar, rule)


def _refuse_large(old: Field, new: Field, rule: Arithmetic) -> None:
    """The arithmetic of the firmware has 64 bits."""
    largest = max(abs(int(old.scalar.minimum)), int(old.scalar.maximum))
    if max(largest * abs(rule.numerator) + abs(rule.addend), rule.denominator) <= INT64_MAX:
        return
    help = "make a new parameter of another name, and retire the old one"
    if old.scalar.size == 8:
        note = f"`{old.scalar.name}` takes all of it"
    else:
        help += "; or choose a `scale` that is a round multiple of the old one"
        note = (f"new stored value = ({show_number(float(rule.numerator))} x old "
                f"+ {show_number(float(rule.addend))}) / {show_number(float(rule.denominator))}")
    raise NoConversion("PS736", f"`{new.name}` cannot be converted in 64-bit arithmetic", help,
                       (note,))


def _by_name(old: Field, new: Field, via: Via) -> Conversion:
    numbers = dict(new.members)
    pairs = tuple((number, numbers[via.names.get(name, name)]) for name, number in old.members
                  if via.names.get(name, name) in numbers)
    return Conversion(old.scalar, new.scalar, Renumbering(pairs, old.kind is Kind.FLAGS))


def _refuse_reuse(old: Field, new: Field, mapped: set[int]) -> None:
    """A number that named a member stays that member's, as long as the bytes stay."""
    before = {number: name for name, number in old.members}
    for name, number in new.members:
        if number in before and number not in mapped:
            what = "bit" if new.kind is Kind.FLAGS else "number"
            raise NoConversion(
                "PS730", f"{what} {number} of `{new.name}` was `{before[number]}` and cannot "
                f"become `{name}`",
                f"give `{name}` a {what} that was never used; or, if it is a new name for the "
                f'same, write `convert = {{ {before[number]} = "{name}" }}`',
                ("units in the field hold the old meaning",))


def _refused_shape(field: Field, what: str) -> NoConversion:
    return NoConversion("PS729", f"`{field.name}` cannot keep its values: {what}",
                   "make a new parameter of another name, and retire the old one")


def _unit(field: Field) -> str:
    return f"`{field.unit}`" if field.unit else "none"


def _kind(field: Field) -> str:
    if field.kind in (Kind.ENUM, Kind.FLAGS):
        article = "an" if field.kind is Kind.ENUM else "a set of"
        return f"{article} {field.kind.value} of {code_list((n for n, _ in field.members), most=4)}"
    return field.scalar.name if field.kind in _NUMBERS else f"a {field.kind.value}".replace(
        "a bytes", "bytes")
