"""Floats of any bits in a whole record or a dump: FF FF FF FF, an erased one, is not a number."""

from __future__ import annotations

import json
import struct
from collections.abc import Callable
from functools import cache
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from hypothesis import example, given, settings
from hypothesis import strategies as st

from host_tools.main import main
from paramstore.core.disk import read_text
from paramstore.image.pack import pack
from paramstore.layout.plan import Plan
from paramstore.record import build_record, encode_body
from paramstore.releases.project import open_project
from tests.schema.fixed.legacy import legacy

SCHEMAS = Path(__file__).parents[2] / "schemas"
STORE, FIXED = SCHEMAS / "tank_probe.toml", SCHEMAS / "tank_probe.fixed.toml"
OF_STORE = (
    ("examine", STORE, "a.bin"), ("examine", STORE, "a.bin", "--json"),
    ("examine", STORE, "a.bin", "--html", "-"), ("bytes", STORE, "a.bin"),
    ("bytes", STORE, "a.bin", "--at", "electrode.ph_slope", "--at", "0x80"),
    ("differ", STORE, "a.bin", "b.bin", "--bytes"), ("differ", STORE, "b.bin", "a.bin"),
    ("unpack", STORE, "a.bin", "-o", "a.toml"), ("differ", STORE, "a.bin", "--values", "a.toml"),
    ("pack", STORE, "--values", "a.toml", "-o", "c.bin"),
    ("salvage", STORE, "a.bin", "-o", "c.bin", "--repair"),
    ("migrate", STORE, "a.bin", "--to", "3", "--accept-loss", "-o", "c.bin"),
    ("read", STORE, "--part-file", "a.bin", "-o", "c.bin"),
)
OF_LAYOUT = (
    ("examine", FIXED, "a.bin"), ("examine", FIXED, "a.bin", "--json"),
    ("examine", FIXED, "a.bin", "--html", "-"), ("bytes", FIXED, "a.bin"),
    ("bytes", FIXED, "a.bin", "--at", "calibration.cell_constant", "--at", "0x14"),
    ("differ", FIXED, "a.bin", "b.bin", "--bytes"), ("differ", FIXED, "b.bin", "a.bin"),
    ("unpack", FIXED, "a.bin", "-o", "a.toml"), ("differ", FIXED, "a.bin", "--values", "a.toml"),
    ("migrate", STORE, "a.bin", "--layout", FIXED, "--accept-loss", "-o", "c.bin"),
)
NAN = (0xFFFF_FFFF, 0x7FC0_0000, 0x7F80_0001)
BITS = st.sampled_from((*NAN, 0x7F80_0000, 0xFF80_0000, 0x8000_0000, 1)) | st.integers(
    0, 0xFFFF_FFFF)


def run(*arguments: object) -> Result:
    result = CliRunner().invoke(main, [str(a) for a in arguments])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result


@cache
def tank_probe() -> Plan:
    """The plan of the latest release, so that all releases can be made of its images."""
    return open_project(read_text(STORE)).history.plans[-1]


def number(bits: int) -> float:
    value: float = struct.unpack("<f", struct.pack("<I", bits))[0]
    return value


def unit(bits: int) -> bytes:
    """A unit whose slope has these bits in whole records."""
    plan = tank_probe()
    image = bytearray(pack(plan, {}, defaults=True))
    ring = next(r for r in plan.rings if r.group.name == "electrode")
    at = next(p.offset for p in ring.fields if p.field.name == "ph_slope")
    body = bytearray(encode_body(ring, {}))
    body[at:at + 4] = struct.pack("<I", bits)
    for slot in range(ring.group.copies):
        record = build_record(plan, ring, slot + 1, bytes(body))
        image[ring.address(slot):ring.address(slot) + len(record)] = record
    return bytes(image)


@pytest.fixture(autouse=True)
def folder(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every test works in a folder of its own."""
    monkeypatch.chdir(tmp_path_factory.mktemp("floats"))


def probe(bits: int) -> bytes:
    """A dump of the fixed layout whose cell constant has these bits, its CRC right."""
    return legacy(cell_constant=number(bits))


@pytest.mark.parametrize(("commands", "made"), [(OF_STORE, unit), (OF_LAYOUT, probe)],
                         ids=["store", "layout"])
def test_no_command_fails_on_any_float(commands: tuple[tuple[object, ...], ...],
                                       made: Callable[[int], bytes]) -> None:
    """Whatever bits a float has in a record or dump whose CRC is right, no command breaks off."""

    @settings(max_examples=6, deadline=None)
    @given(BITS, BITS)
    @example(NAN[0], NAN[1])
    @example(NAN[2], 0x7F80_0000)
    def check(first: int, second: int) -> None:
        Path("a.bin").write_bytes(made(first))
        Path("b.bin").write_bytes(made(second))
        for words in commands:
            assert run(*words).exit_code in (0, 1, 2)

    check()


@pytest.mark.parametrize("bits", NAN)
@pytest.mark.parametrize(("schema", "made", "code", "name"), [
    (STORE, unit, "PS614", "ph_slope"), (FIXED, probe, "PS614", "cell_constant")])
def test_no_number_is_told(schema: Path, made: Callable[[int], bytes], code: str, name: str,
                           bits: int) -> None:
    """A NaN where limits are is a finding that calls it no number."""
    Path("a.bin").write_bytes(made(bits))
    result = run("unpack", schema, "a.bin", "--json")
    told = [f["message"] for f in json.loads(result.stdout)["findings"] if f["code"] == code]
    assert 1 == result.exit_code
    assert [True] == [f"`{name}` = nan" in m and m.endswith("is no number") for m in told]


@pytest.mark.parametrize(("schema", "made"), [(STORE, unit), (FIXED, probe)])
def test_same_nan_is_no_difference(schema: Path, made: Callable[[int], bytes]) -> None:
    """Two dumps with the same bytes do not differ, although a NaN equals nothing."""
    for name in ("a.bin", "b.bin"):
        Path(name).write_bytes(made(NAN[0]))
    assert "no difference\n" == run("differ", schema, "a.bin", "b.bin", "--bytes").stdout
