"""Runtime, generated C and ports compile without a warning wherever a firmware may be built."""

from __future__ import annotations

import re
import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from elftools.elf.elffile import ELFFile
from hypothesis import HealthCheck, given, settings

from paramstore.core.errors import ToolError
from paramstore.firmware.generate import generate, port_files, runtime_files
from paramstore.layout.place import make_plan
from paramstore.schema.model import Schema
from paramstore.verify.rig.toolchain import WARNINGS, Compiler
from tests.firmware.builds import EXAMPLES, example_plan, host_compilers, write, write_store, zig
from tests.strategies import schemas

# Processors that differ in byte order, in the width of int and in alignment.
TARGETS = {
    "Cortex-M0+": ("-target", "thumb-freestanding-eabi", "-mcpu=cortex_m0plus", "-Os"),
    "Cortex-M0+ as a hosted system": ("-target", "thumb-linux-musleabi", "-Os"),
    "AVR, 16-bit int": ("-target", "avr-freestanding", "-mmcu=atmega328p", "-Os"),
    "MSP430, 16-bit int": ("-target", "msp430-freestanding", "-Os"),
    "PowerPC, big-endian": ("-target", "powerpc-freestanding-eabi", "-Os"),
    "Arm, big-endian": ("-target", "armeb-freestanding-eabi", "-Os"),
    "s390x, big-endian, 64 bits": ("-target", "s390x-linux-gnu", "-Os"),
}
WARNINGS_CPP = tuple(w for w in WARNINGS if not w.startswith("-std"))


@pytest.mark.parametrize("compiler", host_compilers(), ids=lambda c: c.name)
@pytest.mark.parametrize("name", EXAMPLES)
def test_c_of_the_examples_compiles_for_this_computer(name: str, compiler: Compiler,
                                                      tmp_path: Path) -> None:
    """No warning from any compiler that is here."""
    write_store(tmp_path, example_plan(name))
    for source in sorted(tmp_path.glob("*.c")):
        compiler.object(source, tmp_path / "x.o", (*WARNINGS, "-O2"))


@pytest.mark.parametrize("target", TARGETS)
@pytest.mark.parametrize("name", EXAMPLES)
def test_c_of_the_examples_compiles_for_other_processors(name: str, target: str,
                                                         tmp_path: Path) -> None:
    """Neither byte order nor 16-bit int nor a missing C library matters."""
    write_store(tmp_path, example_plan(name))
    for source in sorted(tmp_path.glob("*.c")):
        # Where double has 4 bytes an f64 cannot be kept: the build must stop and say so.
        small_double = "AVR" in target and source.name == "kiln_rack_params.c"
        try:
            zig().object(source, tmp_path / "x.o", (*TARGETS[target], *WARNINGS))
        except ToolError as error:
            assert small_double and "kiln_rack_needs_sizeof_double_8" in error.help
        else:
            assert not small_double


@pytest.mark.parametrize("standard", ["c++98", "c++11", "c++20"])
@pytest.mark.parametrize("name", EXAMPLES)
def test_the_header_stands_alone_and_serves_cpp(name: str, standard: str, tmp_path: Path) -> None:
    """Included first and alone, as C++; every function in it is used once."""
    plan = example_plan(name)
    write_store(tmp_path, plan)
    store = plan.schema.name
    header = f'#include "{store}_params.h"\n'
    functions = re.findall(rf"{store}_(?:get|set|physical|raw)_\w+(?=\()",
                           generate(plan)[f"{store}_params.h"])
    assert len(functions) >= 2 * sum(len(g.parameters) for g in plan.schema.groups)
    uses = "".join(f"    use({function});\n" for function in functions)
    source = tmp_path / "first.cpp"
    source.write_text(f"{header}template <class F> void use(F) {{}}\n"
                      f"void use_all();\nvoid use_all()\n{{\n{uses}}}\n", "utf-8")
    flags = (f"-std={standard}", *WARNINGS_CPP, "-Wno-long-long")
    zig("c++").object(source, tmp_path / "x.o", flags)


@pytest.mark.parametrize("standard", ["gnu++11", "c++20"])
@pytest.mark.parametrize("name", EXAMPLES)
def test_every_c_file_compiles_as_cpp(name: str, standard: str, tmp_path: Path) -> None:
    """Builds that give every file to the C++ compiler: as C++20 with all warnings, and as older
    C++ with what compilers allow beside it. Initialisers follow the order of the members."""
    write_store(tmp_path, example_plan(name))
    write(tmp_path, port_files())
    flags = WARNINGS_CPP if standard == "c++20" else ("-Wall", "-Wextra", "-Wno-c99-designator",
                                                      "-Wno-c++20-designator", "-Werror")
    compilers = [zig("c++")]
    if shutil.which("g++"):
        compilers.append(Compiler("g++", ("g++",)))
    for compiler in compilers:
        for source in sorted(tmp_path.glob("*.c")):
            compiler.object(source, tmp_path / "x.o", ("-x", "c++", f"-std={standard}", *flags))


