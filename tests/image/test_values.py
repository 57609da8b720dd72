"""Values files: every mistake at its place, and nothing taken silently for something else."""

import re
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from paramstore.core.errors import Finding, FindingsError, ParamstoreError, SourceText
from paramstore.image.values import _CODE_OF_PROBLEM, GivenValues, read_values
from paramstore.image.values_out import values_toml
from paramstore.report.findings import findings_text
from paramstore.schema import from_raw, to_raw
from paramstore.schema.model import Group, Kind, Role, Schema, ValueLimits
from tests.codes import IMAGE as CODES
from tests.goldens import golden
from tests.record.plans import EXAMPLE, one, part
from tests.strategies import schema_raws, schemas

LIMITS, USER = EXAMPLE.schema.groups
SCHEMA = replace(EXAMPLE.schema, groups=(
    LIMITS, USER,
    Group("kinds", 9, Role.SETTING, 1.0, (
        one("mode", "u8", 0, kind=Kind.ENUM, members=(("off", 0), ("auto", 5)),
            limits=ValueLimits(((0, 0), (5, 5)))),
        one("alarms", "u8", 0, kind=Kind.FLAGS, members=(("low", 0), ("high", 4)),
            limits=ValueLimits(mask=0x11)),
        one("day", "u16", 0, kind=Kind.DATE),
        one("key", "u8", 0, 0, 0, kind=Kind.BYTES),
        one("on", "u8", 0, kind=Kind.BOOL, limits=ValueLimits(((0, 1),))),
        one("steps", "i16", 0, 0, 0, array=True, unit="mm", scale=Decimal("0.5")),
        one("count", "u8", 0),
    )),
))


def read(text: str, *settings: str) -> GivenValues:
    return read_values(SCHEMA, SourceText("unit.toml", text), settings)


def place(finding: Finding) -> str:
    span, source = finding.span, finding.source
    return f"{source and source.path}:{span and f'{span.line}:{span.column}-{span.end_column}'}"


def test_every_kind_of_value_is_read() -> None:
    """Physical values become raws; what is not given is not there."""
    given = read("""
        [limits]
        current = 1.25
        gain = -0.5
        flow = [[0, -5], [50, 300], [100, "700 l/h"]]
        [user]
        name = "Süd"
        low = "18.5 degC"
        [kinds]
        mode = "auto"
        alarms = ["high", "low"]
        day = 2026-01-31
        key = "01 a0 FF"
        on = true
        steps = [1, -0.5, "2 mm"]
    """)
    assert {
        "limits": {"current": (1250,), "gain": (-0.5,), "flow.x": (0, 50, 100),
                   "flow.y": (-5, 300, 700)},
        "user": {"name": tuple("Süd".encode().ljust(6, b"\0")), "low": (-3,)},
        "kinds": {"mode": (5,), "alarms": (0x11,), "day": (9527,), "key": (1, 0xA0, 0xFF),
                  "on": (1,), "steps": (2, -1, 4)},
    } == given.values
    assert () == given.warnings


def test_an_empty_file_gives_nothing() -> None:
    """A file may leave out whatever it likes."""
    assert GivenValues({}) == read("")
    assert GivenValues({}) == read_values(SCHEMA)
    assert GivenValues({}) == read("[limits]")


