"""Release files: complete, only ever added to, and any change of them shows."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings

from paramstore.core.errors import FindingsError, SourceText, ToolError
from paramstore.layout.layout_id import layout_id
from paramstore.layout.place import make_plan
from paramstore.layout.plan import Plan
from paramstore.releases.history import (
    ReleaseHistory,
    load_history,
    load_release,
    release_folder,
    write_release,
)
from paramstore.releases.project import freeze, open_project
from paramstore.releases.release import plan_from_data, plan_to_data
from paramstore.schema.model import Schema
from tests.strategies import schemas

TEXT = """[store]
name = "demo"
part = "24LC04B"

[group.settings]
role = "setting"
writes = "1 per day"
room = 20

[group.settings.parameter]
level = {{ type = "u8", default = {} }}
"""


def source(path: Path, default: int) -> SourceText:
    return SourceText(str(path), TEXT.format(default))


@pytest.fixture
def schema(tmp_path: Path) -> Path:
    """A schema file with three releases, which differ in a default."""
    path = tmp_path / "demo.toml"
    for default in (1, 2, 3):
        text = source(path, default)
        freeze(text, open_project(text), f"default {default}")
    return path


def codes(path: Path) -> list[str]:
    with pytest.raises(FindingsError) as caught:
        load_history(path)
    return [f.code for f in caught.value.findings]


def stable(plan: Plan) -> Plan:
    """A plan without what its release does not keep: advice, sources, what a planner may choose."""
    part = replace(plan.part, sources=(), note="")
    groups = tuple(replace(r.group, slots=r.slots, room=None) for r in plan.rings)
    rings = tuple(replace(r, group=g) for r, g in zip(plan.rings, groups, strict=True))
    return replace(plan, schema=replace(plan.schema, part=part, groups=groups), rings=rings)


@given(schemas())
@settings(max_examples=40)
def test_a_release_holds_the_whole_plan(drawn: Schema) -> None:
    """A plan comes back from its release, through JSON, exactly."""
    plan = make_plan(drawn)
    data = json.loads(json.dumps(plan_to_data(plan)))
    assert replace(stable(plan), release=7) == plan_from_data(data, 7)


def test_releases_are_numbered(schema: Path) -> None:
    """Releases are files beside the schema, counted from 1, with note and number."""
    history = load_history(schema)
    assert ["0001.json", "0002.json", "0003.json"] == sorted(
        p.name for p in release_folder(schema).iterdir())
    assert [1, 2, 3] == [r.number for r in history.releases]
    assert ["default 1", "default 2", "default 3"] == [r.note for r in history.releases]
    assert [(1,), (2,), (3,)] == [p.rings[0].fields[0].field.default for p in history.plans]
    assert load_release(release_folder(schema) / "0002.json").release == 2


def test_later_releases_know_the_earlier_ones(schema: Path) -> None:
    """Labels of all earlier releases are known to the firmware of a later one. A layout id covers
    that of the release before, so that the same places have another one in each release."""
    one, two, three = load_history(schema).plans
    assert () == one.migratable
    assert ((1, one.layout_id), (2, two.layout_id)) == three.migratable
    assert 3 == len({one.layout_id, two.layout_id, three.layout_id})
    assert [one.layout_id, two.layout_id, three.layout_id] == [
        layout_id(p.part, p.rings, before) for p, before in (
            (one, 0), (two, one.layout_id), (three, two.layout_id))]


def test_a_schema_has_the_layout_id_of_the_release_that_it_will_be(schema: Path) -> None:
    """Freezing changes no layout id."""
    text = source(schema, 4)
    project = open_project(text)
    assert project.plan.layout_id == freeze(text, project)[1].layout_id
    assert project.plan.layout_id == load_history(schema).last.layout_id


def test_an_unchanged_schema_is_its_last_release(schema: Path) -> None:
    """The plan of the schema has the number of the last release while nothing changed, else 0."""
    assert 3 == open_project(source(schema, 3)).plan.release
    assert 0 == open_project(source(schema, 4)).plan.release


def test_nothing_changed(schema: Path) -> None:
    """PS716: a release that changes nothing is refused."""
    text = source(schema, 3)
    with pytest.raises(FindingsError) as caught:
        freeze(text, open_project(text))
    assert "PS716" == caught.value.findings[0].code
    assert not (release_folder(schema) / "0004.json").exists()


def test_an_edit_shows(schema: Path) -> None:
    """PS711: any other value in a release file shows; white space and line ends may change."""
    path = release_folder(schema) / "0002.json"
    text = path.read_text()
    path.write_text(json.dumps(json.loads(text), indent=4).replace("\n", "\r\n"))
    assert 3 == len(load_history(schema).releases)
    path.write_text(text.replace('"offset": 0', '"offset": 1', 1))
    assert ["PS711"] == codes(schema)


def test_a_gap_shows(schema: Path) -> None:
    """PS712: a release file that is missing shows as long as there is a later one."""
    (release_folder(schema) / "0001.json").unlink()
    assert ["PS712"] == codes(schema)


def test_another_order_shows(schema: Path) -> None:
    """PS713: exchanged files show, though each is intact; so does one of another branch."""
    folder = release_folder(schema)
    two, three = (folder / f"000{n}.json" for n in (2, 3))
    a, b = two.read_text(), three.read_text()
    two.write_text(b)
    three.write_text(a)
    assert ["PS713"] == codes(schema)
    two.write_text(a)
    other = schema.with_name("other.toml")
    for default in (1, 9):
        text = source(other, default)
        freeze(text, open_project(text))
    two.write_text((release_folder(other) / "0002.json").read_text())
    three.write_text(b)
    assert ["PS713"] == codes(schema)


@pytest.mark.parametrize(
    "text", ["", "{", "[]", "{}", '{"paramstore_release": 1}', "null", "[" * 99999])
def test_not_a_release_file(schema: Path, text: str) -> None:
    """PS714: anything else in the place of a release file is told, never a traceback."""
    (release_folder(schema) / "0003.json").write_text(text)
    assert ["PS714"] == codes(schema)


@pytest.mark.parametrize("name", ["0002 (copy).json", "2.json", "00002.json", "notes.json"])
def test_a_copy_of_a_release_file(schema: Path, name: str) -> None:
    """PS714: a file of another name is told as such, not the release it seems to stand for as
    missing; what is no JSON is nobody's business."""
    folder = release_folder(schema)
    (folder / "README.md").write_text("Invented notes")
    assert 3 == len(load_history(schema).releases)
    (folder / name).write_text((folder / "0002.json").read_text())
    with pytest.raises(FindingsError) as caught:
        load_history(schema)
    (finding,) = caught.value.findings
    assert ("PS714", f"`{name}` is not called like a release file") == (
        finding.code, finding.message)


