"""Stores of `EXAMPLE` in a known state, on both engines, for the tests of this package."""

from __future__ import annotations

from collections.abc import Callable

from paramstore.core.scalars import Raw
from paramstore.core.status import Status
from paramstore.record import build_label, build_record, encode_body
from paramstore.verify.eeprom.faults import Fault
from tests.engines import Engines
from tests.record.plans import EXAMPLE

LIMITS, USER = EXAMPLE.rings


def image(*records: tuple[str, int, dict[str, tuple[Raw, ...]]], label: bytes = b"") -> bytes:
    """A part with labels and (group, sequence number, values) records."""
    memory = bytearray(b"\xff" * EXAMPLE.part.capacity)
    label = label or build_label(EXAMPLE)
    for copy in (0, 1):
        at = EXAMPLE.label_address(copy)
        memory[at:at + len(label)] = label
    for group, sequence, values in records:
        ring = EXAMPLE.ring(group)
        record = build_record(EXAMPLE, ring, sequence, encode_body(ring, values))
        at = ring.address((sequence - 1) % ring.slots)
        memory[at:at + len(record)] = record
    return bytes(memory)


USED = image(("limits", 1, {"current": (7,)}), ("limits", 2, {"current": (7,)}),
             ("user", 1, {"low": (1,)}))


def mounted(memory: bytes = USED, expected: Status = Status.OK) -> Engines:
    """Both engines after a mount that says `expected`."""
    engines = Engines(EXAMPLE, memory)
    assert expected is engines.call("mount")
    return engines


def with_fault(engines: Engines, make: Callable[[], Fault]) -> None:
    """Give each part a fault of its own."""
    engines.each(lambda bench: bench.device.faults.append(make()))