MISTAKES = {
    # name: (text, code, place, message, help)
    "an unknown group": (
        "[limit]\ncurrent = 1", "PS501", "1:2-7", "the schema has no group `limit`",
        "did you mean `limits`?"),
    "a parameter instead of a group": (
        "current = 1", "PS501", "1:1-8", "the schema has no group `current`",
        "it is a parameter of group `limits`"),
    "an unknown parameter": (
        "[limits]\ncurent = 1", "PS502", "2:1-7", "group `limits` has no parameter `curent`",
        "did you mean `current`?"),
    "a parameter of another group": (
        "[limits]\nmode = 'off'", "PS502", "2:1-5", "group `limits` has no parameter `mode`",
        "it is a parameter of group `kinds`"),
    "a field of a curve": (
        "[limits]\n'flow.x' = [1, 2, 3]", "PS502", "2:1-9",
        "group `limits` has no parameter `flow.x`", "did you mean `flow`?"),
    "a value instead of a group": (
        "limits = 3", "PS503", "1:1-7", "`limits` must be a table, not a whole number",
        "write `[limits]` and the parameters below it"),
    "an array of tables": (
        "[[limits]]\ncurrent = 1", "PS503", "1:3-9", "`limits` must be a table, not an array",
        "write `[limits]` and the parameters below it"),
    "a schema": (
        "[store]\nname = 'x'\n[group.limits]\nrole = 'setting'", "PS503", "1:2-7",
        "this is a schema, not a values file",
        "give the schema first and the values file second"),
    "a text for a number": (
        "[limits]\ncurrent = 'high'", "PS504", "2:11-17",
        "`current` must be a number, not a text", "write it like `12.5`, without quotes"),
    "a table for a number": (
        "[limits]\ncurrent = { value = 1 }", "PS504", "2:11-24",
        "`current` must be a number, not a table", "write it like `12.5`"),
    "a fraction for a whole number": (
        "[kinds]\ncount = 1.5", "PS504", "2:9-12",
        "`count` is a whole number (u8), not 1.5", "write 2, or store it with a `scale`, or as "
        "`f32`"),
    "a text for a truth": (
        "[kinds]\non = 'yes'", "PS504", "2:6-11", "`on` must be true or false, not a text",
        "write it like `true` or `false`"),
    "too few elements": (
        "[kinds]\nsteps = [1, 2]", "PS504", "2:9-15",
        "`steps` has 3 elements, but the array has 2",
        "give 3 values, or a single value for all of them"),
    "too few points": (
        "[limits]\nflow = [[0, 1], [1, 2]]", "PS504", "2:8-24",
        "`flow` has 3 points, but 2 are given", "give 3 points"),
    "another unit": (
        "[limits]\ncurrent = '1200 mA'", "PS505", "2:11-20",
        "`current` is given in `mA`, but its unit is `A`",
        'convert the value to `A`, and write that unit or none'),
    "above its maximum": (
        "[limits]\ncurrent = 4.001", "PS506", "2:11-16",
        "`current` = 4.001 A is above its maximum 4 A", "give a value from 0 A to 4 A"),
    "beyond its type": (
        "[kinds]\nsteps = [0, 0, 1e6]", "PS506", "2:16-19",
        "`steps[2]` = 1000000 mm does not fit in i16", "use `i32`, or another value"),
    "not a number": (
        "[limits]\ngain = nan", "PS506", "2:8-11", "`gain` cannot be nan", "give a finite number"),
    "a date out of reach": (
        "[kinds]\nday = 1999-12-31", "PS506", "2:7-17",
        "`day` = 1999-12-31 is no date that can be stored",
        "give a date from 2000-01-01 to 2179-06-06"),
    "an unknown member": (
        "[kinds]\nmode = 'auo'", "PS507", "2:8-13", "`mode` has no member `auo`",
        "did you mean `auto`?"),
    "an unknown flag": (
        "[kinds]\nalarms = ['low', 'hihg']", "PS507", "2:18-24",
        "`alarms` has no member `hihg`", "did you mean `high`?"),
    "a text that is too long": (
        "[user]\nname = 'Südpumpe'", "PS508", "2:8-18", "the text takes 9 bytes, `name` has 6",
        "shorten the text, or give the parameter a larger `size`"),
    "too few bytes": (
        "[kinds]\nkey = '01 02'", "PS508", "2:7-14", "`key` has 3 bytes, but 2 are given",
        "give 3 bytes, or change `size`"),
    "a curve that does not rise": (
        "[limits]\nflow = [[0, 1], [50, 2], [50, 3]]", "PS509", "2:27-29",
        "`flow.x` must rise: 50 follows 50", "sort the points, and give each value once"),
    "low above a default": (
        "[user]\nlow = 30", "PS510", "2:7-9", "`low` = 30 degC must be below `high` = 22 degC",
        "lower `low`, or raise `high`"),
    "low equal to high": (
        "[user]\nlow = 20\nhigh = 20", "PS510", "2:7-9",
        "`low` = 20 degC must be below `high` = 20 degC", "lower `low`, or raise `high`"),
}


