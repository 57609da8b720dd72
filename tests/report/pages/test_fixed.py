"""Pages of fixed layouts: sound markup, every byte beside its meaning, values that light it up."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from paramstore.core.disk import read_text
from paramstore.core.errors import SourceText
from paramstore.files import binary
from paramstore.inspect.fixed import FixedExamination, examine_fixed
from paramstore.report.pages.fixed import fixed_page, layout_page
from paramstore.schema.fixed.model import FixedLayout
from paramstore.schema.fixed.reader import read_layout
from tests.report.pages.markup import Markup, faults
from tests.schema.fixed.legacy import legacy

ROOT = Path(__file__).parents[3]
EDID, _ = read_layout(read_text(ROOT / "schemas" / "edid.fixed.toml"))
LEGACY, _ = read_layout(read_text(ROOT / "schemas" / "tank_probe.fixed.toml"))
SUN = (ROOT / "tests" / "data" / "edid-sun-gh19ps.bin").read_bytes()


def examined(layout: FixedLayout, image: bytes) -> FixedExamination:
    return examine_fixed(binary.read(image, "unit.bin"), layout)


@pytest.mark.parametrize("layout", [EDID, LEGACY], ids=lambda x: x.name)
def test_page_of_a_layout(layout: FixedLayout) -> None:
    """It is well formed, and has every parameter and checksum with its place."""
    page = layout_page(layout)
    assert [] == faults(page)
    things = sum(len(g.items) + len(g.checks) for g in layout.groups)
    rows = {a["data-k"] for a in Markup(page).all("tr") if "data-k" in a}
    beads = {key for a in Markup(page).all("span") for key in a.get("data-k", "").split()}
    assert things == len(rows)
    assert rows == beads  # the byte map has all of them


@pytest.mark.parametrize("image", [SUN, SUN * 2, SUN[:40], b"\xff" * 128, bytes(128)],
                         ids=["real", "long", "short", "blank", "zeros"])
def test_page_of_a_dump(image: bytes) -> None:
    """Real, long, short, blank or foreign: well formed, with every byte at its address."""
    page = fixed_page(examined(EDID, image))
    assert [] == faults(page)
    shown: dict[int, int] = {}
    for at, row in re.findall(r'<tr data-at="(\d+)">(.*?)</tr>', page, re.DOTALL):
        data = bytes.fromhex(" ".join(re.findall(r"<i [^>]*>([^<]*)</i>", row)))
        shown |= dict(enumerate(data, int(at)))
    assert shown == {at: image[at] for at in shown}
    if image[:128] == SUN:
        assert list(range(128)) == sorted(shown)


def test_values_point_at_their_bytes() -> None:
    """A split value and each of its bytes have a key in common; a shared byte has all of its."""
    page = fixed_page(examined(EDID, SUN))
    rows = re.findall(r'<tr data-k="(t\d+)"[^>]*><th scope="row"><bdi>h_active<', page)
    (key,) = rows
    runs = re.findall(r'<i [^>]*data-k="([^"]*)">([^<]*)</i>', page)
    assert ["00", "51"] == [text for keys, text in runs if key in keys.split()]
    assert [2] == [len(keys.split()) for keys, text in runs if key in keys.split()][1:]


def test_what_is_wrong_is_marked() -> None:
    """A wrong checksum and a value outside its limits are marked where they stand."""
    image = bytearray(legacy(ph_low=200))
    image[16] ^= 1
    page = fixed_page(examined(LEGACY, bytes(image)))
    wrong = re.findall(r'class="wrong"><th scope="row"><bdi>(\w+)<', page)
    assert ["crc", "ph_low"] == wrong
    assert {"PS670", "PS614"} == {c for c in ("PS670", "PS614", "PS671") if c in page}


def test_holes_are_shown() -> None:
    """Short holes stand among the bytes, long ones are folded or told in a line."""
    page = fixed_page(examined(LEGACY, legacy()))
    assert "not described" in page
    text = '[fixed]\nname = "a"\nsize = 400\n[group.g.parameter]\nx = { type = "u8", at = 200 }\n'
    layout, _ = read_layout(SourceText("a.toml", text))
    page = fixed_page(examined(layout, b"\xff" * 201 + bytes(range(199))))
    assert "0x0000 to 0x00C7: not described, erased" in page
    assert "<summary>0x00C9 to 0x018F: not described</summary>" in page


def test_texts_stay_text() -> None:
    """Nothing of a schema or a dump becomes markup."""
    text = ('[fixed]\nname = "a"\nsize = 16\ndoc = "<script>alert(1)</script>"\n'
            '[group.g]\ndoc = "<b id=x>"\n[group.g.parameter]\n'
            'x = { type = "text", at = 0, size = 16, doc = "</td><img src=y>" }\n')
    layout, _ = read_layout(SourceText("a.toml", text))
    for page in (layout_page(layout), fixed_page(examined(layout, b"<img src=z>\x1b[1m"))):
        assert [] == faults(page)
        assert "<img" not in page and "<script>alert" not in page and "\x1b" not in page


@given(st.binary(min_size=1, max_size=200))
def test_any_dump_makes_a_sound_page(image: bytes) -> None:
    """Whatever the bytes are, the page is well formed."""
    assert [] == faults(fixed_page(examined(LEGACY, image)))
