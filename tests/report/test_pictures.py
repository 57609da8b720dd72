"""Pictures of plans and dumps: they show every page, and nothing of an input is obeyed in them."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree

import pytest
from hypothesis import given, settings

from paramstore.core.errors import FindingsError
from paramstore.inspect.regions import RegionKind
from paramstore.inspect.store_places import StorePlaces
from paramstore.layout.place import make_plan
from paramstore.report.page_map import cells
from paramstore.report.pictures import dump_svg, plan_svg
from paramstore.schema.model import Schema
from tests.inspect.scenes import PLAN
from tests.inspect.test_examine import examined
from tests.programs.pictures import made
from tests.strategies import schemas

SVG = "{http://www.w3.org/2000/svg}"


def _boxes(text: str) -> list[ElementTree.Element]:
    """The squares of pages: those that tell what they are."""
    return [r for r in ElementTree.fromstring(text).iter(f"{SVG}rect") if r.find(f"{SVG}title")
            is not None]


@given(schemas())
@settings(max_examples=40)
def test_every_used_page_has_a_square(schema: Schema) -> None:
    """Of every plan: as many squares of label, rings and retired groups as there are pages."""
    try:
        plan = make_plan(schema)
    except FindingsError:
        return
    used = sum(cell.region.kind is not RegionKind.FREE for cell in cells(StorePlaces(plan)))
    free = [b for b in _boxes(plan_svg(plan)) if b.get("class") == "free"]
    assert used == len(_boxes(plan_svg(plan))) - len(free)


def test_what_is_wrong_is_told_beside_the_map() -> None:
    """A changed byte in the only record of a group: a red frame, and its cause in words."""
    image = bytearray(b"\xff" * PLAN.part.capacity)
    text = dump_svg(examined(bytes(image)))
    assert "No slot is damaged." in text and 'class="bad"' not in text


@pytest.mark.parametrize(("path", "text"), list(made()), ids=lambda x: x.name if isinstance(x, Path)
                         else "")
def test_the_pictures_of_the_readme_are_current(path: Path, text: str) -> None:
    """What the documents show is what the commands draw today."""
    assert path.read_text("utf-8") == text


def test_the_damaged_dump_is_told_in_the_picture() -> None:
    """Both faults of the shipped damaged dump: a cut commit and a changed bit."""
    svg = {path.name: text for path, text in made()}["dump.svg"]
    words = " ".join(t.text or "" for t in ElementTree.fromstring(svg).iter(f"{SVG}text"))
    assert "settings, slot 0: torn: the write of record 4 was cut" in words
    assert "counters, slot 5: bit-flipped: record 6 with one bit changed" in words
    assert 4 + 2 == svg.count('class="bad"')
