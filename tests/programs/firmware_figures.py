"""Print what the firmware side costs: code, RAM and stack on a Cortex-M0+, as built and run here.

    python -m tests.programs.firmware_figures
    python -m tests.programs.firmware_figures schemas/large.toml --json

Code is counted in the linked program, symbol by symbol, and once more as if there had been no
earlier release: then nothing is linked that migrates values. What reads the labels of other
releases and keeps their bytes is in every program, so that later ones find units as they must be.
Stack is what the calls really touched in an emulator, on parts of earlier releases too, without
the port's own; that of the bit-banged port is added up from the frames that the compiler notes. It
lives with the tests because it needs their packages (unicorn, pyelftools), which no user has to
install.
"""

from __future__ import annotations

import argparse
import json
import re
import shutil
import tempfile
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from elftools.elf.elffile import ELFFile

from paramstore.core.disk import read_text
from paramstore.core.errors import ParamstoreError
from paramstore.core.format import ERASED
from paramstore.core.status import Status
from paramstore.core.words import plural
from paramstore.firmware.generate import port_files, runtime_files
from paramstore.image.pack import complete, pack
from paramstore.layout.memory import RING_BYTES, page_bytes
from paramstore.layout.plan import Plan
from paramstore.releases.project import open_project
from paramstore.report.tables import Column, table
from paramstore.verify.eeprom.bench import Bench
from paramstore.verify.eeprom.device import Device
from paramstore.verify.rig.compiled import CompiledRig
from paramstore.verify.rig.toolchain import Compiler
from tests.firmware.builds import write, zig
from tests.firmware.emulated import ALL_CALLS, CORTEX_M0PLUS, SIZE_FLAGS, EmulatedMachine, link

SCHEMA = Path(__file__).parents[2] / "schemas" / "tank_probe.toml"

# What a module calls that is mounted, changed and committed in its own firmware.
USED_CALLS = ("rig_begin", "ps_mount", "ps_format", "ps_set", "ps_unlock", "ps_commit",
              "ps_health")
IN_USE, FIRST = "in use", "in use, no earlier release"
GCC = Compiler("arm-none-eabi-gcc", ("arm-none-eabi-gcc",))
GCC_FLAGS = ("-mcpu=cortex-m0plus", "-mthumb", "-nostdlib", "-lgcc")

CODE_AIM, MIGRATION_AIM, RAM_AIM, STACK_AIM = 2048, 600, 64, 200


@dataclass(frozen=True)
class Code:
    """Bytes of code and constants of one build."""

    compiler: str
    calls: str
    runtime: int  # functions and constants of paramstore.c
    functions: int  # of the generated file: init, and what converts old values
    tables: int  # of the generated file
    support: int  # what the compiler adds, such as division


@dataclass(frozen=True)
class Figures:
    """All figures of one schema; bytes."""

    schema: str
    code: tuple[Code, ...]
    values: int
    store: int  # RAM beside the values
    rings: int  # thereof for the groups
    buffer: int  # thereof for a page
    stack: dict[str, int]
    port_stack: int  # of the bit-banged port, beside that


def measure(schema: Path, folder: Path) -> Figures:
    """Build and run the firmware of a schema."""
    project = open_project(read_text(schema))
    plan = project.plan
    first = replace(plan, release=0, retired=(), migrations=(), lineage=())
    wanted = [(IN_USE, plan, USED_CALLS), ("all", plan, ALL_CALLS)]
    if plan.migratable:
        wanted.append((FIRST, first, USED_CALLS))
    builds = [(None, ())] + ([(GCC, GCC_FLAGS)] if shutil.which(GCC.name) else [])
    code, programs = [], []
    for compiler, flags in builds:
        for title, built, calls in wanted:
            place = folder / str(len(programs))
            program = link(built, CORTEX_M0PLUS, place, calls, compiler, flags)
            programs.append(program)
            code.append(count_code(program, built, compiler.name if compiler else "zig (clang)",
                                   title))
    memory, values = constants(programs[1], "rig_memory_bytes", "rig_values_bytes")
    earlier = [p for p in project.history.plans if (p.release, p.layout_id) in plan.migratable]
    return Figures(
        schema=str(schema), code=tuple(code), values=values, store=memory - values,
        rings=RING_BYTES * (len(plan.rings) + len(plan.retired_sources)),
        buffer=page_bytes(plan),
        stack=measure_stack(programs[1], plan, earlier),
        port_stack=port_stack(folder / "port"),
    )


