"""The compiled C on a bench: runtime and generated tables in a shared library, driven by ctypes.

`compile_native` makes the library for a plan; any number of `NativeRig`s may share it, each with
its own memory. A shim of a few lines is all the C that is not also in a firmware.
"""

from __future__ import annotations

import ctypes
import struct
import tempfile
from collections.abc import Sequence
from ctypes import (
    CFUNCTYPE,
    POINTER,
    c_bool,
    c_char_p,
    c_int,
    c_uint8,
    c_uint16,
    c_uint32,
    c_void_p,
)
from pathlib import Path
from typing import Any

from paramstore.eeprom.bench import Bench
from paramstore.eeprom.faults import BusError
from paramstore.firmware.generate import generate, runtime_files
from paramstore.layout.plan import Plan
from paramstore.rig.toolchain import Compiler, find_compiler
from paramstore.scalars import Raw
from paramstore.schema.model import Field
from paramstore.status import Health, Status

__all__ = ["NativeCode", "NativeRig", "compile_native"]

_SHIM = """
#include "{store}_params.h"
uint32_t rig_memory_bytes(void) {{ return (uint32_t)sizeof({store}_t); }}
ps_store_t *rig_begin({store}_t *memory, const ps_port_t *port)
{{
    {store}_init(memory, port);
    return &memory->store;
}}
void *rig_member({store}_t *memory, uint16_t field)
{{
    return (uint8_t *)&memory->values + {store}_layout.fields[field].member;
}}
"""

_TRANSFER = CFUNCTYPE(c_int, c_void_p, c_uint8, POINTER(c_uint8), c_uint16, POINTER(c_uint8),
                      c_uint16)
_WAIT = CFUNCTYPE(None, c_void_p, c_uint16)
_SUPPLY = CFUNCTYPE(c_bool, c_void_p)

_SIGNATURES: dict[str, tuple[Any, tuple[Any, ...]]] = {
    "rig_memory_bytes": (c_uint32, ()),
    "rig_begin": (c_void_p, (c_void_p, c_void_p)),
    "rig_member": (c_void_p, (c_void_p, c_uint16)),
    "ps_mount": (c_int, (c_void_p,)),
    "ps_format": (c_int, (c_void_p,)),
    "ps_wipe": (c_int, (c_void_p,)),
    "ps_set": (c_int, (c_void_p, c_uint16, c_uint16, c_uint16, c_void_p)),
    "ps_set_text": (c_int, (c_void_p, c_uint16, c_char_p)),
    "ps_reset": (c_int, (c_void_p, c_uint8)),
    "ps_reset_field": (c_int, (c_void_p, c_uint16)),
    "ps_touch": (c_int, (c_void_p, c_uint8)),
    "ps_unlock": (c_int, (c_void_p, c_uint8)),
    "ps_lock": (c_int, (c_void_p, c_uint8)),
    "ps_commit": (c_int, (c_void_p, c_uint8)),
    "ps_commit_all": (c_int, (c_void_p,)),
    "ps_commit_begin": (c_int, (c_void_p, c_uint8)),
    "ps_step": (c_int, (c_void_p, c_uint16)),
    "ps_health": (c_uint8, (c_void_p, c_uint8)),
    "ps_sequence": (c_uint32, (c_void_p, c_uint8)),
    "ps_status_name": (c_char_p, (c_int,)),
}

_GARBAGE = 0xA5  # what RAM holds when a controller starts


class _Port(ctypes.Structure):
    """`ps_port_t`."""

    _fields_ = (("transfer", _TRANSFER), ("wait_us", _WAIT), ("supply_good", _SUPPLY),
                ("user", c_void_p))


class NativeCode:
    """The compiled C of one plan. A temporary folder it was made in lives as long as it does."""

    def __init__(self, plan: Plan, library: Path,
                 folder: tempfile.TemporaryDirectory[str] | None = None) -> None:
        self.plan = plan
        self._folder = folder
        self._library = ctypes.CDLL(str(library))
        for name, (result, arguments) in _SIGNATURES.items():
            function = getattr(self._library, name)
            function.restype, function.argtypes = result, arguments
        self.memory_bytes = int(self._library.rig_memory_bytes())

    def call(self, name: str, *arguments: object) -> Any:
        """Call a C function by name."""
        return getattr(self._library, name)(*arguments)

    def status_name(self, status: int) -> str:
        """Return what `ps_status_name` says."""
        name: bytes = self.call("ps_status_name", status)
        return name.decode("ascii")


