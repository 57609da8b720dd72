"""The tour does what it says, on every shipped example."""

from __future__ import annotations

from pathlib import Path

import pytest

from host_tools.walk import LEFT, pick_change, walk
from paramstore.core.disk import read_text
from paramstore.core.errors import FindingsError, ToolError
from paramstore.image.pack import complete
from paramstore.layout.place import make_plan
from paramstore.schema.breaches import breaches
from paramstore.schema.reader import load_schema

SCHEMAS = Path(__file__).parent.parent.parent / "schemas"
EXAMPLES = ("minimal", "tank_probe", "large")


@pytest.mark.parametrize("name", EXAMPLES)
def test_every_step_leaves_its_files(name: str, tmp_path: Path) -> None:
    """Nine steps, and every file that a step names is there and not empty."""
    values = read_text(SCHEMAS / f"{name}.values.toml")
    steps = list(walk(read_text(SCHEMAS / f"{name}.toml"), values, tmp_path))
    assert len(steps) == 9
    files = [path for step in steps for path in step.files]
    assert [p for p in files if not p.is_dir() and p.stat().st_size == 0] == []
    assert [p for p in files if p.is_dir() and not any(p.iterdir())] == []


@pytest.mark.parametrize("name", EXAMPLES)
def test_the_value_committed_last_survives_the_cut(name: str, tmp_path: Path) -> None:
    """After the cut the firmware reads what was committed before, and the dump shows the tear."""
    steps = list(walk(read_text(SCHEMAS / f"{name}.toml"), None, tmp_path))
    cut, dump = steps[7], steps[8]
    assert cut.lines[-1].endswith("the last value committed")
    assert "DAMAGE" in cut.lines[1]
    assert " 1 not" in dump.lines[0]


@pytest.mark.parametrize("name", EXAMPLES)
def test_the_change_breaks_nothing(name: str) -> None:
    """The change shown is one that the schema allows, there and back."""
    schema, _ = load_schema(SCHEMAS / f"{name}.toml")
    plan = make_plan(schema)
    values = complete(plan, {})
    change = pick_change(plan, values)
    assert change is not None
    assert change.before != change.after
    for raw in (change.before, change.after):
        raws = list(values[change.group.name][change.field.name])
        raws[change.element] = raw
        tried = values[change.group.name] | {change.field.name: tuple(raws)}
        assert list(breaches(change.group, tried)) == []


def test_a_schema_with_mistakes_stops_the_tour(tmp_path: Path) -> None:
    """Mistakes come out as findings before anything is written."""
    source = read_text(SCHEMAS / "minimal.toml")
    broken = type(source)("broken.toml", source.text.replace("u8", "u9").replace("u16", "u61"))
    with pytest.raises(FindingsError):
        list(walk(broken, None, tmp_path / "out"))
    assert not (tmp_path / "out").exists()


def test_a_folder_of_somebody_else_stays_as_it_is(tmp_path: Path) -> None:
    """A tour goes into a folder of its own; it may go over an earlier tour, and nothing else."""
    schema = read_text(SCHEMAS / "minimal.toml")
    left = {p.name for step in walk(schema, None, tmp_path) for p in step.files}
    assert left == set(LEFT) == {p.name for p in tmp_path.iterdir()}
    assert len(list(walk(schema, None, tmp_path))) == 9
    (tmp_path / "notes.md").write_text("mine", "utf-8")
    with pytest.raises(ToolError, match=r"holds `notes\.md`, which is not of a tour"):
        list(walk(schema, None, tmp_path))


def test_a_part_that_does_not_wear_out(tmp_path: Path) -> None:
    """FRAM has no write time, and its life is told as one beyond any use."""
    schema = tmp_path / "meter.toml"
    schema.write_text("""
[store]
name = "meter"
part = "FM24CL64B"
[group.counters]
role = "counter"
writes = "1 per second"
[group.counters.parameter]
energy = { type = "u32" }
""")
    steps = list(walk(read_text(schema), None, tmp_path / "tour"))
    text = "\n".join(line for step in steps for line in step.lines)
    assert "after over 1,000 years" in text and "e+" not in text
    assert "0.0 ms" not in text


def test_a_group_without_a_record_says_why_the_mount_is_flagged(tmp_path: Path) -> None:
    """Its defaults are served, and they are no values of a record."""
    steps = list(walk(read_text(SCHEMAS / "tank_probe.toml"), None, tmp_path))
    lines = next(s.lines for s in steps if s.title.startswith("Mount"))
    assert lines[0].startswith(
        "mount: FLAGGED (identity, electrode, factory have no record), ")
    told = {line.split(":")[0]: line for line in lines[1:]}
    assert told["factory"].startswith("factory: no record, defaults: adc_reference = 2.5 V, ")
    assert told["settings"].startswith("settings: record 1, label")
