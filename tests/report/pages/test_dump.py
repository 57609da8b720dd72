"""The page of a dump: states, damage, values and bytes in place, and nothing of a dump obeyed."""

from __future__ import annotations

import random
import re
from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from paramstore.files.forms import FORMS, read_dump
from paramstore.image.pack import pack
from paramstore.inspect.store import examine_store
from paramstore.inspect.which import Candidate
from paramstore.report.bytes import bytes_text
from paramstore.report.pages.dump import dump_page
from paramstore.verify.eeprom.faults import Tear, Torn
from tests.inspect.scenes import PLAN, cut_commit
from tests.report.pages.markup import Markup, faults
from tests.report.pages.samples import examined, example, full_rack, used_probe

PROBE = example("tank_probe")
SCENE = cut_commit("settings", 6, 0, Tear(Torn.PREFIX, 12))


def page_of(image: bytes) -> Markup:
    return Markup(dump_page(examined(PLAN, image)))


@pytest.mark.parametrize("image", [used_probe(), bytes(4096), b"\xff" * 4096, used_probe()[:100],
                                   used_probe() + b"\xff" * 4096],
                         ids=["used", "zeros", "blank", "short", "long"])
def test_pages_are_sound(image: bytes) -> None:
    """Used, blank, foreign, short or long: the page is well formed and labelled."""
    assert [] == faults(dump_page(examined(PROBE, image)))


def test_every_byte_of_a_written_slot_is_there() -> None:
    """The byte view gives each written slot and the labels byte by byte, at the right address."""
    shown: dict[int, int] = {}
    for at, row in re.findall(r'<tr data-at="(\d+)">(.*?)</tr>', dump_page(
            examined(PROBE, used_probe())), re.DOTALL):
        data = bytes.fromhex(" ".join(re.findall(r"<i [^>]*>([^<]*)</i>", row)))
        shown |= dict(enumerate(data, int(at)))
    image = used_probe()
    assert {at: image[at] for at in shown} == shown
    written = {at for r in PROBE.rings for slot in range(r.slots)
               for at in range(r.address(slot), r.address(slot) + r.slot_pages * r.page_bytes)
               if image[r.address(slot):r.address(slot) + r.record_bytes].strip(b"\xff")}
    assert written <= set(shown)


def test_a_torn_slot_tells_its_bytes() -> None:
    """Which bytes are new and which old stands in words, and on the bytes themselves."""
    page = page_of(SCENE.image)
    assert "torn" in page.text and "of the record being written" in page.text
    origins = [a["data-o"] for a in page.all("i") if "data-o" in a]
    assert {"new", "same", "old"} == set(origins)
    assert f"0x{SCENE.address:04X}" in page.text


def test_values_point_at_their_bytes() -> None:
    """Each parameter of the newest record links to the row where its bytes begin, and shares its
    key with them."""
    page = page_of(SCENE.image)
    rows = [a["data-k"] for a in page.all("tr") if "data-k" in a]
    assert len(PLAN.ring("settings").fields) == len(rows)
    assert set(rows) <= {a["data-k"] for a in page.all("i") if "data-k" in a}
    targets = {a["id"]: a["data-k"] for a in page.all("span") if "id" in a}
    links = [a["href"][1:] for a in page.all("a") if a["href"][1:] in targets]
    assert rows == [targets[link] for link in links]


def test_history_tells_what_changed() -> None:
    """Commits stand the newest first, with what each changed."""
    text = " ".join(Markup(dump_page(examined(PROBE, used_probe()))).text.split())
    assert '"north 1" →became "north 2"' in text
    settings = text[text.index("What each commit of settings changed"):]
    assert settings.index('"north 2"') < settings.index("the oldest that can be read")


def test_findings_are_all_there() -> None:
    """Whatever `examine` finds stands on the page, errors first."""
    found = examined(PROBE, used_probe())
    page = Markup(dump_page(found))
    for finding in found.findings:
        assert finding.code in page.text
    assert "Something is lost or damaged: 1 error, 2 warnings." in page.text
    assert page.text.index("Error") < page.text.index("Warning")


