"""EDID, a published standard, read by the schema that ships: three real displays, known values.

Expected values: the decoder text of linuxhw/EDID and edid-decode 0.1~git20220315 (Debian), see
`tests/data/README.md`. Timings: VESA DMT and CVT (from memory), which the displays quote.
"""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from paramstore.core.disk import read_text
from paramstore.schema.fixed.contents import read_image
from paramstore.schema.fixed.found import FixedContents, GroupPresence
from paramstore.schema.fixed.reader import read_layout
from paramstore.schema.from_raw import from_raw
from paramstore.schema.keys import is_fixed

ROOT = Path(__file__).parents[3]
LAYOUT, WARNINGS = read_layout(read_text(ROOT / "schemas" / "edid.fixed.toml"))
DUMPS = {name: (ROOT / "tests" / "data" / f"edid-{name}.bin").read_bytes()
         for name in ("sun-gh19ps", "goldstar-ite6604", "acer-p1276")}


def contents(name: str) -> FixedContents:
    return read_image(LAYOUT, DUMPS[name])


def value(found: FixedContents, place: str) -> object:
    """The physical value of GROUP.PARAMETER; None where there is none."""
    group, _, parameter = place.partition(".")
    side = found.group(group)
    raws = side.values.get(parameter)
    return None if raws is None else from_raw(side.group.parameter(parameter).fields[0], raws)


def test_the_schema_is_sound() -> None:
    """The schema that ships gives no finding and is told from that of a store."""
    assert () == WARNINGS
    assert [True, False] == [is_fixed(read_text(ROOT / "schemas" / f"{name}.toml"))
                             for name in ("edid.fixed", "tank_probe")]


@pytest.mark.parametrize(("name", "expected"), {
    "sun-gh19ps": ("SUN", 1420, 26628685, 32, 2004, 3, 38, 30, Decimal("2.2"), 0),
    "goldstar-ite6604": ("GSM", 30310, 16843009, 1, 2012, 4, 70, 39, Decimal("2.2"), 1),
    "acer-p1276": ("ACR", 5654, 4926, 23, 2013, 3, None, None, 1, 1),
}.items())
def test_head(name: str, expected: tuple[object, ...]) -> None:
    """Maker, product, serial number, date, version, size and gamma are those of edid-decode."""
    found = contents(name)
    places = ("product.maker", "product.code", "product.serial", "product.week", "product.year",
              "block.revision", "display.width", "display.height", "display.gamma",
              "block.extensions")
    assert [*expected] == [value(found, place) for place in places]


@pytest.mark.parametrize(("name", "texts"), {
    "sun-gh19ps": {"name_3": "GH19PS", "serial_4": "0432MR0406"},
    "goldstar-ite6604": {"name_3": "ITE6604"},
    "acer-p1276": {"name_3": "P1276", "serial_4": "JGG110015900"},
}.items())
def test_texts(name: str, texts: dict[str, str]) -> None:
    """A descriptor is a text where its tag says so, and nowhere else."""
    found = contents(name)
    there = {g.group.name: value(found, f"{g.group.name}.text") for g in found.groups
             if g.presence is GroupPresence.THERE and "text" in g.values}
    assert texts == there


@pytest.mark.parametrize(("name", "stored"), {
    "sun-gh19ps": 0x21, "goldstar-ite6604": 0xD0, "acer-p1276": 0xA2}.items())
def test_checksum(name: str, stored: int) -> None:
    """The checksum is the one that edid-decode shows, and right."""
    (result,) = contents(name).group("block").checks
    assert (stored, stored) == (result.stored, result.computed)


@pytest.mark.parametrize(("name", "timing"), {
    # 1280 x 1024 at 60 Hz: VESA DMT
    "sun-gh19ps": ("108.00", 1280, 408, 1024, 42, 48, 112, 1, 3, 380, 300),
    # 1920 x 1080 at 60 Hz with reduced blanking: VESA CVT
    "goldstar-ite6604": ("138.50", 1920, 160, 1080, 31, 48, 32, 3, 5, 1000, 550),
    # 1024 x 768 at 60 Hz: VESA DMT
    "acer-p1276": ("65.00", 1024, 320, 768, 38, 24, 136, 3, 6, 0, 0),
}.items())
def test_split_values(name: str, timing: tuple[str | int, ...]) -> None:
    """The detailed timing, whose numbers are split over several bytes, is the published one."""
    found = contents(name)
    places = ("clock", "h_active", "h_blank", "v_active", "v_blank", "h_porch", "h_sync", "v_porch",
              "v_sync", "width", "height")
    assert [Decimal(timing[0]), *timing[1:]] == [value(found, f"timing_1.{p}") for p in places]


def test_chromaticity() -> None:
    """Ten bits split over two bytes: white of the Sun display is D65, x 0.313 and y 0.329."""
    found = contents("sun-gh19ps")
    white = [float(str(value(found, f"chromaticity.white_{axis}"))) for axis in "xy"]
    assert white == pytest.approx([0.3127, 0.3290], abs=0.002)


def test_alternatives() -> None:
    """Bit 7 of byte 20 and the revision decide how the bits beside it are read."""
    inputs = {name: [g.group.name for g in contents(name).groups
                     if g.group.name in ("analog", "digital_3", "digital_4")
                     and g.presence is GroupPresence.THERE] for name in DUMPS}
    assert {"sun-gh19ps": ["digital_3"], "goldstar-ite6604": ["digital_4"],
            "acer-p1276": ["analog"]} == inputs


@given(st.sampled_from(sorted(DUMPS)), st.integers(0, 126), st.integers(1, 255))
def test_one_wrong_byte_shows(name: str, address: int, change: int) -> None:
    """A sum that must be zero finds every change of a single byte."""
    data = bytearray(DUMPS[name])
    data[address] ^= change
    (result,) = read_image(LAYOUT, bytes(data)).group("block").checks
    assert not result.right


@given(st.binary(max_size=300))
def test_any_bytes_are_read(data: bytes) -> None:
    """Whatever the bytes are and however few: what is read lies in the image."""
    found = read_image(LAYOUT, data)
    for group in found.groups:
        for name in (*group.values, *group.unset):
            item = group.group.item(name)
            assert all(b.address < len(data) for place in item.places for b in place)
