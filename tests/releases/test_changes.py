"""What is said of a change of numbers: the range that is left, what is rounded, the default; over
one release and over several."""

from __future__ import annotations

from pathlib import Path

import pytest

from paramstore.core.errors import SourceText
from paramstore.releases.change import Impact
from paramstore.releases.project import freeze, open_project
from paramstore.releases.versions import compare_versions, find_version

STORE = """[store]
name = "demo"
part = "24LC04B"

[group.settings]
role = "setting"
writes = "1 per day"
room = 60

[group.settings.parameter]
"""


def said(folder: Path, *lines: str) -> list[tuple[str, str]]:
    """Code and text of what leads from a schema with the first line to one with the last, all but
    the last one released."""
    path = folder / "demo.toml"
    for line in lines[:-1]:
        source = SourceText(str(path), f"{STORE}v = {{ {line} }}\n")
        freeze(source, open_project(source))
    path.write_text(f"{STORE}v = {{ {lines[-1]} }}\n", "utf-8")
    found = compare_versions(find_version(str(path), 1), find_version(str(path)))
    return [(c.code, c.words) for c in found.changes]


S = 'type = "u16", unit = "s"'
MIN = 'type = "u8", unit = "min", convert = { divisor = 60 }'


@pytest.mark.parametrize(("old", "new", "told"), [
    (f"{S}, max = 3600", f"{MIN}, max = 60", None),
    (f"{S}, max = 3630", f"{MIN}, max = 60", None),  # half of a minute: to even
    (f"{S}, max = 3631", f"{MIN}, max = 60", "0 to 60 min now, was 0 to 60.5167 min"),
    (f"{S}, max = 6000, default = 600", f"{MIN}, min = 5, max = 60, default = 10",
     "5 to 60 min now, was 0 to 100 min"),
    (S, MIN, "0 to 255 min now, was 0 to 1092.25 min"),
    ('type = "u16"', 'type = "u8"', "0 to 255 now, was 0 to 65535"),
    ('type = "u16", max = 200', 'type = "u8"', None),
    ('type = "u8"', 'type = "u16"', None),
    ('type = "i16", scale = 0.1, min = -10, max = 10',
     'type = "i16", scale = -0.01, min = -9.5, max = 10', "-9.5 to 10 now, was -10 to 10"),
    ('type = "u8", scale = 0.5', 'type = "i16", scale = -0.5', None),
    ('type = "f32"', 'type = "u16"', "0 to 65535 now, was any finite f32"),
    ('type = "f64"', 'type = "f32"', "any finite f32 now, was any finite f64"),
    ('type = "f32"', 'type = "f64"', None),
    ('type = "f32", unit = "V"', 'type = "f32", unit = "mV", convert = { factor = 1000 }', None),
    ('type = "f32", unit = "V"',
     'type = "f32", unit = "mV", max = 500, convert = { factor = 1000 }', "500 mV now"),
])
def test_a_range_that_no_longer_holds_what_was_stored(
        tmp_path: Path, old: str, new: str, told: str | None) -> None:
    """PS758 whatever else changes with the range, both ranges in the new unit; nothing if every
    value that was allowed is one of the new range, converted and rounded."""
    found = [text for code, text in said(tmp_path, old, new) if code == "PS758"]
    assert (told is not None) == bool(found), found
    assert told is None or told in found[0]


@pytest.mark.parametrize(("old", "new", "told"), [
    ('type = "f64"', 'type = "f32"', "f32, about 7 digits"),
    ('type = "f32"', 'type = "f64"', None),
    ('type = "u32"', 'type = "f32"', "f32, about 7 digits"),
    ('type = "u32", max = 16777216', 'type = "f32"', None),
    ('type = "u16", scale = 0.1', 'type = "f32"', None),
    ('type = "f32", unit = "V"', 'type = "f32", unit = "mV", convert = { factor = 1000 }',
     "f32, about 7 digits"),
    ('type = "u16", scale = 0.01', 'type = "u16", scale = 0.1', "steps of 0.1"),
    ('type = "u16", scale = 0.1', 'type = "u16", scale = 0.01', None),
    (S, MIN, "steps of 1 min"),
])
def test_a_type_that_holds_less(tmp_path: Path, old: str, new: str, told: str | None) -> None:
    """Rounding is told before it happens: to steps, or to the digits of a float; and not told
    where every value has its equal."""
    (text,) = [text for code, text in said(tmp_path, old, new) if code == "PS762"]
    assert text.endswith(f"values are converted, and rounded to {told}" if told
                         else "values are converted")


