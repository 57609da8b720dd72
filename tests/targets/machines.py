"""Targets: how the monitor is built for each, how it runs, and the store on it as a `Machine`.

A target is a compiler of Debian and what emulates its processor. The program on it is runtime,
generated C and `monitor.c`; the EEPROM is the simulated part of the bench, here.
"""

from __future__ import annotations

import shutil
import struct
import subprocess
import threading
from collections.abc import Callable, Sequence
from ctypes import c_char_p, c_uint8, c_uint16, c_void_p
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

from paramstore.core.errors import ToolError
from paramstore.firmware.generate import generate, runtime_files
from paramstore.layout.plan import Plan
from paramstore.verify.rig.compiled import Port
from paramstore.verify.rig.native import SIGNATURES
from paramstore.verify.rig.toolchain import WARNINGS, Compiler, find_compiler
from tests.firmware.builds import write
from tests.targets.converters import conversions_in, conversions_text

__all__ = ["TARGETS", "THIS_COMPUTER", "Facts", "RemoteMachine", "Target", "build"]

HERE = Path(__file__).parent
_PATIENCE_S = 900  # for all that one store is asked; then the program on the target hangs
_CALLS = {name: arguments[1:] for name, (_, arguments) in SIGNATURES.items()
          if name.startswith("ps_") and name != "ps_status_name"}
_C_TYPES = {c_uint8: "uint8_t", c_uint16: "uint16_t"}


@dataclass(frozen=True)
class Target:
    """`run` makes the words that start a program; it gets the program and a folder for its own."""

    name: str
    compiler: Callable[[], Compiler]
    flags: tuple[str, ...]
    sources: tuple[str, ...]
    run: Callable[[Path, Path], Sequence[str]]
    float_double: bool = False  # `double` has 4 bytes


class Facts(NamedTuple):
    """What a program says of its target: bytes of types, byte order, whether char is signed."""

    int_bytes: int
    double_bytes: int
    pointer_bytes: int
    store_bytes: int
    byte_order: str  # "<" or ">"
    signed_char: bool

    @property
    def words(self) -> str:
        """The byte order for people."""
        return "little" if self.byte_order == "<" else "big"


def _debian(name: str, package: str) -> Callable[[], Compiler]:
    def find() -> Compiler:
        return Compiler(_tool(name, package), (name,))

    return find


def _tool(name: str, package: str) -> str:
    if shutil.which(name) is None:
        raise ToolError(f"there is no `{name}`", f"install Debian's package {package}")
    return name


def _simavr(program: Path, folder: Path) -> Sequence[str]:
    simulator = folder / "avr_simulator"
    find_compiler().program([HERE / "avr_simulator.c"], simulator,
                            ("-O2", "-lsimavr", "-lelf"))
    return [str(simulator), str(program)]


def _qemu_arm(program: Path, folder: Path) -> Sequence[str]:
    return [_tool("qemu-arm", "qemu-user"), "-cpu", "arm926", str(program)]


def _qemu_ppc(program: Path, folder: Path) -> Sequence[str]:
    return [_tool("qemu-ppc", "qemu-user"), str(program)]


THIS_COMPUTER = Target("this computer", find_compiler, (), ("board_hosted.c",),
                       lambda program, folder: [str(program)])
TARGETS = (
    Target("ATmega1284P", _debian("avr-gcc", "gcc-avr"), ("-mmcu=atmega1284p",),
           ("board_avr.c",), _simavr, float_double=True),
    Target("ARM926EJ-S", _debian("arm-none-eabi-gcc", "gcc-arm-none-eabi"),
           ("-mcpu=arm926ej-s", "-mthumb", "--specs=rdimon.specs"), ("board_hosted.c",), _qemu_arm),
    Target("PowerPC", _debian("powerpc-linux-gnu-gcc", "gcc-powerpc-linux-gnu"), ("-static",),
           ("board_hosted.c",), _qemu_ppc),
)


def _calls_text() -> str:
    """The cases of the monitor for every call of `paramstore.h`."""
    lines = []
    for number, (name, arguments) in enumerate(_CALLS.items()):
        words = ["store"]
        for i, kind in enumerate(arguments):
            if kind in (c_void_p, c_char_p):
                words.append(f"({'const char *' if kind is c_char_p else 'const void *'})"
                             f"a[{i}].bytes")
            else:
                words.append(f"({_C_TYPES[kind]})a[{i}].number")
        lines.append(f"case {number}: result = (uint32_t){name}({', '.join(words)}); break;\n")
    return "".join(lines)


def build(target: Target, plan: Plan, folder: Path) -> Path:
    """Compile the monitor with the C of `plan`; ToolError with the compiler's words if it fails.

    Runtime and generated C must compile without a warning."""
    generated = generate(plan)
    store = plan.schema.name
    write(folder, {**generated, **runtime_files(), "monitor_calls.inc": _calls_text(),
                   "conversions.c": conversions_text(plan, generated[f"{store}_params.h"])})
    compiler = target.compiler()
    own = ["monitor.c", "conversions.c", *target.sources]
    flags = (*target.flags, "-std=gnu99", "-Os", f"-I{folder}", f"-I{HERE}",
             f'-DMONITOR_HEADER="{store}_params.h"', f"-DMONITOR_STORE(name)={store}_##name",
             f"-DSCRATCH_BYTES={plan.part.capacity + 64 if plan.part.capacity <= 4096 else 4096}")
    objects = []
    for source in sorted(folder.glob("*.c")):
        warned = () if source.name in own else WARNINGS
        objects.append(compiler.object(source, source.with_suffix(".o"), (*flags, *warned)))
    objects += [compiler.object(HERE / name, folder / f"{name}.o", flags)
                for name in ("monitor.c", *target.sources)]
    return compiler.program(objects, folder / "program.elf", target.flags)


