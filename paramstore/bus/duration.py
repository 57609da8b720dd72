"""How long writing to a part takes on the bus: the arithmetic of what must be written and read."""

from __future__ import annotations

from paramstore.bus.changes import Changes
from paramstore.bus.programmer import READ_BYTES
from paramstore.layout.bus_time import bits_ms, read_bits, write_bits

__all__ = ["work_ms"]


def work_ms(changes: Changes, khz: int) -> float:
    """Return the time in ms: each page looked at, written, waited for and read back; then all that
    was read before read again."""
    part = changes.plan.part
    width = part.address_bytes
    bits = sum(write_bits(width, len(w.data)) + 2 * read_bits(width, len(w.data))
               for w in changes.writes)
    left = part.capacity - sum(end - first for first, end in changes.before.gaps)
    bits += left // READ_BYTES * read_bits(width, READ_BYTES) + read_bits(width, left % READ_BYTES)
    return bits_ms(bits, khz) + len(changes.writes) * part.write_ms
