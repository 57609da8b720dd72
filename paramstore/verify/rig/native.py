"""The compiled C on this computer: runtime and generated tables in a shared library.

`compile_native` makes the library for a plan; any number of `NativeRig`s may share it, each with
its own memory. Nothing here knows what a call means: see `compiled`. A `NativeTarget` is a harness
that was compiled to a library; other processors offer the same `HarnessTarget`.
"""

from __future__ import annotations

import ctypes
import sys
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
from typing import TYPE_CHECKING, Any, Protocol

from paramstore.firmware.generate import generate, runtime_files
from paramstore.layout.plan import Plan
from paramstore.verify.eeprom.bench import Bench
from paramstore.verify.rig.compiled import CompiledRig, Port, shim_text
from paramstore.verify.rig.toolchain import Compiler, find_compiler

if TYPE_CHECKING:
    _Bytes = ctypes._Pointer[c_uint8]

__all__ = [
    "SIGNATURES",
    "HarnessTarget",
    "NativeCode",
    "NativeRig",
    "NativeTarget",
    "compile_native",
]

_TRANSFER = CFUNCTYPE(c_int, c_void_p, c_uint8, POINTER(c_uint8), c_uint16, POINTER(c_uint8),
                      c_uint16)
_WAIT = CFUNCTYPE(None, c_void_p, c_uint16)
_SUPPLY = CFUNCTYPE(c_bool, c_void_p)

SIGNATURES: dict[str, tuple[Any, tuple[Any, ...]]] = {
    "rig_begin": (c_void_p, (c_void_p, c_void_p)),
    "rig_member": (c_void_p, (c_void_p, c_uint16)),
    "ps_mount": (c_int, (c_void_p,)),
    "ps_format": (c_int, (c_void_p,)),
    "ps_wipe": (c_int, (c_void_p,)),
    "ps_provision": (c_int, (c_void_p, c_void_p)),
    "ps_set": (c_int, (c_void_p, c_uint16, c_uint16, c_uint16, c_void_p)),
    "ps_set_text": (c_int, (c_void_p, c_uint16, c_char_p)),
    "ps_reset": (c_int, (c_void_p, c_uint8)),
    "ps_reset_field": (c_int, (c_void_p, c_uint16)),
    "ps_touch": (c_int, (c_void_p, c_uint8)),
    "ps_unlock": (c_int, (c_void_p, c_uint8)),
    "ps_lock": (c_int, (c_void_p, c_uint8)),
    "ps_commit": (c_int, (c_void_p, c_uint8)),
    "ps_commit_all": (c_int, (c_void_p,)),
    "ps_refresh": (c_int, (c_void_p, c_uint8)),
    "ps_reload": (c_int, (c_void_p, c_uint8)),
    "ps_commit_begin": (c_int, (c_void_p, c_uint8)),
    "ps_step": (c_int, (c_void_p, c_uint16)),
    "ps_health": (c_uint8, (c_void_p, c_uint8)),
    "ps_sequence": (c_uint32, (c_void_p, c_uint8)),
    "ps_status_name": (c_char_p, (c_int,)),
}
"""Result and arguments of each call, as `ctypes` has them."""

_GARBAGE = b"\xa5"  # what RAM holds when a controller starts


class _Port(ctypes.Structure):
    """`ps_port_t`."""

    _fields_ = (("transfer", _TRANSFER), ("wait_us", _WAIT), ("supply_good", _SUPPLY),
                ("user", c_void_p))