def test_several_releases_say_what_each_step_said(tmp_path: Path) -> None:
    """Units, ranges and rounding are told over the way that the schemas between wrote down."""
    found = said(tmp_path, f"{S}, max = 6000", 'type = "u16", unit = "s", max = 6000, digits = 1',
                 f"{MIN}, max = 60", 'type = "u8", unit = "min", max = 60, default = 2')
    assert ("PS762", "u16 s becomes u8 min; values are converted, and rounded to steps of 1 min"
            ) in found
    assert ("PS758", "may be 0 to 60 min now, was 0 to 100 min; a unit that holds a value outside "
            "gets the default") in found
    assert ("PS756", "the default is 2 min now, was 0 s; it counts where nothing is stored"
            ) in found


def test_a_member_renamed_some_releases_ago_is_not_gone(tmp_path: Path) -> None:
    """What each release between called it is followed."""
    def members(names: str, more: str = "") -> str:
        return f'type = "enum", members = [{names}]{more}'

    found = said(tmp_path, members('"off", "manual"'),
                 members('"off", "hand"', ', convert = { manual = "hand" }'),
                 members('"off", "hand", "auto"'))
    assert ["PS766", "PS759"] == [code for code, _ in found]
    assert "`manual` is `hand` now" in found[0][1]


def test_there_and_back_is_not_nothing(tmp_path: Path) -> None:
    """A value that is as it was, after it was stored in another way, has other bytes; one that
    means something else under the same words is converted."""
    there, half = 'type = "u32", unit = "s"', 'type = "u16", unit = "ms", convert = {'
    assert [("PS762", "u16 s again, in other bytes; values are migrated")] == said(
        tmp_path / "1", S, there, S)
    back = said(tmp_path / "2", S, f"{half} factor = 1000 }}",
                f"{S}, convert = {{ divisor = 500 }}")
    assert "u16 s becomes u16 s; values are converted" in [text for _, text in back]


@pytest.mark.parametrize(("old", "new", "told"), [
    (f"{S}, default = 600", f"{MIN}, default = 10", None),
    (f"{S}, default = 600", f"{MIN}, default = 11", "11 min now, was 600 s"),
    ('type = "f32", default = 0.3', 'type = "f64", default = 0.3', None),
    ('type = "f32", unit = "mV", default = 0.3',
     'type = "f32", unit = "V", default = 0.0003, convert = { factor = 0.001 }', None),
    ('type = "u8", count = 2, default = [1, 2]', 'type = "u8", count = 3, default = [1, 2, 9]',
     None),
    ('type = "u8", count = 2, default = [1, 2]', 'type = "u8", count = 3, default = [1, 3, 9]',
     "[1, 3, 9] now, was [1, 2]"),
    ('type = "text", size = 2, default = "a"', 'type = "text", size = 4, default = "a"', None),
    ('type = "enum", members = ["a", "b"], default = "b"',
     'type = "enum", storage = "u16", members = ["b", "a"], default = "b"', None),
])
def test_another_default_beside_a_conversion(tmp_path: Path, old: str, new: str,
                                             told: str | None) -> None:
    """PS756 where the default is another value, not where it is the old one in other words."""
    found = [text for code, text in said(tmp_path, old, new) if code == "PS756"]
    assert (told is not None) == bool(found), found
    assert told is None or told in found[0]


