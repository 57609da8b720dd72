"""Every page write of every work on a part of every kind is cut: a repeat ends the work."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.bus.kills import PARTS, TEARS, WORKS, Campaign

PAGES = {  # page writes of each kind of work, in the order of the parts
    "write a blank part": (16, 9, 9, 7, 7, 7),
    "write": (2, 1, 1, 1, 1, 1),
    "write with --unlock": (6, 3, 3, 3, 3, 3),
    "write --exact": (12, 6, 6, 6, 6, 6),
    "write --exact, numbers that grow": (12, 6, 6, 6, 6, 6),
    "write --exact, a blank part": (22, 12, 12, 10, 10, 10),
    "erase": (25, 15, 15, 12, 12, 12),
}
CASES = [(part, work, pages) for work, counts in PAGES.items()
         for part, pages in zip(PARTS, counts, strict=True)]


def test_every_kind_of_work_is_cut() -> None:
    """So many kill points, each with several outcomes."""
    assert WORKS.keys() == PAGES.keys()
    assert 334 == sum(pages for _, _, pages in CASES)


@pytest.mark.parametrize(("part", "work", "pages"), CASES)
def test_a_repeat_ends_what_was_cut(part: str, work: str, pages: int, tmp_path: Path) -> None:
    """Each group has its old values or the new ones at every moment; then all is there, with all
    copies. On one part the records are looked at as well, each time. There, and on the large parts,
    which take their time, pages are torn in one way."""
    noted, large = part == "24LC16B", part in ("M24M01-R", "24LC1025")
    tears = TEARS[2:3] if noted or large else TEARS[:3]
    campaign = Campaign(part, WORKS[work], tmp_path, noted=noted)
    assert pages * len(tears) == campaign.run(tears)
