"""The harness as a program of its own, driven through its standard streams (see pipe.c)."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType

from paramstore.layout.plan import Plan
from paramstore.verify.cuts.build import write_harness
from paramstore.verify.cuts.pictures import Pictures
from paramstore.verify.rig.toolchain import Compiler

PIPE = Path(__file__).parent / "pipe.c"


def build_program(plan: Plan, pictures: Pictures, folder: Path, compiler: Compiler,
                  flags: Sequence[str]) -> Path:
    """Compile the harness of a plan to a program; ToolError if that fails."""
    sources = write_harness(plan, pictures, folder)
    return compiler.program([PIPE, *sources], folder / "cuts",
                            ("-std=c99", f"-I{folder}", *flags)).resolve()


class PipedTarget:
    """`paramstore.verify.rig.native.Target` over a running program.

    AssertionError if the program comes to an end by itself: that is how sanitizers tell, after what
    they have said on stderr.
    """

    byte_order = "<" if sys.byteorder == "little" else ">"

    def __init__(self, program: Path) -> None:
        self._process = subprocess.Popen([program], stdin=subprocess.PIPE,
                                         stdout=subprocess.PIPE, text=True)

    def read(self, name: str, count: int, offset: int = 0) -> bytes:
        """Return bytes of a variable."""
        return bytes.fromhex(self._ask(f"r {name} {offset} {count}"))

    def write(self, name: str, data: bytes, offset: int = 0) -> None:
        """Change a variable."""
        self._say(f"w {name} {offset} {len(data)} {data.hex()}")

    def call(self, name: str, *arguments: int) -> int:
        """Call a function."""
        return int(self._ask(f"c {name} {arguments[0] if arguments else 0}"))

    def __enter__(self) -> PipedTarget:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None) -> None:
        self._process.communicate()

    def _say(self, order: str) -> None:
        assert self._process.stdin is not None
        try:
            self._process.stdin.write(order + "\n")
            self._process.stdin.flush()
        except OSError:
            self._fail()

    def _ask(self, order: str) -> str:
        self._say(order)
        assert self._process.stdout is not None
        return self._process.stdout.readline() or self._fail()

    def _fail(self) -> str:
        raise AssertionError(f"the harness ended with {self._process.wait()}")
