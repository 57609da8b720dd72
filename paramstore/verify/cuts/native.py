"""The harness on this computer, as a library loaded through ctypes.

A library has one state: use it from one thread. Other processors offer the same `Target`.
"""

from __future__ import annotations

import ctypes
import sys
from pathlib import Path
from typing import Protocol

__all__ = ["HarnessTarget", "NativeTarget"]


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

