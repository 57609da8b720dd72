"""The shipped examples: free of findings, with values that pack, and showing what they should."""

from pathlib import Path

import pytest

from paramstore.calibrate.recipe_reader import read_recipe
from paramstore.calibrate.run import calibrate
from paramstore.calibrate.table import read_table
from paramstore.core.disk import read_text
from paramstore.image.pack import pack
from paramstore.image.values import read_values
from paramstore.layout.figures import figures
from paramstore.layout.plan import Plan
from paramstore.releases.project import open_project
from paramstore.schema.model import Kind, Role

FOLDER = Path(__file__).parents[1] / "schemas"
TABLES = ("conductivity", "electrode", "thermistor")
"""Measurements of tank_probe, by name of their calibration in its recipe."""
NAMES = sorted(p.stem for p in FOLDER.glob("*.toml") if "." not in p.stem)


def plan_of(name: str) -> Plan:
    project = open_project(read_text(FOLDER / f"{name}.toml"))
    assert () == project.findings
    return project.plan


def test_which() -> None:
    """Every schema has a values file beside it, tank_probe what calibrates and makes it, and a
    damaged dump; there is nothing else."""
    assert ["large", "minimal", "tank_probe"] == NAMES
    assert sorted(p.name for p in FOLDER.iterdir()) == sorted([
        *(name + end for name in NAMES for end in (".toml", ".values.toml")),
        "edid.fixed.toml", "tank_probe.calibration.toml", "tank_probe.damaged.hex",
        "tank_probe.fixed.toml",
        "tank_probe.fixed.txt", "tank_probe.releases", "tank_probe.units.csv",
        *(f"tank_probe.{name}.csv" for name in TABLES)])


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


def test_measurements() -> None:
    """The tables are read and calibrate units of tank_probe without a finding."""
    schema = plan_of("tank_probe").schema
    recipe = read_recipe(schema, read_text(FOLDER / "tank_probe.calibration.toml"))
    tables = {c.name: read_table(read_text(FOLDER / f"tank_probe.{c.name}.csv"), c)
              for c in recipe.calibrations if c.name in TABLES}
    for name, table in tables.items():
        outcome = calibrate(recipe, {name: table})
        assert () == outcome.warnings
        assert {name} == {r.calibration.name for r in outcome.results}
    assert set(TABLES) == set(tables)


@pytest.mark.parametrize("path", [
    p for p in FOLDER.iterdir() if p.suffix == ".csv" or ".calibration" in p.name
    or p.name == "tank_probe.fixed.toml"], ids=lambda p: p.name)
def test_measurements_are_said_to_be_invented(path: Path) -> None:
    """Nobody can take them for measurements, or for the layout, of a real unit."""
    comments = [line for line in path.read_text("utf-8").splitlines() if line.startswith("#")]
    assert "invented" in " ".join(comments).lower()


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
    assert figures(plan).mount_ms <= 23


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
