"""What a part holds, as a text in the records."""

from __future__ import annotations

import pytest

from paramstore.image.contents import unpack
from paramstore.image.pack import complete, pack
from paramstore.production.held import held_of, read_held
from tests.production.jobs import plan

PLAN = plan()


def test_what_a_part_holds_comes_back() -> None:
    """Values, copies, and groups without a record."""
    image = bytearray(pack(PLAN, {"trim": {"low": (20,)}}, defaults=True))
    ring = PLAN.ring("settings")
    image[ring.address(0):ring.address(ring.slots)] = b"\xff" * (
        ring.pages * ring.page_bytes)
    image[PLAN.ring("trim").address(0) + 6] ^= 1
    held = read_held(held_of(unpack(PLAN, bytes(image))))
    full = complete(PLAN, {"trim": {"low": (20,)}})
    assert {"identity": full["identity"], "trim": full["trim"], "settings": {}} == {
        name: dict(group.raws) for name, group in held.items()}
    assert {"identity": True, "trim": False, "settings": False} == {
        name: group.whole for name, group in held.items()}
    assert (1, 2) == (held["trim"].copies, held["trim"].wanted)


@pytest.mark.parametrize("text", [
    "", "{", "[]", "7", "null", '{"a": 1}', '{"a": {}}', "[" * 100_000,
    '{"a": {"raws": {"b": ["<script>"]}, "copies": 1, "wanted": 1}}',
    '{"a": {"raws": {"b": 5}, "copies": 1, "wanted": 1}}',
    '{"a": {"raws": {}, "copies": "x", "wanted": 1}}'])
def test_a_damaged_text_says_nothing(text: str) -> None:
    """Records are files, and files may hold anything."""
    assert {} == read_held(text)
