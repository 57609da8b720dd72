"""The generated files: pure, golden, safe against any text, and true to the plan."""

from __future__ import annotations

import re
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings

from paramstore.core.checksum import crc32c
from paramstore.core.errors import FindingsError, SourceText
from paramstore.core.scalars import SCALARS
from paramstore.firmware.generate import TABLES_VERSION, generate, port_files, runtime_files
from paramstore.firmware.view import view_of
from paramstore.layout.place import make_plan
from paramstore.layout.plan import Plan
from paramstore.record import build_label, default_payload
from paramstore.schema.model import Field, Group, Kind, Parameter, Role, Schema, ValueLimits
from paramstore.schema.reader import read_schema
from tests.firmware.builds import EXAMPLES, example_plan
from tests.goldens import golden
from tests.record.plans import one, part, plan_of
from tests.strategies import schemas

GOLDEN = Path(__file__).parent / "golden"


def plan_with(*parameters: Parameter, group: str = "settings", store: str = "unit") -> Plan:
    """A plan of one group, for texts and names that the reader would refuse."""
    return plan_of(Schema(store, part(), (Group(group, 1, Role.SETTING, 1.0, parameters),)),
                   (2,), (0,))


def bytes_of(text: str, array: str) -> bytes:
    """The initialisers of a const array, comments aside."""
    body = re.search(rf" {array}\[\] = \{{(.*?)\}};", text, re.DOTALL)
    assert body is not None
    plain = re.sub(r"/\*.*?\*/", "", body[1], flags=re.DOTALL)
    return bytes(int(b, 16) for b in re.findall(r"0x([0-9A-F]{2})\b", plain))


@pytest.mark.parametrize("name", ["dimmer_params.h", "dimmer_params.c"])
def test_the_minimal_example_gives_the_golden_files(name: str) -> None:
    """Every change of the generated text is seen by whoever reviews it."""
    text = generate(example_plan("minimal"))[name]
    assert golden(GOLDEN / name, text) == text


@given(schemas())
@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_the_same_plan_gives_the_same_bytes(schema: Schema) -> None:
    """No clock, no user, no path, no order of a set goes into the files."""
    plan = make_plan(schema)
    assert generate(plan) == generate(make_plan(schema))


@given(schemas())
@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_tables_hold_what_the_codec_says(schema: Schema) -> None:
    """Defaults, label and CRC start are the bytes of the format, for any schema."""
    plan = make_plan(schema)
    text = generate(plan)[f"{schema.name}_params.c"]
    assert build_label(plan) == bytes_of(text, "label")
    for ring in plan.rings:
        assert default_payload(ring) == bytes_of(text, f"defaults_{ring.group.name}")
        # The register of a CRC-32C is the complement of the CRC so far, of store id and group id.
        lead = plan.store_id.to_bytes(4, "little") + bytes([ring.group.id])
        start = crc32c(lead) ^ 0xFFFF_FFFF
        assert f".crc_start = 0x{start:08X}u," in text


@pytest.mark.parametrize("name", EXAMPLES)
def test_files_carry_no_claim_but_the_owners(name: str) -> None:
    """The files belong to the owner of the schema, and say so in one line."""
    for text in generate(example_plan(name)).values():
        assert 1 == text.count("belongs to the owner of the schema")
        assert not re.search(r"copyright|licen[cs]e|spdx", text, re.IGNORECASE)


@pytest.mark.parametrize("name", EXAMPLES)
def test_lines_are_clean(name: str) -> None:
    """No trailing blanks, no tabs, one line end at the end."""
    for text in (*generate(example_plan(name)).values(), *runtime_files().values(),
                 *port_files().values(), *port_files(linux=True).values()):
        assert text.endswith("\n") and not text.endswith("\n\n")
        assert all(line == line.rstrip() and "\t" not in line for line in text.split("\n"))


def test_tables_and_runtime_have_the_same_version() -> None:
    """The generator writes the number that the runtime beside it has."""
    header = runtime_files()["paramstore.h"]
    assert f"#define PS_TABLES_VERSION {TABLES_VERSION}\n" in header


def test_every_file_names_itself_in_its_first_line() -> None:
    """By its first line `paramstore generate` knows a file as one of ours."""
    for name, text in (generate(example_plan("large")) | runtime_files() | port_files()
                       | port_files(linux=True)).items():
        assert text.startswith(f"/* {name}: ")


def test_equal_limits_are_stored_once() -> None:
    """A hundred booleans cost two bytes of limits."""
    flags = [one(f"f{i}", "u8", 0, kind=Kind.BOOL, limits=ValueLimits(((0, 1),))) for i in range(5)]
    text = generate(plan_with(*flags))["unit_params.c"]
    assert b"\x00\x01" == bytes_of(text, "limits")


