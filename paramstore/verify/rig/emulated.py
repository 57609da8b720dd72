"""Compiled C on an emulated processor: the instruction set of a target, no code of this computer.

Programs are compiled with zig and run in unicorn. A Cortex-M0+ is what most firmware gets; a
big-endian PowerPC shows that the byte order of the processor does not matter. Knows processors and
programs, no store. Needs the packages of the extra `machine`: import it where it is used.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import unicorn
from elftools.elf.elffile import ELFFile
from unicorn import arm_const, ppc_const

__all__ = ["CORTEX_M0PLUS", "END", "PAGE", "POWERPC", "STACK", "STACK_BYTES", "Emulator",
           "Processor"]

# Nothing of a program is larger than what lies below; it is linked far from here.
PAGE = 0x1000
END = 0x7000_0800  # functions called from outside return to this place
STACK = 0x7100_0000
STACK_BYTES = 0x8000


@dataclass(frozen=True)
class Processor:
    """How a processor is compiled for, and how its functions take arguments."""

    name: str
    flags: tuple[str, ...]
    arch: int
    mode: int
    byte_order: str  # as `struct` takes it
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


class Emulator:
    """A program in the memory of an emulated processor. Nothing of this computer runs in a call."""

    def __init__(self, program: Path, processor: Processor) -> None:
        self.processor = processor
        self.byte_order = processor.byte_order
        self.uc = unicorn.Uc(processor.arch, processor.mode)
        if processor.model is not None:
            self.uc.ctl_set_cpu_model(processor.model)
        self.symbols: dict[str, int] = {}
        self._load(program)
        for base, size in ((END // PAGE * PAGE, PAGE), (STACK, STACK_BYTES)):
            self.uc.mem_map(base, size)

    def _load(self, program: Path) -> None:
        with program.open("rb") as stream:
            elf = ELFFile(stream)
            pages: set[int] = set()
            segments = [s for s in elf.iter_segments() if s["p_type"] == "PT_LOAD"]
            for segment in segments:
                first, end = segment["p_vaddr"], segment["p_vaddr"] + segment["p_memsz"]
                pages |= set(range(first // PAGE, -(-end // PAGE)))
            for page in sorted(pages):
                self.uc.mem_map(page * PAGE, PAGE)
            for segment in segments:
                self.uc.mem_write(segment["p_vaddr"], segment.data())
            for symbol in elf.get_section_by_name(".symtab").iter_symbols():
                self.symbols[symbol.name] = symbol["st_value"]

    def read(self, address: int, count: int) -> bytes:
        """Return bytes of memory."""
        return bytes(self.uc.mem_read(address, count))

    def write(self, address: int, data: bytes) -> None:
        """Change memory."""
        self.uc.mem_write(address, data)

    def word(self, address: int) -> int:
        """Return a number of 32 bits in memory."""
        return int.from_bytes(self.read(address, 4), self._order)

    def bytes_of(self, word: int) -> bytes:
        """Return a number of 32 bits as it lies in memory."""
        return word.to_bytes(4, self._order)

    @property
    def _order(self) -> Literal["little", "big"]:
        return "little" if self.byte_order == "<" else "big"

    def function(self, name: str, *arguments: int) -> int:
        """Call a C function by its symbol; return its result."""
        processor, uc = self.processor, self.uc
        top = STACK + STACK_BYTES - 64
        uc.reg_write(processor.stack, top)
        for register, value in zip(processor.arguments, arguments, strict=False):
            uc.reg_write(register, value & 0xFFFF_FFFF)
        assert len(arguments) <= len(processor.arguments) or processor is CORTEX_M0PLUS
        for i, value in enumerate(arguments[len(processor.arguments):]):
            uc.mem_write(top + 4 * i, self.bytes_of(value))
        uc.reg_write(processor.link, END | processor.code_bit)
        uc.emu_start(self.symbols[name] | processor.code_bit, END)
        assert uc.reg_read(processor.counter) & ~1 == END
        return int(uc.reg_read(processor.result))