@pytest.mark.parametrize("name", MISTAKES)
def test_a_mistake_is_told_with_its_place(name: str) -> None:
    """Code, place, fact and help of every kind of mistake."""
    text, code, where, message, help = MISTAKES[name]
    with pytest.raises(FindingsError) as caught:
        read(text)
    (finding,) = caught.value.findings
    assert (code, f"unit.toml:{where}", message, help) == (
        finding.code, place(finding), finding.message, finding.help)
    assert code in CODES


def test_mistakes_are_shown_as_kept() -> None:
    """What a person sees of each mistake, marks included, is as it was last approved."""
    shown = []
    for name, (text, *_) in MISTAKES.items():
        with pytest.raises(FindingsError) as caught:
            read(text)
        shown.append(f"## {name}\n\n" + findings_text(caught.value.findings))
    text = "".join(shown)
    assert golden(Path(__file__).parent / "golden" / "values_mistakes.txt", text) == text


def test_every_problem_of_a_value_has_a_code() -> None:
    """No way in which a conversion can refuse a value is left without a code."""
    sources = [Path(module.__file__ or "").read_text("utf-8") for module in (from_raw, to_raw)]
    kinds = {kind for text in sources for kind in re.findall(r'ValueProblem\(\s*"(\w+)"', text)}
    assert len(kinds) > 8
    assert kinds == _CODE_OF_PROBLEM.keys()


def test_all_mistakes_are_told_at_once() -> None:
    """Errors do not hide each other, and warnings come with them, sorted by place."""
    with pytest.raises(FindingsError) as caught:
        read("[limits]\ncurrent = 9\n[kinds]\ncount = -1\nsteps = 0.3\n[nobody]")
    assert ["PS506", "PS506", "PS511", "PS501"] == [f.code for f in caught.value.findings]


def test_both_axes_of_a_curve_are_told() -> None:
    """A mistake in x does not hide one in y."""
    with pytest.raises(FindingsError) as caught:
        read("[limits]\nflow = [[0, 1], [50, 'x'], [50, 3]]")
    assert [("PS504", "unit.toml:2:22-25"), ("PS509", "unit.toml:2:29-31")] == [
        (f.code, place(f)) for f in caught.value.findings]


def test_a_wrong_order_points_at_both_values() -> None:
    """Where two values disagree, both places are shown, and a default is named."""
    with pytest.raises(FindingsError) as caught:
        read("[user]\nhigh = 18\nlow = 20")
    (finding,) = caught.value.findings
    assert ("unit.toml:3:7-9", ((2, 8), "and this one")) == (
        place(finding), ((finding.also[0][0].line, finding.also[0][0].column), finding.also[0][1]))
    with pytest.raises(FindingsError) as caught:
        read("[user]\nhigh = 18")
    (finding,) = caught.value.findings
    assert ("unit.toml:2:8-10", ("`low` has its default",)) == (place(finding), finding.notes)


def test_a_mistake_makes_no_second_one() -> None:
    """A value that is wrong by itself is not compared with its partner."""
    with pytest.raises(FindingsError) as caught:
        read("[user]\nlow = 'x'\nhigh = 0")
    assert ["PS504"] == [f.code for f in caught.value.findings]


ROUNDED = {
    "[limits]\ncurrent = 1.2504": (
        "2:11-17", "`current` = 1.2504 A is stored as 1.25 A",
        "-0.0004 A off; the steps are 0.001 A"),
    "[kinds]\nsteps = [0, 0.3, 0]": (
        "2:13-16", "`steps[1]` = 0.3 mm is stored as 0.5 mm", "+0.2 mm off; the steps are 0.5 mm"),
    "[limits]\ngain = 1.23456789012": (
        "2:8-21", "`gain` = 1.23456789012 is stored as 1.2345679",
        "+9.9e-9 off; the type has no more digits"),
}


