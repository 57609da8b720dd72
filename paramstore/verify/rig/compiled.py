"""The store in C, wherever it runs, on a bench: calls by name, values as bytes of its memory.

A `Machine` runs the code: this computer through ctypes (`native`), or an emulated processor in
the tests. `CompiledRig` speaks for all of them and is the other end of the port.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from typing import Protocol

from paramstore.core.scalars import Raw
from paramstore.core.status import Health, Status
from paramstore.layout.plan import PlacedField, Plan
from paramstore.schema.model import Field
from paramstore.verify.eeprom.bench import Bench
from paramstore.verify.eeprom.faults import BusError

__all__ = ["SHIM", "CompiledRig", "Machine", "Port", "shim_text"]

SHIM = """
#include "{store}_params.h"
const uint32_t rig_memory_bytes = (uint32_t)sizeof({store}_t);
const uint32_t rig_values_bytes = (uint32_t)sizeof({store}_values_t);
ps_store_t *rig_begin({store}_t *memory, const ps_port_t *port)
{{
    {store}_init(memory, port);
    return &memory->store;
}}
void *rig_member({store}_t *memory, uint16_t field)
{{
    return (uint8_t *)memory + {store}_layout.fields[field].member;
}}
"""


def shim_text(plan: Plan) -> str:
    """Return the C that a machine needs beside the files of a firmware."""
    return SHIM.format(store=plan.schema.name)


class Port(Protocol):
    """The port as a machine calls it. None of these raises."""

    def transfer(self, address: int, out: bytes, in_count: int) -> tuple[Status, bytes]:
        """Do one transfer; return its status and `in_count` bytes if that is OK."""
        ...

    def wait(self, us: int) -> None:
        """Let time pass."""
        ...

    def supply_good(self) -> bool:
        """Answer the question before a page write."""
        ...


class Machine(Protocol):
    """Something that runs the compiled C of one store."""

    byte_order: str  # "<", ">" or "=", as `struct` takes it

    def restart(self, port: Port) -> None:
        """Fill the memory of the store with garbage, then initialise it and connect `port`."""
        ...

    def call(self, name: str, *arguments: int | bytes) -> int:
        """Call a `ps_` function on the store; bytes go as a pointer to a copy of them."""
        ...

    def member(self, field: int) -> int:
        """Return the address of the values of a field."""
        ...

    def read(self, address: int, count: int) -> bytes:
        """Return bytes of the memory of the store."""
        ...

    def write(self, address: int, data: bytes) -> None:
        """Change the memory of the store."""
        ...


class CompiledRig:
    """`paramstore.verify.rig.base.Rig` over compiled C.

    The power may go inside a call: then the port answers ERR_BUS, without touching the bench,
    until the C returns, and the call raises PowerCut (or whatever the bench raised).
    """

    def __init__(self, plan: Plan, bench: Bench, machine: Machine) -> None:
        self.plan = plan
        self.bench = bench
        self.machine = machine
        self._trouble: BaseException | None = None
        self._groups = {ring.group.name: i for i, ring in enumerate(plan.rings)}
        rows = [(ring.group.name, s) for ring in plan.rings for s in ring.stretches]
        self._fields = {(group, s.field.name): (i, s.field) for i, (group, s) in enumerate(rows)
                        if isinstance(s, PlacedField)}
        self.restart()

    # ---- The port ----

    def transfer(self, address: int, out: bytes, in_count: int) -> tuple[Status, bytes]:
        """Do one transfer for the C."""
        if self._trouble is not None:
            return Status.ERR_BUS, b""
        try:
            reply = self.bench.transfer(address, out, in_count)
        except BusError:
            return Status.ERR_BUS, b""
        except BaseException as trouble:  # C lies between here and the caller: see _call
            self._trouble = trouble
            return Status.ERR_BUS, b""
        return (Status.ERR_NACK, b"") if reply is None else (Status.OK, reply)

    def wait(self, us: int) -> None:
        """Let time pass for the C."""
        if self._trouble is None:
            self.bench.wait(us)

    def supply_good(self) -> bool:
        """Answer the C."""
        return self._trouble is None and self.bench.ask_supply()

    # ---- Calls ----

    def _call(self, name: str, *arguments: int | bytes) -> int:
        result = self.machine.call(name, *arguments)
        trouble, self._trouble = self._trouble, None
        if trouble is not None:
            raise trouble
        return result

    def _on_store(self, name: str) -> Status:
        return Status(self._call(name))

    def _on_group(self, name: str, group: str) -> Status:
        return Status(self._call(name, self._groups[group]))

    def mount(self) -> Status:
        """Read the newest record of each group."""
        return self._on_store("ps_mount")

    def format(self) -> Status:
        """Write the label."""
        return self._on_store("ps_format")

    def wipe(self) -> Status:
        """Make the part blank."""
        return self._on_store("ps_wipe")

    def provision(self, image: bytes | None) -> Status:
        """Commit factory values, or defaults, for each group without a record."""
        return Status(self._call("ps_provision", 0 if image is None else image))

    def set(self, group: str, field: str, first: int, raws: Sequence[Raw]) -> Status:
        """Give elements from `first` on new values in RAM, all or nothing."""
        index, described = self._fields[group, field]
        data = self._in_memory(described, raws)
        return Status(self._call("ps_set", index, first, len(raws), data))

    def set_text(self, group: str, field: str, text: str) -> Status:
        """Give a text field a new value in RAM."""
        index, _ = self._fields[group, field]
        return Status(self._call("ps_set_text", index, text.encode() + b"\0"))

    def reset(self, group: str) -> Status:
        """Give all fields of a group their defaults in RAM."""
        return self._on_group("ps_reset", group)

    def reset_field(self, group: str, field: str) -> Status:
        """Give one field its defaults in RAM."""
        index, _ = self._fields[group, field]
        return Status(self._call("ps_reset_field", index))

    def touch(self, group: str) -> Status:
        """Mark a group as changed."""
        return self._on_group("ps_touch", group)

    def unlock(self, group: str) -> Status:
        """Open a protected group for changes and one commit."""
        return self._on_group("ps_unlock", group)

    def lock(self, group: str) -> Status:
        """Close a protected group."""
        return self._on_group("ps_lock", group)

    def commit(self, group: str) -> Status:
        """Write a group, blocking."""
        return self._on_group("ps_commit", group)

    def commit_all(self) -> Status:
        """Write every changed group, blocking."""
        return self._on_store("ps_commit_all")

    def refresh(self, group: str) -> Status:
        """Commit a group although nothing changed, blocking."""
        return self._on_group("ps_refresh", group)

    def reload(self, group: str) -> Status:
        """Read one group from the part again."""
        return self._on_group("ps_reload", group)

    def commit_begin(self, group: str) -> Status:
        """Begin to write a group in steps."""
        return self._on_group("ps_commit_begin", group)

    def step(self, elapsed_us: int) -> Status:
        """Do one step of a commit."""
        return Status(self._call("ps_step", elapsed_us))

    def health(self, group: str) -> Health:
        """Return the flags of a group."""
        return Health(self._call("ps_health", self._groups[group]))

    def sequence(self, group: str) -> int:
        """Return the number of the newest record of a group; 0: none."""
        return self._call("ps_sequence", self._groups[group])

    # ---- Memory ----

    def values(self, group: str) -> dict[str, tuple[Raw, ...]]:
        """Return all elements of each field of a group."""
        result: dict[str, tuple[Raw, ...]] = {}
        for (owner, name), (index, field) in self._fields.items():
            if owner == group:
                data = self.machine.read(self.machine.member(index), field.size)
                result[name] = struct.unpack(self._format(field, field.count), data)
        return result

    def poke(self, group: str, field: str, first: int, raws: Sequence[Raw]) -> None:
        """Write elements into the values in RAM, past every check and flag."""
        index, described = self._fields[group, field]
        if first + len(raws) > described.count:
            raise IndexError(f"{group}.{field} has {described.count} elements")
        address = self.machine.member(index) + first * described.scalar.size
        self.machine.write(address, self._in_memory(described, raws))

    def _format(self, field: Field, count: int) -> str:
        return f"{self.machine.byte_order}{count}{field.scalar.struct_code}"

    def _in_memory(self, field: Field, raws: Sequence[Raw]) -> bytes:
        """Elements as an array of the member's type holds them."""
        return struct.pack(self._format(field, len(raws)), *raws)

    # ---- Power ----

    def restart(self) -> None:
        """Forget all RAM, as after a reset of the controller; the part keeps its power."""
        self.machine.restart(self)

    def power_cycle(self) -> None:
        """Switch part and controller off and on again."""
        self.bench.device.power_off()
        self.bench.device.power_on()
        self.restart()