@pytest.mark.parametrize(("scalar", "low", "high", "expected"), [
    ("u16", 1, 0x0203, "0001 0203"),
    ("i8", -5, 5, "7b 85"),
    ("i32", -2, 1, "7ffffffe 80000001"),
    ("f32", -1.0, 1.0, "40800000 bf800000"),  # 1.0 is 3f800000: IEEE 754
    ("f32", -0.0, 2.0, "80000000 c0000000"),
])
def test_limits_are_keys_that_order_like_numbers(scalar: str, low: float, high: float,
                                                 expected: str) -> None:
    """Compared byte by byte they order as the values do; -0.0 is 0.0."""
    field = one("a", scalar, 0, limits=ValueLimits(((low, high),)))
    text = generate(plan_with(field))["unit_params.c"]
    assert bytes.fromhex(expected) == bytes_of(text, "limits")


def test_limits_of_the_whole_type_cost_nothing() -> None:
    """An integer whose range is its type's needs no limits; a float always has them."""
    whole = ValueLimits(((0, 65535),))
    text = generate(plan_with(one("a", "u16", 0, limits=whole)))["unit_params.c"]
    assert "limits[]" not in text


def test_a_bool_is_always_limited() -> None:
    """A byte beyond 1 must never reach a C bool, even if the model sets no limits."""
    view = view_of(plan_with(one("on", "u8", 0, kind=Kind.BOOL)))
    assert (1, 0) == (view.fields[0].range_count, view.fields[0].limits_at)


@pytest.mark.parametrize(("scale", "offset", "expected"), [
    ("0.01", "0", "(float)raw / 100.0f"),
    ("0.5", "-40", "(float)whole / 2.0f"),
    ("-2", "273.15", "(float)whole / 20.0f"),
    ("1e-11", "0", "(double)raw / 100000000000.0"),
])
def test_a_scaled_integer_has_a_conversion(scale: str, offset: str, expected: str) -> None:
    """Raw to physical is one division of exact numbers, in double where float is too narrow."""
    scaled = one("a", "u16", 0, scale=Decimal(scale), offset=Decimal(offset))
    text = generate(plan_with(scaled))["unit_params.h"]
    assert f"return {expected};" in text


# ---- What cannot become C -----------------------------------------------------------------------


def codes_of(plan: Plan) -> list[str]:
    """The codes of the findings that generating a plan gives."""
    with pytest.raises(FindingsError) as caught:
        generate(plan)
    return [finding.code for finding in caught.value.findings]


def test_two_things_with_one_name_are_refused_with_both_places() -> None:
    """Joined names may meet: the finding points at one and at the other."""
    source = SourceText("s.toml", """
[store]
name = "unit"
part = "24LC32A"
[group.a]
role = "setting"
writes = "1 per day"
[group.a.parameter]
b_c = { type = "u8" }
[group.a_b]
role = "setting"
writes = "1 per day"
[group.a_b.parameter]
c = { type = "u8" }
""")
    schema, _ = read_schema(source)
    with pytest.raises(FindingsError) as caught:
        generate(make_plan(schema))
    first, = caught.value.findings  # they meet in many names, and are told once
    assert "PS701" == first.code
    assert "`a_b.c` and `a.b_c` both become `UNIT_A_B_C` in C" == first.message
    assert source is first.source and first.span is not None
    assert (14, 9) == (first.span.line, first.also[0][0].line)


@pytest.mark.parametrize("store", ["size", "uint8", "ps", "static"])
def test_a_store_may_not_take_the_name_of_a_standard_type(store: str) -> None:
    """`size_t`, `ps_init` and `static_...` are taken; `static` alone is not."""
    plan = plan_with(one("a", "u8", 0), store=store)
    if store == "static":
        assert generate(plan)
    else:
        assert {"PS701"} == set(codes_of(plan))


def test_an_enumeration_with_too_many_gaps_is_refused() -> None:
    """The tables count ranges in a byte."""
    field = Field("e", Kind.ENUM, SCALARS["u16"], 1, (0,),
                  limits=ValueLimits(tuple((n, n) for n in range(0, 1000, 2))))
    assert ["PS702"] == codes_of(plan_with(Parameter("e", Kind.ENUM, (field,))))


def test_values_beyond_64_kib_are_refused() -> None:
    """Offsets in the values struct have 16 bits."""
    big = one("a", "u8", *bytes(33000), kind=Kind.BYTES)
    schema = Schema("unit", part(1 << 18, 256), tuple(
        Group(f"g{i}", i, Role.SETTING, 1.0, (big,)) for i in (1, 2)))
    assert ["PS702"] == codes_of(plan_of(schema, (2, 2), (0, 0)))


@given(schemas(max_parameters=2))
@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_docs_never_break_the_c(schema: Schema) -> None:
    """With comments taken out nothing of a doc or a unit is left."""
    nasty = "*/ int pwned; /* ??/\n \\"
    groups = tuple(
        replace(g, doc=nasty, parameters=tuple(
            replace(p, doc=nasty, fields=tuple(replace(f, unit=nasty) for f in p.fields))
            for p in g.parameters))
        for g in schema.groups
    )
    plan = make_plan(replace(schema, doc=nasty, groups=groups))
    files = generate(plan)
    assert "pwned" in files[f"{schema.name}_params.h"]
    for text in files.values():
        assert "pwned" not in re.sub(r"/\*.*?\*/", "", text, flags=re.DOTALL)