def count_code(program: Path, plan: Plan, compiler: str, calls: str) -> Code:
    """Add up the symbols by the file that they come from."""
    sizes: dict[str, int] = {}
    store, file = plan.schema.name, ""
    with program.open("rb") as stream:
        elf = ELFFile(stream)
        seen: set[int] = set()
        for symbol in elf.get_section_by_name(".symtab").iter_symbols():
            kind, size = symbol["st_info"]["type"], symbol["st_size"]
            if kind == "STT_FILE":
                file = symbol.name
            if kind not in ("STT_FUNC", "STT_OBJECT") or symbol["st_value"] in seen or not size:
                continue
            seen.add(symbol["st_value"])
            owner = _owner(symbol.name, symbol["st_info"]["bind"] == "STB_LOCAL", file, store)
            if owner == "tables" and kind == "STT_FUNC":
                owner = "functions"
            sizes[owner] = sizes.get(owner, 0) + size
    return Code(compiler, calls, sizes.get("runtime", 0), sizes.get("functions", 0),
                sizes.get("tables", 0), sizes.get("support", 0))


def _owner(name: str, local: bool, file: str, store: str) -> str:
    """Which part a symbol belongs to: static ones follow the name of their file."""
    if name.startswith("rig_"):
        return "rig"
    if name.startswith("ps_") or (local and Path(file).name == "paramstore.c"):
        return "runtime"
    if name.startswith(f"{store}_") or (local and Path(file).name == f"{store}_params.c"):
        return "tables"
    return "support"


def constants(program: Path, *names: str) -> list[int]:
    """Read 32-bit constants out of a program by the names of their symbols."""
    machine = EmulatedMachine(program, CORTEX_M0PLUS)
    return [machine.constant(name) for name in names]


def measure_stack(program: Path, plan: Plan, earlier: Sequence[Plan]) -> dict[str, int]:
    """Run the calls of a life, and the first mount of parts that `earlier` releases have written;
    note how deep each kind went, in bytes."""
    machine = EmulatedMachine(program, CORTEX_M0PLUS)
    bench = Bench(Device(plan.part, plan.schema.address), plan.schema.bus_khz)
    rig = CompiledRig(plan, bench, machine)
    depth: dict[str, int] = {}

    def call(name: str, *arguments: Any) -> Status:
        machine.stack_bytes = 0
        status: Status = getattr(rig, name)(*arguments)
        depth[name] = max(depth.get(name, 0), machine.stack_bytes)
        return status

    for old in earlier:
        bench.device.memory[:] = pack(old, complete(old, {}))
        rig.restart()
        assert (Status.OLDER, Status.OK) == (call("mount"), call("format"))
    bench.device.memory[:] = bytes([ERASED]) * len(bench.device.memory)
    rig.restart()
    assert (Status.BLANK, Status.OK) == (call("mount"), call("format"))
    for ring in plan.rings:
        # Often enough for a ring to be read by bisection, and a torn one by a scan.
        for _ in range(min(2 * ring.slots, 24)):
            call("unlock", ring.group.name)
            call("touch", ring.group.name)
            assert Status.OK == call("commit", ring.group.name)
        first = ring.group.fields[0]
        call("unlock", ring.group.name)
        call("set", ring.group.name, first.name, 0, first.default)
    rig.restart()
    assert Status.OK == call("mount")
    for ring in plan.rings:
        bench.device.memory[ring.address(0) + 4] ^= 0xFF
        bench.device.memory[ring.address((rig.sequence(ring.group.name) - 1) % ring.slots)] ^= 1
    rig.restart()
    assert Status.FLAGGED == call("mount")
    assert Status.OK == call("wipe")
    rig.restart()
    assert Status.BLANK == call("mount")
    assert Status.OK == call("provision", pack(plan, complete(plan, {})))
    return depth