def test_a_release_of_a_later_paramstore(schema: Path) -> None:
    """PS714: a file version that is not known is not read by guessing."""
    path = release_folder(schema) / "0003.json"
    path.write_text(path.read_text().replace('"paramstore_release": 1', '"paramstore_release": 2'))
    assert ["PS714"] == codes(schema)


def test_a_release_is_never_written_over(schema: Path) -> None:
    """A file that is there already stays as it is, whatever the history in memory says."""
    history = load_history(schema)
    before = (release_folder(schema) / "0001.json").read_bytes()
    with pytest.raises(ToolError):
        write_release(schema, history.last, ReleaseHistory())
    assert before == (release_folder(schema) / "0001.json").read_bytes()


def test_words_about_releases_need_releases(tmp_path: Path) -> None:
    """PS722, PS724: a schema that speaks of releases, and has none beside it, was copied without
    them: its layout would not be that of the units."""
    text = TEXT.format(1).replace("room = 20", 'room = 20\nretired = ["x"]').replace(
        '"u8"', '"u8", was = "y"').replace("[store]", '[store]\nretired_groups = ["z"]')
    with pytest.raises(FindingsError) as caught:
        open_project(SourceText(str(tmp_path / "demo.toml"), text))
    assert ["PS722", "PS722", "PS724"] == sorted(f.code for f in caught.value.findings)


def test_no_such_release(schema: Path) -> None:
    """A release that is not there is told with those that are."""
    with pytest.raises(ToolError) as caught:
        load_history(schema).release(4)
    assert "1 to 3" in caught.value.help