class NativeCode:
    """The compiled C of one plan. A temporary folder it was made in lives as long as it does."""

    def __init__(self, plan: Plan, library: Path,
                 folder: tempfile.TemporaryDirectory[str] | None = None) -> None:
        self.plan = plan
        self.library = ctypes.CDLL(str(library))
        self._folder = folder
        for name, (result, arguments) in SIGNATURES.items():
            function = getattr(self.library, name)
            function.restype, function.argtypes = result, arguments
        self.memory_bytes = c_uint32.in_dll(self.library, "rig_memory_bytes").value

    def status_name(self, status: int) -> str:
        """Return what `ps_status_name` says."""
        name: bytes = self.library.ps_status_name(status)
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
    texts = {**generate(plan), **runtime_files(), "rig.c": shim_text(plan)}
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in texts.items():
        (folder / name).write_text(text, "utf-8")
    sources = [folder / name for name in texts if name.endswith(".c")]
    library = (compiler or find_compiler()).library(sources, folder / "rig", flags)
    return NativeCode(plan, library.resolve(), temporary)


class _NativeMachine:
    """`paramstore.verify.rig.compiled.Machine` over ctypes."""

    byte_order = "="

    def __init__(self, code: NativeCode) -> None:
        self._code = code

    def restart(self, port: Port) -> None:
        """Give the store fresh memory."""

        def transfer(user: int | None, address: int, out: _Bytes, out_count: int, into: _Bytes,
                     in_count: int) -> int:
            status, reply = port.transfer(address, ctypes.string_at(out, out_count), in_count)
            ctypes.memmove(into, reply, len(reply))
            return status

        self._port = _Port(_TRANSFER(transfer), _WAIT(lambda user, us: port.wait(us)),
                           _SUPPLY(lambda user: port.supply_good()))
        size = self._code.memory_bytes
        self._memory = ctypes.create_string_buffer(_GARBAGE * size, size)
        self._store = self._code.library.rig_begin(self._memory, ctypes.byref(self._port))

    def call(self, name: str, *arguments: int | bytes) -> int:
        """Call a function of the library."""
        result: int = getattr(self._code.library, name)(self._store, *arguments)
        return result

    def member(self, field: int) -> int:
        """Return the address of the values of a field."""
        address: int = self._code.library.rig_member(self._memory, field)
        return address

    def read(self, address: int, count: int) -> bytes:
        """Return bytes of the memory of the store."""
        return ctypes.string_at(address, count)

    def write(self, address: int, data: bytes) -> None:
        """Change the memory of the store."""
        ctypes.memmove(address, data, len(data))


class NativeRig(CompiledRig):
    """`paramstore.verify.rig.base.Rig` over the C compiled for this computer."""

    def __init__(self, code: NativeCode, bench: Bench) -> None:
        super().__init__(code.plan, bench, _NativeMachine(code))


class HarnessTarget(Protocol):
    """Something that runs the compiled harness: its variables are bytes, its functions are called
    with at most one number."""

    byte_order: str  # "<" or ">", as `struct` takes it

    def read(self, name: str, count: int, offset: int = 0) -> bytes:
        """Return bytes of a variable."""
        ...

    def write(self, name: str, data: bytes, offset: int = 0) -> None:
        """Change a variable."""
        ...

    def call(self, name: str, *arguments: int) -> int:
        """Call a function and return its result as an unsigned number of 32 bits."""
        ...


class NativeTarget:
    """`Target` over a shared library. Loading the same file twice gives the same state."""

    def __init__(self, library: Path) -> None:
        self._library = ctypes.CDLL(str(library))
        self.byte_order = "<" if sys.byteorder == "little" else ">"

    def read(self, name: str, count: int, offset: int = 0) -> bytes:
        """Return bytes of a variable."""
        return ctypes.string_at(self._address(name) + offset, count)

    def write(self, name: str, data: bytes, offset: int = 0) -> None:
        """Change a variable."""
        ctypes.memmove(self._address(name) + offset, data, len(data))

    def call(self, name: str, *arguments: int) -> int:
        """Call a function."""
        function = getattr(self._library, name)
        function.restype = ctypes.c_uint32
        function.argtypes = [ctypes.c_uint32] * len(arguments)
        return int(function(*arguments))

    def _address(self, name: str) -> int:
        return ctypes.addressof(ctypes.c_uint8.in_dll(self._library, name))