def port_stack(folder: Path) -> int:
    """Return the deepest stack of the bit-banged port in bytes, without the functions of the board:
    the frames that the compiler notes, along the deepest chain of calls."""
    write(folder, runtime_files() | port_files())
    built = zig().object(folder / "bitbang.c", folder / "bitbang.o",
                         (*CORTEX_M0PLUS.flags, *SIZE_FLAGS, "-fstack-size-section"))
    frames: dict[str, int] = {}
    with built.open("rb") as stream:
        elf = ELFFile(stream)
        names = {(s["st_shndx"], s["st_value"] & ~1): s.name
                 for s in elf.get_section_by_name(".symtab").iter_symbols()
                 if s["st_info"]["type"] == "STT_FUNC"}
        for section in elf.iter_sections():
            if section.name == ".stack_sizes":  # address, then the size as LEB128
                data = section.data()
                while data:
                    place = int.from_bytes(data[:4], "little") & ~1
                    end = next(i for i in range(4, len(data)) if data[i] < 0x80) + 1
                    size = sum((byte & 0x7F) << 7 * i for i, byte in enumerate(data[4:end]))
                    frames[names[section["sh_link"], place]] = size
                    data = data[end:]
    text = (folder / "bitbang.c").read_text("utf-8")
    bodies = dict(re.findall(r"(\w+)\([^;{]*\)\n\{\n(.*?)\n\}", text, re.DOTALL))

    def depth(name: str) -> int:
        inner = {n for n in re.findall(r"(?<![>.])\b(\w+)\(", bodies[name]) if n in bodies}
        return frames.get(name, 0) + max(map(depth, inner), default=0)  # 0: part of its caller

    return max(map(depth, ("ps_bitbang_transfer", "ps_bitbang_recover")))


def added_code(now: Code, first: Code) -> int:
    """Code, converters included, that `now` has and a store without earlier releases has not."""
    return now.runtime + now.functions - first.runtime - first.functions


def report(figures: Figures) -> list[str]:
    """The figures as text."""
    code = table(
        [Column("compiler, -Os", right=False), Column("calls", right=False),
         *(Column(name, "bytes") for name in ("runtime", "functions", "tables", "support"))],
        [[c.compiler, c.calls, str(c.runtime), str(c.functions), str(c.tables), str(c.support)]
         for c in figures.code])
    deepest = max(figures.stack.values())
    least = {c.calls: c for c in sorted(figures.code, key=lambda c: -c.runtime)}
    added = [["code only to migrate values", str(added_code(least[IN_USE], least[FIRST])),
              str(MIGRATION_AIM)],
             ["  tables for it", str(least[IN_USE].tables - least[FIRST].tables), ""],
             ] if FIRST in least else []
    return [
        f"{figures.schema} on a Cortex-M0+", "", *code, "",
        f"in use: {', '.join(c for c in USED_CALLS if c.startswith('ps_'))}",
        "functions, tables: of the generated file; functions convert values of earlier releases",
        "support: what the compiler adds for division; shared with the rest of a firmware", "",
        *table([Column("what", right=False), Column("now", "bytes"), Column("aim", "bytes")], [
            ["code of the runtime in use, smallest", str(least[IN_USE].runtime), str(CODE_AIM)],
            *added,
            ["RAM beside the values", str(figures.store), str(RAM_AIM)],
            [f"  thereof {plural(figures.rings // RING_BYTES, 'group')}", str(figures.rings), ""],
            ["  thereof page buffer", str(figures.buffer), ""],
            ["RAM of the values", str(figures.values), ""],
            ["stack, deepest", str(deepest), str(STACK_AIM)],
            *([f"  {name}", str(used), ""] for name, used in figures.stack.items()),
            ["stack of the bit-banged port, beside that", str(figures.port_stack), ""],
        ]),
    ]


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the program."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0] if __doc__ else "")
    parser.add_argument("schema", nargs="?", type=Path, default=SCHEMA)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as folder:
        try:
            figures = measure(options.schema, Path(folder))
        except ParamstoreError as error:
            parser.exit(2, f"{error}\n{getattr(error, 'help', '')}\n")
    if options.json:
        print(json.dumps({"schema_version": 1, **asdict(figures)}, indent=2))
    else:
        print("\n".join(report(figures)))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
