"""The RAM that a plan names is what a C compiler lays out for a 32-bit controller."""

from __future__ import annotations

from pathlib import Path

import pytest
from elftools.elf.elffile import ELFFile

from paramstore.core.errors import SourceText
from paramstore.firmware.generate import generate, runtime_files
from paramstore.layout.figures import figures
from paramstore.layout.memory import page_bytes
from paramstore.layout.place import make_plan
from paramstore.layout.plan import Plan
from paramstore.schema.model import Group, Role, Schema
from paramstore.schema.reader import load_schema, read_schema
from paramstore.verify.rig.toolchain import zig_compiler
from tests.record.plans import one, part, plan_of

SCHEMAS = Path(__file__).parents[2] / "schemas"

UNEVEN = """
[store]
name = "uneven"
part = "24LC32A"

[group.first]
role = "setting"
writes = "1 per year"
[group.first.parameter]
on = { type = "bool" }
big = { type = "u64" }
name = { type = "text", size = 7 }
key = { type = "bytes", size = 3, default = "00 01 02" }
made = { type = "date" }
last = { type = "i8", count = 3 }

[group.second]
role = "identity"
writes = "1 per life"
[group.second.parameter]
mode = { type = "enum", members = { off = 0, on = 300 } }

[group.third]
role = "calibration"
writes = "1 per year"
[group.third.parameter]
flag = { type = "flags", members = ["a"] }
gain = { type = "f32" }
[group.third.parameter.lin]
type = "curve"
points = 2
x = { type = "u8" }
y = { type = "f64" }
default = [[0, 0], [1, 1]]
"""


def plans() -> dict[str, Plan]:
    examples = {name: load_schema(SCHEMAS / f"{name}.toml")[0]
                for name in ("minimal", "tank_probe", "large")}
    schemas = {**examples, "uneven": read_schema(SourceText("uneven.toml", UNEVEN))[0]}
    return {name: make_plan(schema) for name, schema in schemas.items()}


@pytest.mark.parametrize("plan", plans().values(), ids=plans())
@pytest.mark.parametrize("target", [
    ("thumb-freestanding-eabi", "-mcpu=cortex_m0plus"),
    ("riscv32-freestanding", "-mcpu=generic_rv32+m+c"),
], ids=["arm", "risc-v"])
def test_a_compiler_makes_structs_of_these_sizes(
    plan: Plan, target: tuple[str, str], tmp_path: Path
) -> None:
    """Values, and the whole store, have the sizes that the figures give, on Arm and RISC-V."""
    name = plan.schema.name
    for file, text in {**generate(plan), **runtime_files()}.items():
        (tmp_path / file).write_text(text, "utf-8")
    source = tmp_path / "sizes.c"
    source.write_text(f'#include "{name}_params.h"\n'
                      f"const char values_bytes[sizeof({name}_values_t)] = {{1}};\n"
                      f"const char unit_bytes[sizeof({name}_t)] = {{1}};\n", "utf-8")
    compiler = zig_compiler()
    assert compiler is not None
    compiler.object(source, tmp_path / "sizes.o", ("-target", *target))
    with (tmp_path / "sizes.o").open("rb") as stream:
        symbols = ELFFile(stream).get_section_by_name(".symtab")
        sizes = {s.name: s["st_size"] for s in symbols.iter_symbols()}
    numbers = figures(plan)
    assert (sizes["values_bytes"], sizes["unit_bytes"]) == (
        numbers.values_bytes, numbers.values_bytes + numbers.working_bytes)


@pytest.mark.parametrize(("page", "longest", "size"), [
    (8, 8, 24), (16, 16, 32), (64, 20, 32), (64, 40, 40), (64, 200, 64), (128, 200, 128)])
def test_the_page_buffer_holds_a_label_and_a_piece_of_a_record(page: int, longest: int,
                                                               size: int) -> None:
    """A label has 32 bytes, on 8-byte pages 24; a record is read page by page."""
    schema = Schema("s", part(page=page), (Group("g", 1, Role.SETTING, 1.0, (one("p", "u8", 1),)),))
    plan = plan_of(schema, [3], [longest - 10])
    assert (longest, size) == (plan.rings[0].record_bytes, page_bytes(plan))