@pytest.mark.parametrize("text", ROUNDED)
def test_rounding_is_told(text: str) -> None:
    """A value that storage changes is taken, with a warning that says by how much."""
    where, message, note = ROUNDED[text]
    (warning,) = read(text).warnings
    assert ("PS511", f"unit.toml:{where}", message, (note,)) == (
        warning.code, place(warning), warning.message, warning.notes)


def test_rounding_of_a_point_is_told() -> None:
    """By its axis and number; the place is that of the coordinate."""
    x, y = LIMITS.parameter("flow").fields
    flow = replace(LIMITS.parameter("flow"), fields=(x, replace(y, scale=Decimal("0.5"))))
    schema = replace(SCHEMA, groups=(replace(LIMITS, parameters=(flow,)),))
    text = "[limits]\nflow = [[0, 1], [5, 2.3], [9, 2]]"
    (warning,) = read_values(schema, SourceText("unit.toml", text)).warnings
    assert ("PS511", "`flow.y[1]` = 2.3 l/h is stored as 2.5 l/h", "unit.toml:2:21-24") == (
        warning.code, warning.message, place(warning))


@pytest.mark.parametrize(("setting", "expected"), [
    ("limits.current=1.25", {"limits": {"current": (1250,)}}),
    ("limits.current=1.25 A", {"limits": {"current": (1250,)}}),
    (" limits . current = 1.25", {"limits": {"current": (1250,)}}),
    ("user.name=tank", {"user": {"name": tuple(b"tank\0\0")}}),
    ("user.name='a=b'", {"user": {"name": tuple(b"a=b\0\0\0")}}),
    ("user.name=12", {"user": {"name": tuple(b"12\0\0\0\0")}}),
    ("user.name=", {"user": {"name": (0,) * 6}}),
    ("kinds.mode=auto", {"kinds": {"mode": (5,)}}),
    ('kinds.mode="auto"', {"kinds": {"mode": (5,)}}),
    ("kinds.alarms=low,high", {"kinds": {"alarms": (0x11,)}}),
    ('kinds.alarms=["low"]', {"kinds": {"alarms": (1,)}}),
    ("kinds.alarms=low + high", {"kinds": {"alarms": (0x11,)}}),
    ("kinds.alarms=", {"kinds": {"alarms": (0,)}}),
    ("kinds.alarms=none", {"kinds": {"alarms": (0,)}}),
    ("kinds.steps=1,2.5, 3 mm", {"kinds": {"steps": (2, 5, 6)}}),
    ("kinds.key=01 02 03", {"kinds": {"key": (1, 2, 3)}}),
    ("kinds.key=010203", {"kinds": {"key": (1, 2, 3)}}),
    ("kinds.day=2026-01-31", {"kinds": {"day": (9527,)}}),
    ("kinds.on=true", {"kinds": {"on": (1,)}}),
    ("kinds.steps=[1, 2, 3]", {"kinds": {"steps": (2, 4, 6)}}),
    ("limits.flow=[[0, 1], [1, 2], [2, 3]]",
     {"limits": {"flow.x": (0, 1, 2), "flow.y": (1, 2, 3)}}),
])
def test_settings_are_read_as_a_shell_leaves_them(setting: str, expected: Any) -> None:
    """A setting is TOML where it can be, else the text that was meant."""
    assert expected == read("", setting).values


def test_one_of_several_settings_is_told_by_its_number() -> None:
    """Where --set is repeated, a mistake says in which one it is."""
    with pytest.raises(FindingsError) as caught:
        read("", "kinds.count=1", "kinds.steps=1,two,3")
    (finding,) = caught.value.findings
    assert "--set 2:1:13-20" == place(finding)
    assert "`steps[1]` must be a number, not a text" == finding.message