class RemoteMachine:
    """`paramstore.verify.rig.compiled.Machine` at the other end of a line, and conversions on it.

    Use it in a `with`. ToolError if the program ends or hangs.
    """

    def __init__(self, target: Target, plan: Plan, folder: Path) -> None:
        program = build(target, plan, folder)
        words = target.run(program, folder)
        self._process = subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE,
                                         stderr=subprocess.PIPE)
        self._watch = threading.Timer(_PATIENCE_S, self._process.terminate)
        self._watch.daemon = True
        self._watch.start()
        self._name = target.name
        self._calls = {name: i for i, name in enumerate(_CALLS)}
        self._members: dict[int, int] = {}
        self._memory = b""  # of the store, as it was read since the last call
        self.conversions = {c.name: (i, c) for i, c in enumerate(conversions_in(
            generate(plan)[f"{plan.schema.name}_params.h"]))}
        self.facts = self._inform()
        self.byte_order = self.facts.byte_order

    def __enter__(self) -> RemoteMachine:
        return self

    def __exit__(self, *_: object) -> None:
        self._watch.cancel()
        self._process.terminate()
        self._process.communicate()

    # ---- The line ----

    def _send(self, data: bytes) -> None:
        assert self._process.stdin is not None
        try:
            self._process.stdin.write(data)
            self._process.stdin.flush()
        except OSError:
            self._lost()

    def _take(self, count: int) -> bytes:
        assert self._process.stdout is not None
        data = self._process.stdout.read(count)
        if len(data) < count:
            self._lost()
        return data

    def _lost(self) -> None:
        self._process.terminate()
        _, said = self._process.communicate()
        raise ToolError(f"the program on the {self._name} stopped", said.decode(errors="replace"))

    def _number(self) -> int:
        return int.from_bytes(self._take(4), "little")

    def _numbers(self, count: int) -> tuple[int, ...]:
        return struct.unpack(f"<{count}I", self._take(4 * count))

    def _ask(self, command: bytes, *numbers: int, data: bytes = b"") -> None:
        self._send(command + struct.pack(f"<{len(numbers)}I", *numbers) + data)

    def _inform(self) -> Facts:
        self._ask(b"i")
        sizes = self._numbers(4)
        one, signed = self._take(2), self._take(1)
        return Facts(*sizes, "<" if one == b"\1\0" else ">", signed == b"\1")

    # ---- The store ----

    def restart(self, port: Port) -> None:
        """Fill the memory of the store with garbage, then initialise it and connect `port`."""
        self._port, self._memory = port, b""
        self._ask(b"r")

    def call(self, name: str, *arguments: int | bytes) -> int:
        """Call a function of the runtime on the store, and do what its port asks."""
        self._memory = b""
        data = b"".join(
            b"\1" + struct.pack("<I", len(a)) + a if isinstance(a, bytes)
            else b"\0" + struct.pack("<I", a) for a in arguments)
        self._ask(b"c", self._calls[name], len(arguments), data=data)
        while (asked := self._take(1)) != b"R":
            self._answer(asked)
        return self._number()

    def _answer(self, asked: bytes) -> None:
        match asked:
            case b"T":
                address, out_count, in_count = self._numbers(3)
                out = self._take(out_count)
                status, reply = self._port.transfer(address, out, in_count)
                self._send(bytes([status]) + reply)
            case b"W":
                self._port.wait(self._number())
            case b"S":
                self._send(bytes([self._port.supply_good()]))
            case _:
                raise ToolError(f"the {self._name} said {asked!r}", "no such request")

    def member(self, field: int) -> int:
        """Return the place of the values of a field in the memory of the store."""
        if field not in self._members:
            self._ask(b"m", field)
            self._members[field] = self._number()
        return self._members[field]

    def read(self, address: int, count: int) -> bytes:
        """Return bytes of the memory of the store."""
        if not self._memory:  # all of it at once: a line is slow to answer
            self._ask(b"g", 0, self.facts.store_bytes)
            self._memory = self._take(self.facts.store_bytes)
        return self._memory[address:address + count]

    def write(self, address: int, data: bytes) -> None:
        """Change the memory of the store."""
        self._memory = b""
        self._ask(b"p", address, len(data), data=data)

    # ---- Conversions ----

    def has(self, name: str) -> bool:
        """Return whether a conversion of the header exists on this target."""
        found = self.conversions.get(name)
        return found is not None and not (found[1].double and self.facts.double_bytes < 8)

    def convert(self, name: str, values: Sequence[Any]) -> list[tuple[int, Any]]:
        """Return (status, result) of a conversion for each value."""
        index, conversion = self.conversions[name]
        given = struct.Struct(self.byte_order + conversion.given)
        result = struct.Struct(self.byte_order + "B" + conversion.result)
        results: list[tuple[int, Any]] = []
        for at in range(0, len(values), 1000):  # what fits into the line without a reader
            some = values[at:at + 1000]
            self._ask(b"x", index, len(some), data=b"".join(given.pack(v) for v in some))
            results += result.iter_unpack(self._take(result.size * len(some)))
        return results
