"""The reader: what a schema in TOML means, and that every mistake is told once and in its place."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from paramstore.core.errors import FindingsError, ParamstoreError, SourceText
from paramstore.schema.model import Group, Parameter, Role, Schema, ValueLimits
from paramstore.schema.reader import load_schema, read_schema
from tests.strategies import schema_toml, schemas

ROOT = Path(__file__).parents[2]
EXAMPLES = sorted(p for p in (ROOT / "schemas").glob("*.toml") if "." not in p.stem)

STORE = '[store]\nname = "demo"\npart = "24LC32A"\n'
GROUP = '[group.settings]\nrole = "setting"\nwrites = "2 per week"\n[group.settings.parameter]\n'


def read(text: str) -> Schema:
    return read_schema(SourceText("test.toml", text))[0]


def parameter(line: str) -> Parameter:
    """The parameter of a schema that has no other one."""
    return read(STORE + GROUP + line).groups[0].parameters[0]


def group(keys: str) -> Group:
    return read(f'{STORE}life_years = 20\n[group.a]\n{keys}\nparameter.x = {{ type = "u8" }}\n'
                ).groups[0]


def codes(text: str) -> list[tuple[str, int, int]]:
    """Code, line and column of each finding."""
    with pytest.raises(FindingsError) as caught:
        read(text)
    return [(f.code, f.span.line, f.span.column) if f.span else (f.code, 0, 0)
            for f in caught.value.findings]


@given(schemas())
def test_schema_is_read_as_it_was_spelled(schema: Schema) -> None:
    """Every valid schema, spelled as TOML, is read back equal, without a warning."""
    found, warnings = read_schema(SourceText("test.toml", schema_toml(schema)))
    assert (schema, ()) == (found, warnings)


@pytest.mark.parametrize(("text", "what"), [
    (STORE.replace("demo", "NAME") + GROUP + 'x = { type = "u8" }', "store"),
    (STORE + GROUP.replace("group.settings", "group.NAME") + 'x = { type = "u8" }', "group"),
    (STORE + GROUP + 'NAME = { type = "u8" }', "parameter"),
    (STORE + GROUP + 'x = { type = "enum", members = ["NAME", "b"] }', "member"),
])
def test_names_have_up_to_48_characters(text: str, what: str) -> None:
    """One more is refused at its place, whatever it names."""
    read(text.replace("NAME", "n" * 48))
    with pytest.raises(FindingsError) as caught:
        read(text.replace("NAME", "n" * 49))
    (finding,) = caught.value.findings
    assert finding.message == f"the name of a {what} has 49 characters, more than 48"
    assert finding.span is not None


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda p: p.stem)
def test_examples_have_no_mistakes(path: Path) -> None:
    """The schemas that ship are read without a warning."""
    schema, warnings = load_schema(path)
    assert () == warnings
    assert schema.source is not None and str(path) == schema.source.path


def test_defaults_of_the_store() -> None:
    """What a schema leaves out has the stated default."""
    found = read(STORE + GROUP + 'x = { type = "u8" }')
    assert (0x50, 400, 3.3, 25.0, 10.0, "") == (
        found.address, found.bus_khz, found.supply_v, found.temperature_c, found.life_years,
        found.doc)


@pytest.mark.parametrize(
    ("writes", "per_day"),
    [("24 per day", 24), ("2 per hour", 48), ("7 per week", 1), ("12 per month", 12 * 12 / 365.25),
     ("1 per year", 1 / 365.25), ("20 per life", 1 / 365.25), ("0.5 per day", 0.5)],
)
def test_rate_of_writes(writes: str, per_day: float) -> None:
    """Writes are counted per day; a life is that of the store, a year has 365.25 days."""
    assert per_day == pytest.approx(group(f'role = "setting"\nwrites = "{writes}"').writes_per_day)


@pytest.mark.parametrize(("role", "copies"), [(r, 2 if r.protected else 1) for r in Role])
def test_copies_follow_the_role(role: Role, copies: int) -> None:
    """Identity and calibration are kept twice unless the schema says otherwise."""
    keys = f'role = "{role.value}"\nwrites = "1 per year"\n'
    assert copies == group(keys).copies
    assert 3 == group(keys + "copies = 3").copies


def test_ids_count_from_one_in_the_order_of_the_file() -> None:
    """A group without an id has the number of its place."""
    text = STORE + "".join(
        f'[group.{n}]\nrole = "setting"\nwrites = "1 per day"\n{i}\n'
        f'parameter.x = {{ type = "u8" }}\n'
        for n, i in (("a", ""), ("b", "id = 9"), ("c", "")))
    assert [1, 9, 3] == [g.id for g in read(text).groups]


@pytest.mark.parametrize(
    ("line", "ranges"),
    [
        ('x = { type = "u8" }', ()),
        ('x = { type = "u8", min = 0, max = 255 }', ()),
        ('x = { type = "u8", max = 9 }', ((0, 9),)),
        ('x = { type = "i8", min = -3 }', ((-3, 127),)),
        ('x = { type = "i16", scale = 0.5, min = -5.2, max = 10.3 }', ((-10, 20),)),
        ('x = { type = "u8", scale = -1, offset = 100, min = 10, max = 90, default = 50 }',
         ((10, 90),)),
        ('x = { type = "u8", scale = -1, offset = 100, max = 90.5, default = 0 }', ((10, 255),)),
        ('x = { type = "u8", unit = "V", max = "9 V" }', ((0, 9),)),
        ('x = { type = "date", min = 2000-01-02, default = 2020-01-01 }', ((1, 65535),)),
        ('x = { type = "bool" }', ((0, 1),)),
        ('x = { type = "enum", members = { a = 4, b = 0, c = 1, d = 5 } }', ((0, 1), (4, 5))),
    ],
)
def test_limits_are_raw_and_lie_inwards(line: str, ranges: Any) -> None:
    """Limits become ranges of stored values that never allow more than was written."""
    assert ValueLimits(ranges) == parameter(line).fields[0].limits


def test_floats_are_limited_to_finite_values() -> None:
    """A float without limits has the whole finite range, so NaN is never allowed."""
    (field,) = parameter('x = { type = "f32" }').fields
    assert ((field.scalar.minimum, field.scalar.maximum),) == field.limits.ranges
    assert [False, False] == [field.limits.allow(v) for v in (float("nan"), float("inf"))]


def test_limit_of_a_float_allows_the_value_written() -> None:
    """max = 0.1 allows a default of 0.1, although no f32 is exactly that."""
    assert (pytest.approx(0.1),) == parameter(
        'x = { type = "f32", max = 0.1, default = 0.1 }').fields[0].default


@pytest.mark.parametrize(
    ("line", "default"),
    [
        ('x = { type = "u8" }', (0,)), ('x = { type = "f64", count = 2 }', (0.0, 0.0)),
        ('x = { type = "bool" }', (0,)), ('x = { type = "date" }', (0,)),
        ('x = { type = "enum", members = { a = 7, b = 0 } }', (7,)),
        ('x = { type = "flags", members = ["a"] }', (0,)),
        ('x = { type = "text", size = 3 }', (0, 0, 0)),
        ('x = { type = "bytes", size = 2 }', (0, 0)),
        ('x = { type = "i16", scale = 0.5, offset = -10 }', (20,)),
        ('x = { type = "u8", count = 2, default = [1, 2] }', (1, 2)),
        ('x = { type = "u8", count = 2, default = 3 }', (3, 3)),
    ],
)
def test_defaults_of_parameters(line: str, default: Any) -> None:
    """A parameter without a default starts at physical zero or the like."""
    assert default == parameter(line).fields[0].default


@pytest.mark.parametrize(
    ("members", "scalar"),
    [
        ('type = "enum", members = ["a", "b"]', "u8"),
        ('type = "enum", members = { a = 255 }', "u8"),
        ('type = "enum", members = { a = 256 }', "u16"),
        ('type = "enum", members = { a = 65536 }', "u32"),
        ('type = "enum", members = ["a"], storage = "u16"', "u16"),
        ('type = "flags", members = { a = 7 }', "u8"),
        ('type = "flags", members = { a = 8 }', "u16"),
        ('type = "flags", members = { a = 63 }', "u64"),
    ],
)
def test_members_take_the_narrowest_type(members: str, scalar: str) -> None:
    """Enumerations and flags are stored as narrowly as their members allow."""
    assert scalar == parameter(f"x = {{ {members} }}").fields[0].scalar.name


def test_words_of_c_may_be_members() -> None:
    """Members get a prefix in C, so `auto` and `default` are good names for them."""
    field = parameter('x = { type = "enum", members = ["auto", "default"] }').fields[0]
    assert (("auto", 0), ("default", 1)) == field.members


def test_part_can_be_described_in_the_schema() -> None:
    """An inline part has the keys of the catalogue."""
    part = ('[store]\nname = "demo"\n[store.part]\nname = "own"\ncapacity = 2048\npage = 16\n'
            'address_bytes = 1\nwrite_ms = 4.5\nendurance = [[25, 1e6]]\nclocks = [[1.8, 400]]\n')
    found = read(part + GROUP + 'x = { type = "u8" }').part
    assert ("own", 2048, 3, 4.5, 1.8) == (
        found.name, found.capacity, found.block_bits, found.write_ms, found.supply_min_v)


def test_both_forms_of_a_parameter_are_the_same() -> None:
    """A table of its own means what a table in braces means."""
    line = parameter('x = { type = "u16", scale = 0.1, max = 9 }')
    table = parameter('[group.settings.parameter.x]\ntype = "u16"\nscale = 0.1\nmax = 9\n')
    assert line == table
    assert Decimal("0.1") == line.fields[0].scale


def test_all_mistakes_are_told_at_once_and_in_order() -> None:
    """Mistakes of every level come together, sorted by place."""
    text = ('[store]\nname = "Demo"\npart = "24LC32A"\nsupply_v = 1.0\n'
            + GROUP.replace('"setting"', '"sets"')
            + 'a = { type = "u8", default = 256, max = -1 }\nb = { type = "u9" }\n')
    assert [("PS108", 2, 8), ("PS315", 4, 12), ("PS306", 6, 8), ("PS204", 9, 30),
            ("PS204", 9, 41), ("PS201", 10, 14)] == codes(text)


def test_one_mistake_is_one_finding() -> None:
    """A misspelt key is not told again as a missing one, nor what follows from it."""
    assert [("PS104", 8, 7)] == codes(STORE + GROUP + 'x = { tpye = "u8" }')
    assert [("PS104", 8, 29)] == codes(
        STORE + GROUP + 'x = { type = "u8", min = 1, defult = 3 }')
    assert [("PS104", 4, 2)] == codes(STORE + GROUP.replace("[group", "[groups") + "x = 1")


def test_warnings_do_not_stop_the_work() -> None:
    """A schema with warnings is read, and they come along in order."""
    source = SourceText("t", STORE + GROUP + 'x = { type = "i8", scale = 0.5, max = 9.3 }\n'
                        'y = { type = "i8", scale = 0.5, default = 1.2 }\n')
    schema, warnings = read_schema(source)
    assert 2 == len(schema.groups[0].parameters)
    assert ["PS208", "PS209"] == [w.code for w in warnings]


# ---- Robustness ---------------------------------------------------------------------------------

EXAMPLE_TEXTS = [p.read_text("utf-8") for p in EXAMPLES if p.stem != "large"]
ODD = ("", "0", "-1", "nan", "inf", "1e999999", "1e-999999", "9" * 150, "true", '""', '"\\u0000"',
       "[]", "{}", "[[]]", "1979-05-27T07:32:00Z", "07:32:00", "2026-01-31", '"u8"', '"é"',
       "{ type = 1 }", "[1, [2]]", "0x7FFFFFFFFFFFFFFFFFFFFFFF", "-0.0", "=", "[", '"')


@st.composite
def mutated(draw: st.DrawFn) -> str:
    """A good schema with a few pieces of its lines replaced, dropped or doubled."""
    lines = draw(st.sampled_from(EXAMPLE_TEXTS)).splitlines()
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(lines) - 1))
        line = lines[at]
        match draw(st.sampled_from(("value", "value", "value", "key", "cut", "drop", "swap"))):
            case "value":
                places = [i for i, c in enumerate(line) if c == "="]
                if places:
                    start = draw(st.sampled_from(places)) + 1
                    rest = [i for i, c in enumerate(line) if i > start and c in ",}"]
                    end = draw(st.sampled_from(rest)) if rest else len(line)
                    line = f"{line[:start]} {draw(st.sampled_from(ODD))} {line[end:]}"
            case "key":
                line = line.replace(*draw(st.sampled_from((
                    ("type", "tpye"), ("group", "groups"), ("parameter", "x"), ("min", "max"),
                    ("scale", "offset"), ("members", "size"), ("default", "below")))))
            case "cut":
                line = line[: draw(st.integers(0, len(line)))]
            case "drop":
                line = ""
            case _:
                line, lines[0] = lines[0], line
        lines[at] = line
    return "\n".join(lines)


@given(mutated())
def test_damaged_schema_is_read_or_refused(text: str) -> None:
    """Whatever becomes of a good schema, it is read or refused with findings that help."""
    try:
        read(text)
    except FindingsError as error:
        lines = text.split("\n")
        for finding in error.findings:
            assert finding.help, finding.message
            if finding.span:
                assert 1 <= finding.span.line <= len(lines)
                assert 1 <= finding.span.column <= len(lines[finding.span.line - 1]) + 1


@given(st.dictionaries(
    st.sampled_from(("store", "group", "type", "name", "x", "part", "parameter", "role")),
    st.recursive(st.sampled_from(ODD[1:20]), lambda inner: st.dictionaries(
        st.sampled_from(("store", "a", "parameter", "type", "members", "x", "writes", "default")),
        inner, max_size=4).map(
            lambda d: "{ " + ", ".join(f"{k} = {v}" for k, v in d.items()) + " }"), max_leaves=9),
    max_size=4,
))
def test_any_structure_is_read_or_refused(data: dict[str, str]) -> None:
    """Tables of the wrong shape at any level are refused, and by our errors only."""
    try:
        read("\n".join(f"{k} = {v}" for k, v in data.items()))
    except ParamstoreError as error:
        assert str(error)


@pytest.mark.parametrize(("key", "bound"), [
    ("life_years", "0.1"), ("life_years", "200"), ("supply_v", "1.0"), ("temperature_c", "-40")])
def test_a_bound_is_within(key: str, bound: str) -> None:
    """A number that the message names is allowed."""
    text = ("[store]\nname = 'x'\npart = '24LC64'\n" + f"{key} = {bound}\n"
            "[group.a]\nrole = 'setting'\nwrites = '1 per day'\n[group.a.parameter]\n"
            "v = { type = 'u8' }\n")
    try:
        read_schema(SourceText("t.toml", text))
    except FindingsError as error:
        assert "is not within" not in str(error)


@pytest.mark.parametrize(("line", "code"), [
    ('type = "enum", storage = "f32", members = ["off", "on"], default = "nope"', "PS201"),
    ('type = "flags", storage = "i8", members = ["off", "on"], default = ["nope"]', "PS201"),
    ('type = "enum", members = ["off", "off"], default = "nope"', None),
    ('type = "enum", storage = "u8", members = [], default = "nope"', "PS210"),
])
def test_a_field_that_is_not_sound_is_told_once(line: str, code: str | None) -> None:
    """Nothing follows from members or a storage that are wrong: the default is not judged too."""
    text = ('[store]\nname = "demo"\npart = "24LC32A"\n[group.a]\nrole = "setting"\n'
            f'writes = "2 per week"\n[group.a.parameter]\nx = {{ {line} }}\n')
    with pytest.raises(FindingsError) as caught:
        read_schema(SourceText("demo.toml", text))
    codes = [f.code for f in caught.value.findings]
    assert 1 == len(codes) and code in (None, codes[0])