def test_settings_come_on_top_of_the_file() -> None:
    """The last word has the last setting."""
    given = read("[kinds]\ncount = 1\nmode = 'auto'", "kinds.count=2", "kinds.count=3")
    assert {"kinds": {"count": (3,), "mode": (5,)}} == given.values


@pytest.mark.parametrize(("setting", "code", "where", "message"), [
    ("limits.current", "PS512", "1:1-15", "`limits.current` is not a setting"),
    ("current=1", "PS512", "1:1-10", "`current=1` is not a setting"),
    ("", "PS512", "1:1-1", "`` is not a setting"),
    (".=", "PS512", "1:1-3", "`.=` is not a setting"),
    ("kinds.count=1\nx=2", "PS512", "1:1-18", "a setting holds a character that cannot be shown"),
    ("user.name=\udce4", "PS512", "1:1-12", "a setting holds a character that cannot be shown"),
    ("limit.current=1", "PS501", "1:1-6", "the schema has no group `limit`"),
    ("limits.limits=1", "PS502", "1:8-14", "group `limits` has no parameter `limits`"),
    ("limits.current=5", "PS506", "1:16-17", "`current` = 5 A is above its maximum 4 A"),
    ("limits.current=", "PS504", "1:16-16", "`current` must be a number, not a text"),
    ("user.low=30", "PS510", "1:10-12", "`low` = 30 degC must be below `high` = 22 degC"),
])
def test_mistakes_in_settings_are_told(
    setting: str, code: str, where: str, message: str
) -> None:
    """A setting is a source of its own, with columns."""
    with pytest.raises(FindingsError) as caught:
        read("", setting)
    (finding,) = caught.value.findings
    assert (code, f"--set:{where}", message) == (finding.code, place(finding), finding.message)


@given(st.data())
@settings(max_examples=50, deadline=None)
def test_what_is_written_is_read_back(data: st.DataObject) -> None:
    """A values file that was written gives the same raws, without a warning."""
    schema = data.draw(schemas())
    raws = data.draw(schema_raws(schema))
    text = values_toml(schema, raws)
    assert GivenValues(raws) == read_values(schema, SourceText("unit.toml", text))


def test_a_written_file_shows_units_and_remarks() -> None:
    """Units stand in comments, long arrays on lines of their own."""
    long = one("long", "f64", *[1.2345678e-300] * 8, kind=Kind.FLOAT, array=True, unit="V")
    schema = Schema("s", part(), (replace(LIMITS, parameters=(*LIMITS.parameters, long)),))
    raws = {f.name: f.default for f in schema.groups[0].fields}
    assert (
        "# Values of the store s.\n\n"
        "[limits]  # record 7\n"
        "current = 2.5  # A\n"
        "gain = 1.5\n"
        "flow = [[0, -5], [50, 300], [100, 700]]  # 1, l/h\n"
        "long = [  # V\n" + "    1.2345678e-300,\n" * 8 + "]\n"
    ) == values_toml(schema, {"limits": raws}, {"limits": "record 7"})


@pytest.mark.parametrize(("digits", "lines"), [(29, 1), (30, 4)])
def test_a_line_of_96_characters_is_not_divided(digits: int, lines: int) -> None:
    """A longer array has one element on each line."""
    wide = one("wide", "u64", 1, 1, kind=Kind.INTEGER, array=True)
    schema = Schema("s", part(), (replace(LIMITS, parameters=(wide,)),))
    text = values_toml(schema, {"limits": {"wide": (int("1" * digits), int("1" * 56))}})
    assert (96 if lines == 1 else 8) == len(text.splitlines()[3])
    assert lines == len(text.splitlines()[3:])