def test_a_new_series_says_what_is_lost_and_rounded(tmp_path: Path) -> None:
    """What is told of values holds on the host too; what is told of bytes does not."""
    path = tmp_path / "demo.toml"
    first = f"{STORE}v = {{ {S}, max = 6000 }}\nw = {{ type = \"u8\" }}\n"
    source = SourceText(str(path), first)
    freeze(source, open_project(source))
    later = STORE.replace("[store]", "[store]\nseries = 1").replace("room", 'retired = ["w"]\nroom')
    path.write_text(f"{later}v = {{ {MIN}, max = 60 }}\n", "utf-8")
    found = compare_versions(find_version(str(path), 1), find_version(str(path))).changes
    told = {c.code: (c.impact.value, c.words) for c in found}
    assert told["PS762"][1].endswith("values are converted, and rounded to steps of 1 min")
    assert told["PS758"][1].endswith("a unit that holds a value outside gets the default")
    assert ("needs migration", "retired; its values do not come over") == told["PS754"]


def test_a_parameter_that_left_its_group_and_came_back(tmp_path: Path) -> None:
    """Over several releases its bytes did not stay, whatever its group is called."""
    path = tmp_path / "demo.toml"
    other = '\n[group.other]\nrole = "setting"\nwrites = "1 per day"\n\n[group.other.parameter]\n'
    texts = [f'{STORE}v = {{ type = "u8" }}\nw = {{ type = "u8" }}\n{other}x = {{ type = "u8" }}\n',
             f'{STORE}w = {{ type = "u8" }}\n{other}x = {{ type = "u8" }}\n'
             'v = { type = "u8", was = "settings.v" }\n',
             f'{STORE}w = {{ type = "u8" }}\nv = {{ type = "u8", was = "other.v" }}\n'
             f'{other}x = {{ type = "u8" }}\n']
    for text in texts:
        source = SourceText(str(path), text)
        freeze(source, open_project(source))
    found = compare_versions(find_version(str(path), 1), find_version(str(path), 3))
    assert [("settings.v", "PS763", "needs migration")] == [
        (c.where, c.code, c.impact.value) for c in found.changes]


def test_a_renamed_parameter_that_is_stored_anew(tmp_path: Path) -> None:
    """It is not said in one breath that its bytes stay and that its values are converted."""
    path = tmp_path / "demo.toml"
    source = SourceText(str(path), f"{STORE}v = {{ {S} }}\n")
    freeze(source, open_project(source))
    path.write_text(f'{STORE}t = {{ type = "u32", unit = "s", was = "v" }}\n', "utf-8")
    found = compare_versions(find_version(str(path), 1), find_version(str(path)))
    assert "was `v`" in [c.words for c in found.changes if c.code == "PS752"]


def test_rules_that_rounding_may_break(tmp_path: Path) -> None:
    """PS767: two values that fall together are not below each other any more, nor do they rise."""
    path = tmp_path / "demo.toml"
    lines = ('low = {{ type = "u8", scale = {0}, below = "high" }}\n'
             'high = {{ type = "u8", scale = {0}, default = 9 }}\n'
             'c = {{ type = "curve", points = 2, x = {{ type = "u8", scale = {0} }}, '
             'y = {{ type = "u8" }}, default = [[0, 0], [9, 9]] }}\n')
    source = SourceText(str(path), STORE + lines.format(1))
    freeze(source, open_project(source))
    for scale, told in (("3", ["settings.low", "settings.c"]), ("0.5", [])):
        path.write_text(STORE + lines.format(scale), "utf-8")
        found = compare_versions(find_version(str(path), 1), find_version(str(path)))
        assert told == [c.where for c in found.changes if c.code == "PS767"]


@pytest.mark.parametrize(("old", "new"), [("", ", count = 1"), (", count = 1", "")])
def test_an_array_of_one(tmp_path: Path, old: str, new: str) -> None:
    """The bytes are the same, and the accessors are others."""
    (change,) = said(tmp_path, f'type = "u8"{old}', f'type = "u8"{new}')
    assert ("PS761", "an array now" if new else "a single value now, no array") == change


CURVE = ('type = "curve", points = {0}, x = {{ type = "u8" }}, y = {{ type = "u8" }}, '
         "default = [{1}]")


