"""The table of faults of bus and part: as it is kept, and true to what the program promises."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.bus.kernel import ADAPTERS
from tests.goldens import golden
from tests.programs.bus_faults import FAULTS, Outcome, outcomes, table

KEPT = Path(__file__).parent / "figures" / "bus_faults.txt"

Found = dict[str, dict[Outcome, list[str]]]


@pytest.fixture(scope="module")
def found() -> Found:
    """Every fault on every adapter, once."""
    return {trouble.name: outcomes(trouble) for trouble in FAULTS}


def test_the_table_is_as_it_is_kept(found: Found) -> None:
    """A person has read it."""
    assert golden(KEPT, table(found)) == table(found)


def test_every_outcome_is_one_that_is_promised(found: Found) -> None:
    """On every adapter a group has its old values or the new ones, exit code 0 means all of them in
    all copies, and whatever went wrong is said with a way to mend it."""
    for name, some in found.items():
        assert len(ADAPTERS) == sum(map(len, some.values())), name
        for outcome in some:
            assert "other" not in outcome.holds, name
            if outcome.exit_code == 0:
                assert "identity new, trim new, user new" == outcome.holds, name
            elif outcome.exit_code != 130:
                assert any(line.startswith("error") for line in outcome.says), name
                assert any(line.startswith("mend") for line in outcome.says), name


def test_a_wrong_part_is_named_before_a_second_page(found: Found) -> None:
    """One page, and one that takes it back; where an adapter writes in pieces, each of them counts.
    Only an adapter that sends single bytes cannot tell the pages."""
    for name in ("half the bytes", "pages of 16 bytes", "pages of 64 bytes", "one-byte addresses"):
        for outcome, kinds in found[name].items():
            if "plain" in kinds:
                assert outcome.exit_code == 1 and outcome.writes <= 2
                assert "error PS961" in outcome.says[1]
            if outcome.exit_code == 0:
                assert kinds == ["SMBus, bytes and words"] and name.startswith("pages")