def compile_native(plan: Plan, folder: Path | None = None, compiler: Compiler | None = None,
                   flags: Sequence[str] = ()) -> NativeCode:
    """Generate and compile the C of `plan` into `folder`, or into a temporary one.

    ToolError if there is no compiler or it fails, FindingsError if the plan cannot become C.
    """
    temporary = None
    if folder is None:
        temporary = tempfile.TemporaryDirectory(prefix="paramstore-", ignore_cleanup_errors=True)
        folder = Path(temporary.name)
    store = plan.schema.name
    texts = {**generate(plan), **runtime_files(), "rig.c": _SHIM.format(store=store)}
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in texts.items():
        (folder / name).write_text(text, "utf-8")
    sources = [folder / name for name in texts if name.endswith(".c")]
    library = (compiler or find_compiler()).library(sources, folder / "rig", flags)
    return NativeCode(plan, library.resolve(), temporary)


class NativeRig:
    """`paramstore.rig.base.Rig` over the compiled C.

    The power may go inside a call: then the port answers ERR_BUS, without touching the bench,
    until the C returns, and the call raises PowerCut (or whatever the bench raised).
    """

    def __init__(self, code: NativeCode, bench: Bench) -> None:
        self.plan = code.plan
        self.bench = bench
        self._code = code
        self._trouble: BaseException | None = None
        self._groups = {ring.group.name: i for i, ring in enumerate(self.plan.rings)}
        names = [(ring.group.name, f) for ring in self.plan.rings for f in ring.group.fields]
        self._fields = {(group, f.name): (i, f) for i, (group, f) in enumerate(names)}
        self._port = _Port(_TRANSFER(self._transfer), _WAIT(self._wait), _SUPPLY(self._supply))
        self.restart()

    # ---- The port ----

    def _transfer(self, user: Any, address: int, out: Any, out_count: int, into: Any,
                  in_count: int) -> int:
        if self._trouble is not None:
            return Status.ERR_BUS
        try:
            reply = self.bench.transfer(address, ctypes.string_at(out, out_count), in_count)
        except BusError:
            return Status.ERR_BUS
        except BaseException as trouble:  # C lies between here and the caller: see _call
            self._trouble = trouble
            return Status.ERR_BUS
        if reply is None:
            return Status.ERR_NACK
        ctypes.memmove(into, reply, len(reply))
        return Status.OK

    def _wait(self, user: Any, us: int) -> None:
        if self._trouble is None:
            self.bench.wait(us)

    def _supply(self, user: Any) -> bool:
        return self._trouble is None and self.bench.ask_supply()

    # ---- Calls ----

    def _call(self, name: str, *arguments: object) -> int:
        result: int = self._code.call(name, self._store, *arguments)
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

    def set(self, group: str, field: str, first: int, raws: Sequence[Raw]) -> Status:
        """Give elements from `first` on new values in RAM, all or nothing."""
        index, described = self._fields[group, field]
        return Status(self._call("ps_set", index, first, len(raws), _native(described, raws)))

    def set_text(self, group: str, field: str, text: str) -> Status:
        """Give a text field a new value in RAM."""
        index, _ = self._fields[group, field]
        return Status(self._call("ps_set_text", index, text.encode()))

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

    def values(self, group: str) -> dict[str, tuple[Raw, ...]]:
        """Return all elements of each field of a group."""
        result: dict[str, tuple[Raw, ...]] = {}
        for (owner, name), (index, field) in self._fields.items():
            if owner == group:
                data = ctypes.string_at(self._member(index), field.size)
                result[name] = struct.unpack(f"={field.count}{field.scalar.struct_code}", data)
        return result

    def poke(self, group: str, field: str, first: int, raws: Sequence[Raw]) -> None:
        """Write elements into the values in RAM, past every check and flag."""
        index, described = self._fields[group, field]
        if first + len(raws) > described.count:
            raise IndexError(f"{group}.{field} has {described.count} elements")
        data = _native(described, raws)
        ctypes.memmove(self._member(index) + first * described.scalar.size, data, len(data))

    def restart(self) -> None:
        """Forget all RAM, as after a reset of the controller; the part keeps its power."""
        self._memory = ctypes.create_string_buffer(bytes([_GARBAGE]) * self._code.memory_bytes,
                                                   self._code.memory_bytes)
        self._store = self._code.call("rig_begin", self._memory, ctypes.byref(self._port))

    def power_cycle(self) -> None:
        """Switch part and controller off and on again."""
        self.bench.device.power_off()
        self.bench.device.power_on()
        self.restart()

    def _member(self, index: int) -> int:
        address: int = self._code.call("rig_member", self._memory, index)
        return address


def _native(field: Field, raws: Sequence[Raw]) -> bytes:
    """Elements as an array of the member's type holds them on this machine."""
    return struct.pack(f"={len(raws)}{field.scalar.struct_code}", *raws)
