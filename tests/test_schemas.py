"""The shipped examples: free of findings, with values that pack, and showing what they should."""

from pathlib import Path

import pytest

from paramstore.files import read_text
from paramstore.image.pack import pack
from paramstore.image.values import read_values
from paramstore.layout.figures import figures
from paramstore.layout.place import make_plan
from paramstore.layout.plan import Plan
from paramstore.schema.model import Kind, Role
from paramstore.schema.reader import load_schema

FOLDER = Path(__file__).parents[1] / "schemas"
NAMES = sorted(p.stem for p in FOLDER.glob("*.toml") if "." not in p.stem)


def plan_of(name: str) -> Plan:
    schema, warnings = load_schema(FOLDER / f"{name}.toml")
    assert () == warnings
    return make_plan(schema)


def test_which() -> None:
    """Every schema has a values file beside it, and there is nothing else."""
    assert ["large", "minimal", "tank_probe"] == NAMES
    assert sorted(p.name for p in FOLDER.iterdir()) == sorted(
        name + end for name in NAMES for end in (".toml", ".values.toml"))


@pytest.mark.parametrize("name", NAMES)
def test_no_advice(name: str) -> None:
    """An example is an example: nothing in it needs mending."""
    assert () == plan_of(name).findings


@pytest.mark.parametrize("name", NAMES)
def test_values(name: str) -> None:
    """The values file is read without a finding and packs to an image of the whole part."""
    plan = plan_of(name)
    given = read_values(plan.schema, read_text(FOLDER / f"{name}.values.toml"))
    assert () == given.warnings
    assert plan.part.capacity == len(pack(plan, given.values))


@pytest.mark.parametrize("name", NAMES)
def test_values_are_said_to_be_invented(name: str) -> None:
    """Nobody can take an example for data of a real unit."""
    for end in (".toml", ".values.toml"):
        head, _, _ = (FOLDER / (name + end)).read_text(encoding="utf-8").partition("\n[")
        assert "invented" in head.lower()


def test_tank_probe() -> None:
    """The main example has every role and kind, a ring longer than 8 slots, and mounts in 12 ms."""
    plan = plan_of("tank_probe")
    parameters = [p for g in plan.schema.groups for p in g.parameters]
    assert set(Role) == {g.role for g in plan.schema.groups}
    assert set(Kind) == {p.kind for p in parameters}
    assert any(p.below for p in parameters)
    assert any(p.fields[0].scaled for p in parameters)
    assert max(r.slots for r in plan.rings) > 8
    assert 400 == plan.schema.bus_khz
    assert figures(plan).mount_ms <= 12


def test_large() -> None:
    """The large example has over 200 parameters, large pages, and rings beyond the first block."""
    plan = plan_of("large")
    assert sum(len(g.parameters) for g in plan.schema.groups) > 200
    assert plan.part.page >= 64
    assert plan.part.block_bits > 0
    assert any(r.address(0) > 0xFFFF for r in plan.rings)


def test_minimal() -> None:
    """The minimal example has about ten lines."""
    text = (FOLDER / "minimal.toml").read_text(encoding="utf-8")
    assert sum(1 for line in text.splitlines() if line and not line.startswith("#")) <= 10
