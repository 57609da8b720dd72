"""The page of a plan: what it says, and that nothing in a schema can break it."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings

from paramstore.core.errors import SourceText
from paramstore.layout.figures import figures
from paramstore.layout.place import make_plan
from paramstore.layout.plan import Plan
from paramstore.report.pages.plan import plan_page
from paramstore.schema.model import Schema
from paramstore.schema.reader import load_schema, read_schema
from tests.inspect.scenes import PLAN
from tests.report.pages.markup import Markup, faults
from tests.strategies import schemas

EXAMPLES = ("minimal", "tank_probe", "large")


def example(name: str) -> Plan:
    return make_plan(load_schema(f"schemas/{name}.toml")[0])


@pytest.mark.parametrize("name", EXAMPLES)
def test_examples_make_sound_pages(name: str) -> None:
    """The page of each example is well formed, labelled, and takes nothing from outside."""
    assert [] == faults(plan_page(example(name)))


def test_every_group_and_field_is_there() -> None:
    """Each group has its place and its life, each field its address, limits and unit."""
    page = Markup(plan_page(PLAN))
    for ring in PLAN.rings:
        assert ring.group.name in page.text
        assert f"0x{ring.address(0):04X}" in page.text
        for placed in ring.fields:
            assert placed.field.name in page.text
            assert f"0x{ring.address(0) + 5 + placed.offset:04X}" in page.text
    assert "1 to 3600 s" in page.text
    assert "off, auto, manual" in page.text
    assert "any of low, high" in page.text


def test_figures_are_those_of_the_plan() -> None:
    """Life, commit and mount of each group stand as `layout.figures` has them."""
    page = Markup(plan_page(PLAN))
    for figure in figures(PLAN).rings:
        assert f"{figure.commit_ms:.1f}" in page.text
        assert f"{figure.commits:,} commits" in page.text


def test_what_lights_up_together_has_one_key() -> None:
    """Each part of a record in a map has the key of its row, and of nothing else."""
    page = Markup(plan_page(PLAN))
    rows = [a["data-k"] for a in page.all("tr") if "data-k" in a]
    beads = {a["data-k"]: a["title"] for a in page.all("span") if "." in a.get("data-k", "")}
    assert len(rows) == sum(len(r.fields) for r in PLAN.rings)
    assert set(rows) <= set(beads)
    assert beads[rows[0]].startswith("serial: 4 bytes")


def test_a_hostile_schema_stays_text() -> None:
    """Markup and direction characters in a schema are shown, never obeyed."""
    doc = "</script><script>alert(1)</script> <b onclick=x>&amp; \u202etxet \u2066a {{ 7*7 }}"
    source = SourceText("x.toml", f'''
[store]
name = "odd"
doc = {doc!r}
part = "24LC32A"
[group.a]
role = "setting"
writes = "1 per day"
doc = {doc!r}
[group.a.parameter]
x = {{ type = "u8", unit = "<i>", doc = {doc!r} }}
y = {{ type = "text", size = 40, default = "--></style><img src=x>" }}
'''.replace("\\u202e", "\\u202e"))
    page = plan_page(make_plan(read_schema(source)[0]))
    assert [] == faults(page)
    assert 3 == page.count("&lt;/script&gt;&lt;script&gt;alert(1)")
    assert "\u202e" not in page and "\\u202etxet" in page
    assert 3 == page.count("{{ 7*7 }}")
    assert [] == Markup(page).all("img")


@settings(max_examples=15, suppress_health_check=[HealthCheck.too_slow])
@given(schemas())
def test_any_plan_makes_a_sound_page(schema: Schema) -> None:
    """Whatever the schema, the page is well formed."""
    assert [] == faults(plan_page(make_plan(schema)))


def test_no_hold_up_without_room() -> None:
    """A supply at the least voltage of the part has no picture of its fall, and says so."""
    plan = make_plan(replace(PLAN.schema, supply_v=2.5, bus_khz=100))
    page = plan_page(plan)
    assert [] == faults(page)
    assert "no capacitor can end a page write" in page