def test_values_outside_their_limits_are_marked() -> None:
    """A value that breaks the schema says so beside its limits."""
    from paramstore.record import build_record, encode_body
    ring = PLAN.ring("settings")
    record = build_record(PLAN, ring, 8, encode_body(ring, {"interval": (5000,)}))
    image = bytearray(SCENE.image)
    image[ring.address(3):ring.address(3) + len(record)] = record
    page = page_of(bytes(image))
    assert "outside its limits" in page.text and "5000 s" in page.text
    assert 1 == sum(a.get("class") == "wrong" for a in page.all("tr"))


def test_what_a_dump_leaves_out_is_not_shown_as_erased() -> None:
    """Bytes that a dump does not give stand as `--`; slots without any are not called erased."""
    ring = PLAN.ring("settings")
    text = "\n".join(f"{at:04X}: {SCENE.image[at:at + 16].hex(' ')}"
                     for at in range(0, 4096, 16)
                     if at != ring.address(0) + 16 and not 0x40 <= at < 0x80)
    found = examine_store(read_dump(text.encode(), "log.txt", FORMS["text"]),
                    (Candidate("schema.toml", PLAN),))
    page = dump_page(found)
    assert [] == faults(page)
    assert "-- -- -- --" in page
    assert "slots 0 to 1: not in the dump" in page and "slot 2: erased" in page


def test_names_of_files_stay_text() -> None:
    """A file may be called anything."""
    found = examined(PROBE, used_probe(), "<img src=x onerror=alert(1)>\u202e.bin")
    page = dump_page(found)
    assert [] == faults(page)
    assert [] == Markup(page).all("img") and "\u202e" not in page


def test_texts_of_a_dump_stay_text() -> None:
    """A text parameter may hold anything."""
    ring = PROBE.ring("settings")
    assert ring.group.parameter("label").size == 16
    text = "</td><script>\u202e".encode().ljust(16, b"\0")
    image = pack(PROBE, {"settings": {"label": tuple(text)}}, defaults=True)
    page = dump_page(examined(PROBE, image))
    assert [] == faults(page)
    assert "&lt;/td&gt;&lt;script&gt;" in page and "\u202e" not in page


def test_a_large_part_stays_a_small_page() -> None:
    """A part of 128 KB, written throughout, makes a page of at most nine characters for each of
    its bytes, and bytes without a meaning make no elements."""
    page = dump_page(examined(example("large"), full_rack()))
    assert [] == faults(page)
    assert len(page) < 9 * 131072
    assert len(Markup(page).elements) < 25_000


def test_an_erased_part_is_told_in_a_few_lines() -> None:
    """Erased slots and free pages take a line each, however many they are."""
    plan = example("large")
    page = Markup(dump_page(examined(plan, pack(plan, {}, defaults=True))))
    assert "slots 1 to 108: erased" in page.text
    assert "768 pages free" in page.text


@settings(max_examples=25, suppress_health_check=[HealthCheck.too_slow])
@given(st.integers(0, 2**32), st.sampled_from(["flip", "page", "noise", "copy"]))
def test_any_damage_makes_a_sound_page(seed: int, kind: str) -> None:
    """Whatever a dump holds, the page is well formed."""
    chance, image = random.Random(seed), bytearray(SCENE.image)
    for _ in range(chance.randrange(1, 30)):
        at = chance.randrange(0, 4096, 32)
        match kind:
            case "flip":
                image[at + chance.randrange(32)] ^= 1 << chance.randrange(8)
            case "page":
                image[at:at + 32] = bytes([chance.choice((0, 255))]) * 32
            case "noise":
                image[at:at + 32] = chance.randbytes(32)
            case _:
                other = chance.randrange(0, 4096, 32)
                image[at:at + 32] = image[other:other + 32]
    assert [] == faults(dump_page(examined(PLAN, bytes(image))))


def test_a_long_path_has_a_line_of_its_own() -> None:
    """A path breaks between its folders, not within a name; a long one has the whole width."""
    path = "/".join(["a_folder_with_a_long_name"] * 9)
    page = dump_page(examined(PLAN, SCENE.image, path))
    assert f'<div class="long"><dt>File</dt><dd><bdi>{path.replace("/", "/<wbr>")}</bdi>' in page
    assert '<div><dt>Schema</dt><dd><bdi>schema.toml</bdi>' in page