@pytest.mark.parametrize("name", EXAMPLES)
def test_the_header_stands_alone_as_c(name: str, tmp_path: Path) -> None:
    """Included first and alone, as C, and twice."""
    plan = example_plan(name)
    write_store(tmp_path, plan)
    source = tmp_path / "first.c"
    source.write_text(f'#include "{plan.schema.name}_params.h"\n' * 2 + "int one;\n", "utf-8")
    zig().object(source, tmp_path / "x.o", WARNINGS)


@given(schemas())
@settings(max_examples=12, deadline=None,
          suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture])
def test_c_of_any_schema_compiles(tmp_path: Path, schema: Schema) -> None:
    """Random schemas, with docs and units that try to break out."""
    nasty = "*/ int pwned; /* ??/\\"
    schema = replace(schema, doc=nasty, groups=tuple(
        replace(g, doc=nasty, parameters=tuple(
            replace(p, doc=nasty, fields=tuple(replace(f, unit=nasty) for f in p.fields))
            for p in g.parameters)) for g in schema.groups))
    write_store(tmp_path, make_plan(schema))
    zig().object(tmp_path / f"{schema.name}_params.c", tmp_path / "x.o", (*WARNINGS, "-Wtrigraphs"))
    source = tmp_path / "first.cpp"
    source.write_text(f'#include "{schema.name}_params.h"\n', "utf-8")
    zig("c++").object(source, tmp_path / "x.o", (*WARNINGS_CPP, "-std=c++11"))


def test_other_tables_are_refused_by_the_preprocessor(tmp_path: Path) -> None:
    """A runtime of another table version stops the build with a sentence."""
    write_store(tmp_path, example_plan("minimal"))
    header = tmp_path / "paramstore.h"
    text = header.read_text("utf-8")
    header.write_text(text.replace("PS_TABLES_VERSION 4", "PS_TABLES_VERSION 5"), "utf-8")
    with pytest.raises(ToolError) as caught:
        zig().object(tmp_path / "dimmer_params.c", tmp_path / "x.o", WARNINGS)
    assert "dimmer_params.h needs another paramstore.h" in caught.value.help


@pytest.mark.parametrize("compiler", host_compilers(), ids=lambda c: c.name)
def test_the_bit_bang_port_compiles(compiler: Compiler, tmp_path: Path) -> None:
    """Here, and for the smallest processors."""
    write(tmp_path, runtime_files() | port_files())
    compiler.object(tmp_path / "bitbang.c", tmp_path / "x.o", (*WARNINGS, "-O2"))
    if compiler == zig():
        for flags in TARGETS.values():
            zig().object(tmp_path / "bitbang.c", tmp_path / "x.o", (*flags, *WARNINGS))


@pytest.mark.parametrize("target", ["x86_64-linux-gnu", "aarch64-linux-musl",
                                    "arm-linux-gnueabihf"])
def test_the_linux_port_compiles(target: str, tmp_path: Path) -> None:
    """For the boards that run Linux; zig brings their headers."""
    write(tmp_path, runtime_files() | port_files(linux=True))
    zig().object(tmp_path / "linux_i2cdev.c", tmp_path / "x.o", ("-target", target, *WARNINGS))


@pytest.mark.parametrize("name", EXAMPLES)
def test_what_the_linker_must_find(name: str, tmp_path: Path) -> None:
    """On a Cortex-M0+ nothing but `memset`, `memcpy` and the compiler's division, as
    PORTING.md says."""
    write_store(tmp_path, example_plan(name))
    write(tmp_path, port_files())
    missing, there = set(), set()
    for source in sorted(tmp_path.glob("*.c")):
        built = zig().object(source, tmp_path / "x.o", (*TARGETS["Cortex-M0+"], "-std=c99"))
        with built.open("rb") as stream:
            for symbol in ELFFile(stream).get_section_by_name(".symtab").iter_symbols():
                found = missing if symbol["st_shndx"] == "SHN_UNDEF" else there
                found.add(symbol.name)
    needed = {n for n in missing - there if not re.match("(__aeabi_)?mem|__aeabi_unwind|$", n)}
    assert needed and all(re.fullmatch("__aeabi_u?(i|l)div(mod)?", n) for n in needed), needed