@pytest.mark.parametrize(("old", "new"), [
    (CURVE.format(2, "[0, 0], [1, 1]"), CURVE.format(3, "[0, 0], [1, 1], [2, 2]")),
    (CURVE.format(3, "[0, 0], [1, 1], [2, 2]"), CURVE.format(2, "[0, 0], [1, 1]")),
    ('type = "text", size = 9', 'type = "text", size = 8'),
    ('type = "u8"', 'type = "text", size = 8'),
])
def test_what_is_refused_is_not_carried_over_as_well(tmp_path: Path, old: str, new: str) -> None:
    """One change gets one answer."""
    paths = []
    for name, line in (("old", old), ("new", new)):
        paths.append(tmp_path / f"{name}.toml")
        paths[-1].write_text(f"{STORE}v = {{ {line} }}\n", "utf-8")
    found = compare_versions(find_version(str(paths[0])), find_version(str(paths[1])))
    assert 1 == len(found.findings)
    assert [] == [c.code for c in found.changes]


def test_a_schema_elsewhere_is_compared_with_the_release_that_was_named(tmp_path: Path) -> None:
    """With that one, not with the first or the last one of its history."""
    kinds = ("u8", "u16", "u32")
    before, after = tmp_path / "a", tmp_path / "b"
    texts = [f"{STORE}v = {{ type = \"{kind}\" }}\n" for kind in kinds]
    for text in texts:
        before.mkdir(exist_ok=True)
        source = SourceText(str(before / "demo.toml"), text)
        freeze(source, open_project(source))
    (before / "demo.toml").write_text(texts[-1], "utf-8")
    after.mkdir()
    for text, kind in zip(texts, kinds, strict=True):
        (after / "demo.toml").write_text(text, "utf-8")
        for release, was in enumerate(kinds, 1):
            found = compare_versions(find_version(str(before / "demo.toml"), release),
                                     find_version(str(after / "demo.toml")))
            assert [] == [f.message for f in found.findings]
            told = [c.words for c in found.changes if c.code == "PS762"]
            assert [] == told if kind == was else told[0].startswith(f"{was} becomes {kind}"), told


@pytest.mark.parametrize(("slots", "writes", "wears"), [
    (5, 5, False), (5, 6, True), (6, 5, False)])
def test_a_ring_just_long_enough_does_not_wear_out(tmp_path: Path, slots: int, writes: int,
                                                   wears: bool) -> None:
    """A page lasts 10**6 writes at 25 degC (see the catalogue): 5 slots are just enough for
    500,000 commits a year over ten years."""
    def text(times: str) -> str:
        return (STORE.replace("[store]", "[store]\ntemperature_c = 25\nlife_years = 10")
                .replace("room = 60", f"room = 4\ncopies = 1\nslots = {slots}")
                .replace("1 per day", times) + 'v = { type = "u8" }\n')

    path = tmp_path / "demo.toml"
    source = SourceText(str(path), text("1 per year"))
    freeze(source, open_project(source))
    path.write_text(text(f"{writes * 100_000} per year"), "utf-8")
    found = compare_versions(find_version(str(path), 1), find_version(str(path)))
    assert [("PS768", Impact.WEARS if wears else Impact.SAFE)] == [
        (c.code, c.impact) for c in found.changes]


def test_a_schema_elsewhere_is_refused_for_the_series_before_it_alone(tmp_path: Path) -> None:
    """Earlier series of the history are past."""
    texts = [STORE.replace("[store]", f"[store]\nseries = {series}" if series else "[store]")
             + 'v = { type = "u8" }\n' for series in (0, 1, 2)]
    before, after = tmp_path / "a" / "demo.toml", tmp_path / "b" / "demo.toml"
    for path in (before, after):
        path.parent.mkdir()
        for text in texts:
            source = SourceText(str(path), text)
            freeze(source, open_project(source))
        path.write_text(texts[-1], "utf-8")
    codes = [[f.code for f in compare_versions(
        find_version(str(before), release), find_version(str(after))).findings]
        for release in (1, 2, 3)]
    assert [["PS740"], [], []] == codes
