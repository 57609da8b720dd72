"""The program that prints the cost of the firmware: figures that add up, and do not creep up."""

from __future__ import annotations

import json
import re
from importlib.resources import files
from pathlib import Path

import pytest
from elftools.elf.elffile import ELFFile

from tests.firmware.builds import example_plan
from tests.firmware.emulated import ALL_CALLS, CORTEX_M0PLUS, link
from tests.programs.firmware_figures import (
    USED_CALLS,
    added_code,
    count_code,
    main,
    measure,
    report,
)

SCHEMAS = Path(__file__).parents[2] / "schemas"
MARGIN = 32  # bytes of code that another version of the compiler may add


def test_figures_stay_where_they_are(tmp_path: Path) -> None:
    """Bounds are what was measured last and a margin: lower them when the code gets smaller."""
    figures = measure(SCHEMAS / "tank_probe.toml", tmp_path)
    zig_in_use = figures.code[0]
    assert ("zig (clang)", "in use") == (zig_in_use.compiler, zig_in_use.calls)
    assert 1500 < zig_in_use.runtime <= 6178 + MARGIN
    assert zig_in_use.support <= 184 + MARGIN
    first = next(c for c in figures.code if c.calls == "in use, no earlier release")
    assert 100 < added_code(zig_in_use, first) <= 406 + MARGIN
    assert 36 < figures.store <= 108
    assert 100 < max(figures.stack.values()) <= 256
    assert {"mount", "format", "commit", "set", "touch", "unlock", "wipe", "provision"} == set(
        figures.stack)


def test_the_stack_is_what_porting_md_says(tmp_path: Path) -> None:
    """Of the calls that it names, the deepest ones, and what the port in software adds."""
    figures = measure(SCHEMAS / "tank_probe.toml", tmp_path)
    page = " ".join((files("paramstore.firmware") / "PORTING.md").read_text("utf-8").split())
    said = re.search(r"at most (\d+) bytes of stack \((.*?)\), .*?port in software adds (\d+) ",
                     page)
    assert said is not None
    named = {name: int(used) for name, used in re.findall(r"`ps_(\w+)` (\d+)", said[2])}
    assert named == {name: figures.stack[name] for name in named}
    others = [used for name, used in figures.stack.items() if name not in named]
    assert max(others) < min(named.values()) <= max(named.values()) == int(said[1])
    assert figures.port_stack == int(said[3])


def test_the_symbols_account_for_the_whole_program(tmp_path: Path) -> None:
    """What is counted is what the sections hold, but for alignment."""
    plan = example_plan("tank_probe")
    program = link(plan, CORTEX_M0PLUS, tmp_path, USED_CALLS)
    code = count_code(program, plan, "zig", "in use")
    with program.open("rb") as stream:
        elf = ELFFile(stream)
        sections = sum(elf.get_section_by_name(n)["sh_size"] for n in (".text", ".rodata"))
    counted = code.runtime + code.functions + code.tables + code.support
    assert sections - 120 <= counted <= sections


def test_calls_that_are_not_made_cost_nothing(tmp_path: Path) -> None:
    """The linker leaves out what a module does not use."""
    plan = example_plan("minimal")
    sizes = [count_code(link(plan, CORTEX_M0PLUS, tmp_path / str(len(calls)), calls), plan, "", "")
             for calls in (("rig_begin", "ps_mount"), USED_CALLS, ALL_CALLS)]
    assert sizes[0].runtime < sizes[1].runtime < sizes[2].runtime


def test_json_has_what_the_table_shows(capsys: pytest.CaptureFixture[str],
                                       tmp_path: Path) -> None:
    """One run, both forms."""
    assert 0 == main([str(SCHEMAS / "minimal.toml"), "--json"])
    data = json.loads(capsys.readouterr().out)
    assert 1 == data["schema_version"]
    text = "\n".join(report(measure(SCHEMAS / "minimal.toml", tmp_path)))
    shown = (data["store"], data["values"], data["code"][0]["runtime"], *data["stack"].values())
    assert all(str(number) in text for number in shown)


def test_a_missing_schema_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    """Exit code 2, no traceback."""
    with pytest.raises(SystemExit) as caught:
        main(["no-such.toml"])
    assert 2 == caught.value.code
    assert "cannot read" in capsys.readouterr().err
