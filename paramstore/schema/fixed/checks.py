"""One checksum of a fixed layout: from its TOML table to a `Checksum`, or to findings."""

from __future__ import annotations

from paramstore.core.checksum import CRC_WIDTHS, Crc
from paramstore.core.errors import Span
from paramstore.core.words import code_list, did_you_mean
from paramstore.located.keys import KeyPath
from paramstore.located.validator import CheckedTable, Validator
from paramstore.schema.bits import place_bytes, whole_bytes
from paramstore.schema.fixed.keys import CHECK_KEYS, KEYS_OF_CHECKS
from paramstore.schema.fixed.model import CheckKind, Checksum
from paramstore.schema.fixed.parameters import Spot, read_order
from paramstore.schema.fixed.places import read_ranges, refuse_outside

__all__ = ["read_check"]

_DIGITS = b"123456789"


def read_check(validator: Validator, path: KeyPath, name: str, spot: Spot) -> Checksum | None:
    """Return the checksum at `path`; None, with findings in the validator, if it is not sound."""
    before = len(validator.findings)
    table = validator.table(path, CHECK_KEYS, f"check `{name}`",
                            example=f'{name} = {{ type = "sum", over = ["0-13"], at = 14 }}')
    if table is None:
        return None
    kind = _kind(table)
    order = read_order(table, spot.order)
    width = table.get("width", 8)
    if width not in CRC_WIDTHS:
        table.add("PS358", f"a checksum of {width} bits cannot be computed", table.span("width"),
                  help=f"give one of {code_list(CRC_WIDTHS, 'or')}")
        return None
    if kind is CheckKind.XOR and width != 8:
        table.add("PS358", "an exclusive or has 8 bits", table.span("width"), help="take it out")
    if kind is CheckKind.FLETCHER and width not in (16, 32, 64):
        table.add("PS358", f"a Fletcher checksum of {width} bits cannot be computed",
                  table.span("width"), help="give 16, 32 or 64")
    over = read_ranges(table, spot.base, spot.size) if "over" in table.values else None
    initial, final, modulo = _sums(table, width)
    crc = _crc(table, width, initial, final) if kind is CheckKind.CRC else None
    if len(validator.findings) > before or kind is None or order is None or over is None:
        return None
    place = whole_bytes(spot.base + table.get("at"), width // 8, order)
    own = place_bytes(place)
    if own[-1] >= spot.size:
        refuse_outside(table, f"`{name}`", own[-1], spot.size, table.span("at"))
        return None
    if not _clear_of_itself(table, over, own):
        return None
    return Checksum(name, kind, over, place, crc, table.get("itself"), table.get("doc", ""),
                 validator.key(*path), initial, final, modulo, order)


def _kind(table: CheckedTable) -> CheckKind | None:
    name = table.get("type")
    if name is None:
        return None
    known = [k.value for k in CheckKind]
    if name not in known:
        help = did_you_mean(name, known) or f"use one of {code_list(known, 'or')}"
        if name.lower().startswith("crc"):
            help = 'write `type = "crc"`, and its `width` and `polynomial`'
        table.add("PS360", f"there is no kind of checksum `{name}`", table.span("type"),
                  help=help)
        return None
    kind = CheckKind(name)
    for key, kinds in KEYS_OF_CHECKS.items():
        if table.given(key) and name not in kinds:
            owners = code_list(kinds)
            table.add("PS107", f"`{key}` means nothing for the type `{name}`",
                      table.key(key), notes=(f"it belongs to {owners}",),
                      help=f"leave `{key}` out, or choose another `type`")
    return kind


def _sums(table: CheckedTable, width: int) -> tuple[int, int, int]:
    """Return `initial`, `final` and `modulo` of a checksum that is no CRC."""
    most = (1 << width // 2) - 1
    modulo = table.get("modulo", most)
    if modulo not in (most, most + 1):
        table.add("PS358", f"`modulo` = {modulo} does not go with {width} bits",
                  table.span("modulo"), help=f"give {most} or {most + 1}",
                  notes=("each of the two sums has half of the bits",))
    numbers = {key: table.get(key, 0) for key in ("initial", "final")}
    _within(table, numbers, width)
    return numbers["initial"], numbers["final"], modulo


def _within(table: CheckedTable, numbers: dict[str, int], width: int) -> bool:
    """Return whether all numbers have at most `width` bits; a finding for each that has more."""
    beyond = [key for key, number in numbers.items() if number >> width]
    for key in beyond:
        note = "the highest bit of the polynomial is left out" if key == "polynomial" else ""
        table.add("PS358", f"`{key}` = 0x{numbers[key]:X} has more than {width} bits",
                  table.span(key), notes=(note,), help="mend it, or `width`")
    return not beyond


def _crc(table: CheckedTable, width: int, initial: int, final: int) -> Crc | None:
    """Return the CRC with the parameters of a table, proved by `sample` if that is given."""
    if not table.given("polynomial"):
        table.add("PS358", f"{table.what} has no `polynomial`", table.key(),
                  help="add it, as in `polynomial = 0x1021`")
        return None
    numbers = {key: table.get(key, 0) for key in ("polynomial", "sample")}
    if not _within(table, numbers, width) or table.spoilt & set(KEYS_OF_CHECKS):
        return None
    crc = Crc(width, numbers["polynomial"], initial, final, table.get("reflected", False))
    sample = crc.of(_DIGITS)
    if "sample" not in table.values or sample == numbers["sample"]:
        return crc
    digits = width // 4
    table.add(
        "PS358", f"these parameters give 0x{sample:0{digits}X} over 123456789, not "
        f"0x{numbers['sample']:0{digits}X}", table.span("sample"),
        also=((table.span("polynomial"), ""),),
        notes=("catalogues of CRCs give this value as the check of the parameters",),
        help="look for a wrong `initial`, `final` or `reflected`, then `polynomial`")
    return None


def _clear_of_itself(table: CheckedTable, over: tuple[int, ...], own: list[int]) -> bool:
    """Return whether it is said what the checksum counts as in its own range."""
    inside = set(own) & set(over)
    span: Span = table.span("over")
    if inside and "itself" not in table.values:
        table.add(
            "PS357", f"the range of {table.what} includes the checksum itself", span,
            also=((table.span("at"), "the checksum"),),
            notes=("its own bytes are not known yet when it is computed",),
            help="end the range before it, or say with `itself` what its bytes count as")
        return False
    if not inside and "itself" in table.values:
        table.add("PS357", f"the range of {table.what} does not include the checksum",
                  table.span("itself"), help="take `itself` out, or extend the range")
        return False
    return True