def test_marks_beside_a_ring_are_explained() -> None:
    """Both shapes that stand beside rings are told in words, once, before the first ring."""
    page = dump_page(examined(PLAN, SCENE.image))
    told, rings = page.index("Beside a ring"), page.index('<svg class="ring"')
    line = page[told:page.index("</p>", told)]
    assert told < rings
    for shape in ("newest", "following"):
        assert f'href="#shape-{shape}"' in line and f'href="#shape-{shape}"' in page[rings:]


def test_a_release_of_a_later_series_is_told_as_such() -> None:
    """The label has release and series in one number: the page tells both."""
    plan = example("minimal")
    plan = replace(plan, schema=replace(plan.schema, series=1), release=2)
    text = " ".join(Markup(dump_page(examined(plan, pack(plan, {}, defaults=True)))).text.split())
    assert "release 2, series 1" in text
    assert str(0x1002) not in text  # FORMAT.md, 2: the series is in the highest four bits


def changed_bytes(page: str) -> dict[int, str]:
    """The bytes of a page that are marked as changed, by address."""
    found = {}
    for at, row in re.findall(r'<tr data-at="(\d+)">(.*?)</tr>', page, re.DOTALL):
        address = int(at)
        for attributes, text in re.findall(r"<i ([^>]*)>([^<]*)</i>", row):
            for byte in text.split():
                if 'data-o="changed"' in attributes:
                    found[address] = byte
                address += 1
    return found


@pytest.mark.parametrize("copies", [(0,), (1,), (0, 1)])
def test_damaged_bytes_of_a_label_are_marked(copies: tuple[int, ...]) -> None:
    """A byte that is not as the other copy, or the label of the store, has it stands out; words say
    so as well."""
    image = bytearray(pack(PROBE, {}, defaults=True))
    spoilt = {PROBE.label_address(copy) + 9 + copy for copy in copies}
    for at in spoilt:
        image[at] ^= 0x10
    page = dump_page(examined(PROBE, bytes(image)))
    assert [] == faults(page)
    assert {at: f"{image[at]:02X}" for at in spoilt} == changed_bytes(page)
    assert "not as in " in Markup(page).text


def test_an_erased_label_has_no_damaged_bytes() -> None:
    """What was never written is erased, not damaged byte by byte."""
    image = bytearray(pack(PROBE, {}, defaults=True))
    first = PROBE.label_address(1)
    image[first:first + PROBE.label_bytes] = b"\xff" * PROBE.label_bytes
    assert {} == changed_bytes(dump_page(examined(PROBE, bytes(image))))


def test_a_flipped_bit_of_a_record_is_marked() -> None:
    """So does the byte of a record whose bit would mend it."""
    ring = PROBE.ring("settings")
    image = bytearray(pack(PROBE, {"settings": {"interval": (20,)}}))
    newest = next(slot for slot in range(ring.slots) if image[ring.address(slot)] != 0xFF)
    at = ring.address(newest) + 8
    image[at] ^= 4
    assert {at: f"{image[at]:02X}"} == changed_bytes(dump_page(examined(PROBE, bytes(image))))


def test_the_map_stands_before_the_list_of_findings() -> None:
    """However many findings there are: the verdict and the page map come first."""
    page = dump_page(examined(PROBE, used_probe()))
    places = [page.index(piece) for piece in (
        'class="verdict"', '<section id="map"', '<section id="findings"', '<ol class="findings"')]
    assert sorted(places) == places


def test_text_and_page_mark_the_same_bytes_of_a_label() -> None:
    """The hex dump in text says of the same bytes that they were changed."""
    image = bytearray(pack(PROBE, {}, defaults=True))
    image[PROBE.label_address(1) + 9] ^= 0x10
    found = examined(PROBE, bytes(image))
    (at,) = changed_bytes(dump_page(found))
    assert f"({at:04X} changed)" in bytes_text(found)