def test_only_what_is_given_is_written() -> None:
    """Parameters without a value are left out, and so are groups; a remark stands alone then, and a
    note before its parameter. A text that is none is told."""
    name = one("name", "u8", 0xFF, 0, kind=Kind.TEXT, array=True)
    schema = Schema("s", part(), (LIMITS, replace(LIMITS, name="other", id=9, parameters=(name,))))
    assert "# Values of the store s.\n" == values_toml(schema, {})
    assert "# Values of the store s.\n\n[limits]\ngain = 2.5\n" == values_toml(
        schema, {"limits": {"gain": (2.5,)}})
    assert ("# Values of the store s.\n\n# limits: lost and gone\n\n[other]\n# read\n"
            "# name is left out: it is no UTF-8 text\n") == values_toml(
        schema, {"other": {"name": (0xFF, 0)}}, {"limits": "lost\nand gone"},
        {("other", "name"): "read"})


TOKENS = ("[", "]", "limits", "user", "kinds", ".", "=", "\n", '"', "'", "current", "flow", "mode",
          "1", "-", "1e400", "nan", "inf", "0x7f", "2026-01-31", "{", "}", ",", "auto", "#", "\r",
          "9" * 200, "é", "\0")


@given(st.lists(st.sampled_from(TOKENS), max_size=25).map("".join))
@settings(max_examples=300)
def test_any_text_is_read_or_refused(text: str) -> None:
    """No text gives anything but values or findings, in a file or as a setting."""
    for source, settings_ in ((SourceText("x", text), ()), (None, (text, f"kinds.{text}"))):
        try:
            read_values(SCHEMA, source, settings_)
        except ParamstoreError as error:
            assert isinstance(error, FindingsError) and error.findings


@given(st.sampled_from([f"{g.name}.{p.name}" for g in SCHEMA.groups for p in g.parameters]),
       st.lists(st.sampled_from((*TOKENS, "[[", "]]", "true", " ")), max_size=8).map("".join))
@settings(max_examples=300)
def test_any_value_of_a_setting_is_read_or_refused(name: str, value: str) -> None:
    """No value of any parameter gives anything but raws or findings."""
    try:
        read("", f"{name}={value}")
    except FindingsError as error:
        assert error.findings


def test_partial_values_are_held_to_rules_among_themselves_only() -> None:
    """The other value of a rule is not its default then, and whoever knows it checks the rule."""
    given = read_values(SCHEMA, SourceText("unit.toml", "[user]\nlow = 30"), partial=True)
    assert {"user": ["low"]} == {group: list(raws) for group, raws in given.values.items()}
    with pytest.raises(FindingsError) as error:
        read_values(SCHEMA, SourceText("unit.toml", "[user]\nlow = 30\nhigh = 25"), partial=True)
    assert ["PS510"] == [f.code for f in error.value.findings]


@pytest.mark.parametrize("unit", ["mV\ngain = 99", "mV\r\n", "\u2028", "\x85", "\x0b", "\x1b[2J",
                                  "\u202e", "A # \n[user]\nlow = 3"])
def test_a_comment_never_ends_before_its_line(unit: str) -> None:
    """A unit or a remark that has line ends, from wherever it came, sets no value."""
    current = replace(LIMITS.parameters[0], fields=(
        replace(LIMITS.parameters[0].fields[0], unit=unit),))
    schema = replace(SCHEMA, groups=(replace(LIMITS, parameters=(current,)),))
    raws = {"limits": {"current": (1250,)}}
    text = values_toml(schema, raws, {"limits": unit})
    assert 4 == len(text.splitlines())
    assert text.replace("\n", "").isprintable()
    assert raws == read_values(SCHEMA, SourceText("unit.toml", text)).values


@given(st.text(st.characters(exclude_categories=["Cs", "Cc"]), max_size=3))
def test_a_text_is_written_with_what_prints(text: str) -> None:
    """Whatever a part holds, its values file has no effect on a terminal, and reads back."""
    raws = tuple(text.encode()[:6].ljust(6, b"\0"))
    try:
        bytes(raws).decode()
    except UnicodeDecodeError:
        return
    written = values_toml(SCHEMA, {"user": {"name": raws}})
    assert written.replace("\n", "").isprintable()
    assert {"name": raws} == read(written).values["user"]
