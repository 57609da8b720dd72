"""The values of one group in RAM, and whether they keep their limits and rules.

Values are held as the bytes they have on the EEPROM. Knows no bus, no slot and no flag.
"""

from __future__ import annotations

from collections.abc import Iterator

from paramstore.core.scalars import Raw, Scalar, ScalarForm
from paramstore.core.status import Status
from paramstore.layout.plan import PlacedField, Ring
from paramstore.record import default_payload
from paramstore.schema.breaches import rules_of
from paramstore.schema.model import Kind

__all__ = ["RamValues", "is_utf8"]


class RamValues:
    """The mirror of a group: `payload` has the bytes of all fields at their offsets.

    Reserved bytes among them are never looked at.
    """

    def __init__(self, ring: Ring) -> None:
        self._defaults = default_payload(ring)
        self._rules = tuple((r.low.name, r.high.name) for r in rules_of(ring.group))
        self._kin = {f.name: [g.name for g in p.fields]
                     for p in ring.group.parameters for f in p.fields}
        self.fields: dict[str, PlacedField] = {p.field.name: p for p in ring.fields}
        self.payload = bytearray(self._defaults)

    def load(self, body: bytes, revision: int) -> None:
        """Take the values of a record; fields that it does not hold get their defaults, room
        behind them is ignored."""
        self.reset()
        for name, placed in self.fields.items():
            if placed.since <= revision:
                self.payload[self._run(name)] = body[self._run(name)]

    def partner(self, field: str) -> str | None:
        """Return the y of a curve for its x; None for every other field."""
        kin = self._kin[field]
        return kin[1] if len(kin) > 1 and kin[0] == field else None

    def reset(self) -> None:
        """Give all fields their defaults."""
        self.payload[:] = self._defaults

    def reset_parameter(self, field: str) -> None:
        """Give the parameter that `field` belongs to its defaults: a curve has two fields."""
        for name in self._kin[field]:
            self.payload[self._run(name)] = self._defaults[self._run(name)]

    def get(self, field: str) -> tuple[Raw, ...]:
        """Return all elements of a field."""
        scalar = self.fields[field].field.scalar
        return tuple(scalar.unpack(element) for element in self._elements(field))

    def put(self, field: str, first: int, data: bytes) -> bool:
        """Store the bytes of elements from `first` on; return whether they differ from before."""
        placed = self.fields[field]
        at = placed.offset + first * placed.field.scalar.size
        run = slice(at, at + len(data))
        changed = self.payload[run] != data
        self.payload[run] = data
        return changed

    def check(self, repair: bool = False) -> Status:
        """Return ERR_RULE if a rule is broken, else ERR_LIMIT if a limit is, else OK.

        With `repair`, give defaults to each parameter that breaks a limit, then to both parameters
        of each broken rule, until no rule is broken. Texts are filled with 0 behind their end.
        """
        status = Status.OK
        for name in self.fields:
            if not self._field_ok(name):
                status = Status.ERR_LIMIT
                if repair:
                    self.reset_parameter(name)
        again = True
        while again:
            again = False
            for low, high in self._rules:
                if not self._rule_kept(low, high):
                    status, again = Status.ERR_RULE, repair
                    for name in (low, high) if repair else ():
                        self.reset_parameter(name)
        return status

    def _field_ok(self, name: str) -> bool:
        field = self.fields[name].field
        if field.kind is not Kind.TEXT:
            return all(field.limits.allow(raw) for raw in self.get(name))
        text = bytes(self.payload[self._run(name)]).split(b"\0")[0]
        if not is_utf8(text):
            return False
        self.payload[self._run(name)] = text.ljust(field.count, b"\0")
        return True

    def _rule_kept(self, low: str, high: str) -> bool:
        """Element by element, `low` below `high`; of one field, each element below the next."""
        scalar = self.fields[low].field.scalar
        a = [_order(scalar, element) for element in self._elements(low)]
        b = [_order(scalar, element) for element in self._elements(high)]
        pairs = zip(a, b[1:], strict=False) if low == high else zip(a, b, strict=True)
        return all(x < y for x, y in pairs)

    def _run(self, field: str) -> slice:
        placed = self.fields[field]
        return slice(placed.offset, placed.offset + placed.field.size)

    def _elements(self, field: str) -> Iterator[bytes]:
        data = bytes(self.payload[self._run(field)])
        size = self.fields[field].field.scalar.size
        return (data[i:i + size] for i in range(0, len(data), size))


def is_utf8(text: bytes) -> bool:
    """Return whether bytes are well-formed UTF-8."""
    try:
        text.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True


def _order(scalar: Scalar, element: bytes) -> Raw:
    """Return what orders elements as numbers; a NaN lies beyond infinity, as in the C."""
    if scalar.form is not ScalarForm.FLOAT:
        return scalar.unpack(element)
    bits = int.from_bytes(element, "little")
    sign = 1 << 8 * scalar.size - 1
    return -(bits - sign) if bits & sign else bits
