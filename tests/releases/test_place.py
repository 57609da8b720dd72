"""What only several releases show: bytes never change their meaning, however long ago that was."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from paramstore.core.errors import FindingsError, SourceText
from paramstore.layout.place import make_plan
from paramstore.releases.changes import Impact
from paramstore.releases.place import next_plan
from paramstore.releases.project import freeze, open_project
from paramstore.schema.model import Schema
from paramstore.schema.reader import read_schema

STORE = """[store]
name = "demo"
part = "24LC04B"

[group.settings]
role = "setting"
writes = "1 per day"
room = 40

[group.settings.parameter]
"""


def after(tmp_path: Path, *lines: str) -> list[str]:
    """The codes of errors that the last one of several releases gives, and no other."""
    path = tmp_path / "demo.toml"
    for number, line in enumerate(lines, 1):
        source = SourceText(str(path), STORE + line + "\n")
        try:
            freeze(source, open_project(source))
        except FindingsError as error:
            assert number == len(lines)
            return [f.code for f in error.findings]
    return []


@pytest.mark.parametrize("kind", ["enum", "flags"])
def test_a_number_of_a_member_is_never_given_away(tmp_path: Path, kind: str) -> None:
    """PS730: also when the member it belonged to was taken out some releases ago, and under the
    name that it was given since."""
    def members(text: str, more: str = "") -> str:
        return f'm = {{ type = "{kind}", members = {{ {text} }}{more} }}'

    first, gone = members("a = 0, b = 1"), members("a = 0")
    assert ["PS730"] == after(tmp_path / "1", first, gone, members("a = 0, c = 1"))
    assert ["PS730"] == after(tmp_path / "2", first, gone, members("a = 0, d = 2"),
                              members("a = 0, d = 2, c = 1"))
    assert [] == after(tmp_path / "3", first, gone, members("a = 0, b = 1"))
    renamed = members("a = 0, c = 1", ', convert = { b = "c" }')
    assert [] == after(tmp_path / "4", first, renamed, gone, members("a = 0, c = 1"))
    assert ["PS730"] == after(tmp_path / "5", first, renamed, gone, members("a = 0, b = 1"))


def test_new_bytes_are_free_of_old_meanings(tmp_path: Path) -> None:
    """Members that are stored anew, in wider numbers, may take any: values go by their names."""
    def members(text: str, storage: str) -> str:
        return f'm = {{ type = "enum", storage = "{storage}", members = {{ {text} }} }}'

    assert [] == after(tmp_path, members("a = 0, b = 1", "u8"), members("a = 0", "u8"),
                       members("a = 0, c = 1", "u16"))


def test_revisions_run_out() -> None:
    """PS738: a record says its group's revision in one byte, and 255 is the last."""
    def plan_of(text: str) -> Schema:
        return read_schema(SourceText("demo.toml", STORE + text))[0]

    one, two = plan_of('a = { type = "u8" }'), plan_of('a = { type = "u8" }\nb = { type = "u8" }')
    first = make_plan(one)
    for revision, codes in ((253, []), (254, []), (255, ["PS738"])):
        last = replace(first, release=1, rings=(replace(first.rings[0], revision=revision),))
        try:
            assert revision + 1 == next_plan(two, [last]).plan.rings[0].revision
            found = []
        except FindingsError as error:
            found = [f.code for f in error.findings]
        assert codes == found


def test_a_released_ring_that_is_written_more_often(tmp_path: Path) -> None:
    """It is not called safe if it does not last any more; what is advised can be done: no slots,
    which are refused, and no cut of the group that would need more pages than it has."""
    path = tmp_path / "demo.toml"
    lines = 'n = { type = "u32" }\ntext = { type = "text", size = 40 }\n'
    first = SourceText(str(path), STORE + lines)
    freeze(first, open_project(first))
    seldom, often = (open_project(SourceText(str(path), first.text.replace("1 per day", rate)))
                     for rate in ("2 per day", "100 per hour"))
    assert [Impact.SAFE] == [c.impact for c in seldom.changes]
    assert ([("PS768", Impact.WEARS)]
            == [(c.code, c.impact) for c in often.changes])
    warnings = {f.code: f.help for f in often.plan.findings}
    assert "PS421" not in warnings
    assert "slots" not in warnings["PS426"]
    assert "`series = 1` in [store]" in warnings["PS426"]
    anew = first.text.replace("1 per day", "20 per hour").replace("[store]", "[store]\nseries = 1")
    relaid = open_project(SourceText(str(path), anew))
    assert "PS426" not in {f.code for f in relaid.plan.findings}
    assert Impact.WEARS not in {c.impact for c in relaid.changes}
