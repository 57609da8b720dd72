"""The firmware on an emulated processor, with its port in Python, and how deep its stack goes.

See `paramstore.verify.rig.emulated` for the processors.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import unicorn

from paramstore.core.status import Status
from paramstore.layout.plan import Plan
from paramstore.verify.rig.compiled import Port, shim_text
from paramstore.verify.rig.emulated import (
    CORTEX_M0PLUS,
    END,
    PAGE,
    POWERPC,
    STACK,
    STACK_BYTES,
    Emulator,
    Processor,
)
from paramstore.verify.rig.toolchain import Compiler
from tests.firmware.builds import write, write_store, zig

__all__ = ["CORTEX_M0PLUS", "POWERPC", "EmulatedMachine", "Processor", "link"]

TRAPS = END // PAGE * PAGE  # an instruction here returns at once; a hook does the work of the port
SCRATCH = 0x7200_0000  # arguments that are bytes, the port table and the store
SCRATCH_BYTES = 0x1_0000
STACK_MARK = b"\xc3"
GARBAGE = b"\xa5"

SIZE_FLAGS = ("-Os", "-g", "-ffunction-sections", "-fdata-sections", "-fno-unwind-tables",
              "-fno-asynchronous-unwind-tables")
"""As small as firmware is built. Without -g zig would leave out the names of functions."""

# What every compiler may call even where there is no C library; zig brings its own.
LIBC = """
#include <stddef.h>
void *memset(void *to, int value, size_t count);
void *memcpy(void *to, const void *from, size_t count);
__attribute__((optimize("no-tree-loop-distribute-patterns")))
void *memset(void *to, int value, size_t count)
{
    unsigned char *t = to;
    while (count-- > 0u) { *t++ = (unsigned char)value; }
    return to;
}
__attribute__((optimize("no-tree-loop-distribute-patterns")))
void *memcpy(void *to, const void *from, size_t count)
{
    unsigned char *t = to;
    const unsigned char *f = from;
    while (count-- > 0u) { *t++ = *f++; }
    return to;
}
"""

ALL_CALLS = (
    "rig_begin", "rig_member", "rig_memory_bytes", "rig_values_bytes", "ps_mount", "ps_format",
    "ps_wipe", "ps_provision", "ps_set", "ps_set_text", "ps_reset", "ps_reset_field", "ps_touch",
    "ps_unlock", "ps_lock", "ps_health", "ps_sequence", "ps_commit", "ps_commit_all",
    "ps_refresh", "ps_reload", "ps_commit_begin", "ps_step", "ps_status_name",
)


def link(plan: Plan, processor: Processor, folder: Path, keep: Sequence[str] = ALL_CALLS,
         compiler: Compiler | None = None, flags: Sequence[str] = ()) -> Path:
    """Compile and link the C of `plan`; only `keep` and what it calls stay in the program.

    With zig for `processor`, or with another `compiler` and `flags` that choose its target.
    """
    write_store(folder, plan)
    write(folder, {"rig.c": shim_text(plan), "libc.c": LIBC if compiler else "int none;\n"})
    return (compiler or zig()).program(
        sorted(folder.glob("*.c")), folder / "program.elf",
        (*(flags if compiler else (*processor.flags, "-static")), *SIZE_FLAGS, "-Wl,--gc-sections",
         f"-Wl,-e,{keep[0]}", *(f"-Wl,-u,{name}" for name in keep)),
    )


class EmulatedMachine(Emulator):
    """`paramstore.verify.rig.compiled.Machine` in unicorn.

    `stack_bytes` is the deepest stack of all calls so far, without that of the port; set it to 0
    to begin anew.
    """

    def __init__(self, program: Path, processor: Processor) -> None:
        super().__init__(program, processor)
        self.stack_bytes = 0
        self.uc.mem_map(SCRATCH, SCRATCH_BYTES)
        returns = processor.return_instruction
        self.uc.mem_write(TRAPS, returns * (PAGE // len(returns)))
        self.uc.hook_add(unicorn.UC_HOOK_CODE, self._trapped, None, TRAPS, TRAPS + PAGE)
        self._handlers: dict[int, Callable[[], int]] = {}
        self._memory = SCRATCH + 0x2000
        self._memory_bytes = self.constant("rig_memory_bytes")

    def constant(self, name: str) -> int:
        """Return a 32-bit constant of the program."""
        return self.word(self.symbols[name])

    def function(self, name: str, *arguments: int) -> int:
        """Call a C function by its symbol; return its result. Notes how deep the stack went."""
        self.write(STACK, STACK_MARK * STACK_BYTES)
        result = super().function(name, *arguments)
        used = self.read(STACK, STACK_BYTES)
        untouched = len(used) - len(used.lstrip(STACK_MARK))
        self.stack_bytes = max(self.stack_bytes, STACK_BYTES - 64 - untouched)
        return result

    def call(self, name: str, *arguments: int | bytes) -> int:
        """Call a function on the store."""
        words, place = [self._store], SCRATCH + 0x100
        for argument in arguments:
            if isinstance(argument, bytes):
                self.write(place, argument)
                words.append(place)
                place += len(argument) + 15 & ~15
            else:
                words.append(argument)
        return self.function(name, *words)

    def member(self, field: int) -> int:
        """Return the address of the values of a field."""
        return self.function("rig_member", self._memory, field)

    # ---- The port ----

    def restart(self, port: Port) -> None:
        """Give the store fresh memory."""
        traps = [TRAPS + 16 * i for i in range(3)]
        self._handlers = dict(zip(traps, (
            lambda: self._transfer(port), lambda: self._wait(port), lambda: port.supply_good(),
        ), strict=True))
        table = b"".join(self.bytes_of(trap | self.processor.code_bit) for trap in traps)
        self.write(SCRATCH, table + bytes(4))
        self.write(self._memory, GARBAGE * self._memory_bytes)
        self._store = self.function("rig_begin", self._memory, SCRATCH)

    def _trapped(self, uc: unicorn.Uc, address: int, size: int, data: object) -> None:
        if handler := self._handlers.get(address):
            uc.reg_write(self.processor.result, int(handler()))

    def _arguments(self, count: int) -> list[int]:
        registers = self.processor.arguments
        values = [int(self.uc.reg_read(r)) for r in registers[:count]]
        stack = self.uc.reg_read(self.processor.stack)
        return values + [self.word(stack + 4 * i) for i in range(count - len(values))]

    def _transfer(self, port: Port) -> Status:
        _, address, out, out_count, into, in_count = self._arguments(6)
        # Callers extend narrow arguments to a whole register in both calling conventions.
        assert address <= 0x7F and out_count <= 0xFFFF and in_count <= 0xFFFF
        status, reply = port.transfer(address, self.read(out, out_count), in_count)
        if reply:
            self.write(into, reply)
        return status

    def _wait(self, port: Port) -> int:
        _, us = self._arguments(2)
        port.wait(us)
        return 0
