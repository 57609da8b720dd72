"""The compiled C on an emulated processor: the real instruction set of a target, no host code.

Compiled with zig, run in unicorn. A Cortex-M0+ shows what a firmware gets; a big-endian PowerPC
shows that the byte order of the processor does not matter.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import unicorn
from elftools.elf.elffile import ELFFile
from unicorn import arm_const, ppc_const

from paramstore.layout.plan import Plan
from paramstore.rig.compiled import Port, shim_text
from paramstore.rig.toolchain import Compiler
from paramstore.status import Status
from tests.firmware.builds import write, write_store, zig

# Nothing of a firmware is larger than this; the program is linked far below.
PAGE = 0x1000
TRAPS = 0x7000_0000  # an instruction here returns at once; a hook does the work of the port
STACK = 0x7100_0000
STACK_BYTES = 0x4000
SCRATCH = 0x7200_0000  # arguments that are bytes, the port table and the store
SCRATCH_BYTES = 0x1_0000
STACK_MARK = b"\xc3"
GARBAGE = b"\xa5"


@dataclass(frozen=True)
class Processor:
    """How a processor is compiled for, and how its functions take arguments."""

    name: str
    flags: tuple[str, ...]
    arch: int
    mode: int
    byte_order: str
    arguments: tuple[int, ...]  # registers; more arguments go on the stack
    result: int
    link: int
    stack: int
    counter: int
    return_instruction: bytes
    model: int | None = None
    code_bit: int = 0  # set in the address of a function


CORTEX_M0PLUS = Processor(
    "Cortex-M0+",
    ("-target", "thumb-freestanding-eabi", "-mcpu=cortex_m0plus"),
    unicorn.UC_ARCH_ARM, unicorn.UC_MODE_THUMB | unicorn.UC_MODE_MCLASS, "<",
    (arm_const.UC_ARM_REG_R0, arm_const.UC_ARM_REG_R1, arm_const.UC_ARM_REG_R2,
     arm_const.UC_ARM_REG_R3),
    arm_const.UC_ARM_REG_R0, arm_const.UC_ARM_REG_LR, arm_const.UC_ARM_REG_SP,
    arm_const.UC_ARM_REG_PC, b"\x70\x47", arm_const.UC_CPU_ARM_CORTEX_M0, 1,
)
POWERPC = Processor(
    "PowerPC, big-endian",
    ("-target", "powerpc-freestanding-eabi"),
    unicorn.UC_ARCH_PPC, unicorn.UC_MODE_PPC32 | unicorn.UC_MODE_BIG_ENDIAN, ">",
    tuple(ppc_const.UC_PPC_REG_0 + n for n in range(3, 11)),
    ppc_const.UC_PPC_REG_3, ppc_const.UC_PPC_REG_LR, ppc_const.UC_PPC_REG_1,
    ppc_const.UC_PPC_REG_PC, b"\x4e\x80\x00\x20",
)

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
    "ps_wipe", "ps_seed", "ps_set", "ps_set_text", "ps_reset", "ps_reset_field", "ps_touch",
    "ps_unlock", "ps_lock", "ps_health", "ps_sequence", "ps_commit", "ps_commit_all",
    "ps_commit_begin", "ps_step", "ps_status_name",
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


class EmulatedMachine:
    """`paramstore.rig.compiled.Machine` in unicorn.

    `stack_bytes` is the deepest stack of all calls so far, without that of the port; set it to 0
    to begin anew.
    """

    def __init__(self, program: Path, processor: Processor) -> None:
        self.processor = processor
        self.byte_order = processor.byte_order
        self.stack_bytes = 0
        self._uc = unicorn.Uc(processor.arch, processor.mode)
        if processor.model is not None:
            self._uc.ctl_set_cpu_model(processor.model)
        self._symbols: dict[str, int] = {}
        self._load(program)
        for base, size in ((TRAPS, PAGE), (STACK, STACK_BYTES), (SCRATCH, SCRATCH_BYTES)):
            self._uc.mem_map(base, size)
        returns = processor.return_instruction
        self._uc.mem_write(TRAPS, returns * (PAGE // len(returns)))
        self._uc.hook_add(unicorn.UC_HOOK_CODE, self._trapped, None, TRAPS, TRAPS + PAGE)
        self._handlers: dict[int, Callable[[], int]] = {}
        self._memory = SCRATCH + 0x2000
        self._memory_bytes = self.constant("rig_memory_bytes")

    def _load(self, program: Path) -> None:
        with program.open("rb") as stream:
            elf = ELFFile(stream)
            pages: set[int] = set()
            segments = [s for s in elf.iter_segments() if s["p_type"] == "PT_LOAD"]
            for segment in segments:
                first, end = segment["p_vaddr"], segment["p_vaddr"] + segment["p_memsz"]
                pages |= set(range(first // PAGE, -(-end // PAGE)))
            for page in sorted(pages):
                self._uc.mem_map(page * PAGE, PAGE)
            for segment in segments:
                self._uc.mem_write(segment["p_vaddr"], segment.data())
            for symbol in elf.get_section_by_name(".symtab").iter_symbols():
                self._symbols[symbol.name] = symbol["st_value"]

    # ---- Memory and calls ----

    def read(self, address: int, count: int) -> bytes:
        """Return bytes of memory."""
        return bytes(self._uc.mem_read(address, count))

    def write(self, address: int, data: bytes) -> None:
        """Change memory."""
        self._uc.mem_write(address, data)

    @property
    def _order(self) -> str:
        return "little" if self.byte_order == "<" else "big"

    def constant(self, name: str) -> int:
        """Return a 32-bit constant of the program."""
        return self._word(self._symbols[name])

    def _word(self, address: int) -> int:
        return int.from_bytes(self.read(address, 4), self._order)

    def _bytes_of(self, word: int) -> bytes:
        return word.to_bytes(4, self._order)

    def function(self, name: str, *arguments: int) -> int:
        """Call a C function by its symbol; return its result. Notes how deep the stack went."""
        processor, uc = self.processor, self._uc
        uc.mem_write(STACK, STACK_MARK * STACK_BYTES)
        top = STACK + STACK_BYTES - 64
        uc.reg_write(processor.stack, top)
        for register, value in zip(processor.arguments, arguments, strict=False):
            uc.reg_write(register, value & 0xFFFF_FFFF)
        assert len(arguments) <= len(processor.arguments) or processor is CORTEX_M0PLUS
        for i, value in enumerate(arguments[len(processor.arguments):]):
            uc.mem_write(top + 4 * i, self._bytes_of(value))
        end = TRAPS + PAGE // 2
        uc.reg_write(processor.link, end | processor.code_bit)
        uc.emu_start(self._symbols[name] | processor.code_bit, end)
        assert uc.reg_read(processor.counter) & ~1 == end
        used = self.read(STACK, STACK_BYTES)
        untouched = len(used) - len(used.lstrip(STACK_MARK))
        self.stack_bytes = max(self.stack_bytes, top - (STACK + untouched))
        return int(uc.reg_read(processor.result))

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
        table = b"".join(self._bytes_of(trap | self.processor.code_bit) for trap in traps)
        self.write(SCRATCH, table + bytes(4))
        self.write(self._memory, GARBAGE * self._memory_bytes)
        self._store = self.function("rig_begin", self._memory, SCRATCH)

    def _trapped(self, uc: unicorn.Uc, address: int, size: int, data: object) -> None:
        if handler := self._handlers.get(address):
            uc.reg_write(self.processor.result, int(handler()))

    def _arguments(self, count: int) -> list[int]:
        registers = self.processor.arguments
        values = [int(self._uc.reg_read(r)) for r in registers[:count]]
        stack = self._uc.reg_read(self.processor.stack)
        return values + [self._word(stack + 4 * i) for i in range(count - len(values))]

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
