"""Runs a test as an ordinary user sees the disk: root reads and enters whatever it likes."""

from __future__ import annotations

import ctypes
import os
from collections.abc import Iterator
from contextlib import contextmanager

_VERSION = 0x20080522  # _LINUX_CAPABILITY_VERSION_3 of linux/capability.h, and the numbers below
_BY_MODE = 1 << 1 | 1 << 2  # CAP_DAC_OVERRIDE, CAP_DAC_READ_SEARCH


class _Header(ctypes.Structure):
    _fields_ = (("version", ctypes.c_uint32), ("pid", ctypes.c_int))


class _Capabilities(ctypes.Structure):
    _fields_ = (("effective", ctypes.c_uint32), ("permitted", ctypes.c_uint32),
                ("inheritable", ctypes.c_uint32))


@contextmanager
def ordinary_user() -> Iterator[None]:
    """Let the modes of files and folders hold for this thread, whoever runs the tests."""
    if os.geteuid() != 0:
        yield
        return
    libc = ctypes.CDLL(None, use_errno=True)
    header, now = _Header(_VERSION, 0), (_Capabilities * 2)()
    assert 0 == libc.capget(ctypes.byref(header), now)
    before = now[0].effective
    now[0].effective = before & ~_BY_MODE
    assert 0 == libc.capset(ctypes.byref(header), now)
    try:
        yield
    finally:
        now[0].effective = before
        assert 0 == libc.capset(ctypes.byref(header), now)
