"""The harness as machine code of a microcontroller, in an emulator.

The inner loop is the same C, compiled for a Cortex-M0+; nothing of it runs on this computer.
"""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

from paramstore.core.errors import ToolError
from paramstore.layout.plan import Plan
from paramstore.verify.cuts.build import write_harness
from paramstore.verify.cuts.explorer import Explorer
from paramstore.verify.cuts.pictures import Pictures
from paramstore.verify.rig.toolchain import zig_compiler

if TYPE_CHECKING:
    from paramstore.verify.rig.emulated import Processor

__all__ = ["MachineTarget", "build_machine"]

_FLAGS = ("-std=c99", "-O2", "-g", "-ffreestanding", "-static", "-fno-unwind-tables",
          "-fno-asynchronous-unwind-tables", "-Wl,-e,explore_run", "-Wl,--no-gc-sections")
"""Without -g zig would leave out the names of functions."""


class MachineTarget:
    """`Target` over a program in an emulator."""

    def __init__(self, program: Path, processor: Processor) -> None:
        from paramstore.verify.rig.emulated import Emulator

        self._emulator = Emulator(program, processor)
        self.byte_order = processor.byte_order

    def read(self, name: str, count: int, offset: int = 0) -> bytes:
        """Return bytes of a variable."""
        return self._emulator.read(self._emulator.symbols[name] + offset, count)

    def write(self, name: str, data: bytes, offset: int = 0) -> None:
        """Change a variable."""
        self._emulator.write(self._emulator.symbols[name] + offset, data)

    def call(self, name: str, *arguments: int) -> int:
        """Call a function."""
        return self._emulator.function(name, *arguments)


def build_machine(plan: Plan, pictures: Pictures, folder: Path,
                  processor: Processor | None = None) -> Explorer:
    """Compile the harness for a processor, a Cortex-M0+ by default; return it, ready to run.

    Without a memo of equal states, as a microcontroller has no memory for one. ToolError if a
    package of the extra `machine` is missing.
    """
    compiler = zig_compiler()
    if compiler is None or find_spec("unicorn") is None or find_spec("elftools") is None:
        raise ToolError("machine code needs ziglang, unicorn and pyelftools",
                        'install them: pip install "paramstore[machine]"')
    from paramstore.verify.rig.emulated import CORTEX_M0PLUS

    processor = processor or CORTEX_M0PLUS
    sources = write_harness(plan, pictures, folder, memo=0)
    program = compiler.program(sources, folder / "cuts.elf", (*processor.flags, *_FLAGS))
    return Explorer(plan, pictures, MachineTarget(program, processor))
