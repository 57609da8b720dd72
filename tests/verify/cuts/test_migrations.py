"""A part of an earlier release under later firmware, the power cut anywhere (invariant I11)."""

from __future__ import annotations

from itertools import combinations
from pathlib import Path

import pytest

from paramstore.core.disk import read_text
from paramstore.releases.project import freeze, open_project
from paramstore.verify.cuts.migrations import cut_migration
from paramstore.verify.cuts.results import Totals, Verdict
from tests.releases.histories import tank_probe
from tests.verify.cuts.harnesses import broken_runtime

PAIRS = list(combinations(range(1, 6), 2))


def cut(first: int, last: int, depth: int, runtime: dict[str, str] | None = None) -> Totals:
    plans = tank_probe().plans[first - 1:last]
    return cut_migration(plans[:-1], plans[-1], samples=1, depth=depth, runtime=runtime)


@pytest.mark.parametrize(("first", "last"), [(1, 2), (1, 5), (4, 5)])
def test_old_image_and_new_firmware(first: int, last: int) -> None:
    """Every boot serves what the host converts, with two cuts in the migration or behind it."""
    totals = cut(first, last, 2)
    assert (0, ()) == (totals.violation_count, totals.violations)
    assert totals.histories.total > 10_000 and sum(totals.histories.rows[2]) > 0


@pytest.mark.long
@pytest.mark.parametrize(("first", "last"), PAIRS)
def test_every_pair_of_releases(first: int, last: int) -> None:
    """Three cuts, from every release to every later one."""
    totals = cut(first, last, 3)
    assert (0, ()) == (totals.violation_count, totals.violations)
    assert sum(totals.histories.rows[3]) > 0


def test_a_label_before_the_values_is_caught() -> None:
    """Firmware that writes its label without having committed what it migrated loses that."""
    runtime = broken_runtime("        status = commit_migrated(store);\n", "")
    found = cut(1, 5, 1, runtime).violations
    assert {Verdict.EMPTY, Verdict.LOST, Verdict.MIXED} & {v.verdict for v in found}


NARROW = """
[store]
name = "demo"
part = "24LC04B"
[group.settings]
role = "setting"
writes = "1 per day"
room = 8
[group.settings.parameter]
level = { type = "u8", max = 200, default = 10 }
mode = { type = "u8" }
[group.other]
role = "setting"
writes = "1 per day"
[group.other.parameter]
y = { type = "u8", max = 200 }
"""


@pytest.mark.parametrize("later", [
    NARROW.replace("max = 200, default", "max = 12, default"),
    NARROW.replace("max = 200, default", "max = 12, default").replace(
        "mode = ", 'more = { type = "u16" }\nmode = '),
    NARROW.replace("max = 200, default", "max = 12, default").replace(
        'mode = { type = "u8" }', 'mode = { type = "u16" }'),
])
def test_a_limit_that_became_narrower(later: str, tmp_path: Path) -> None:
    """Units hold values that are not allowed any more: the default in their place is flagged, until
    the group is committed."""
    path = tmp_path / "demo.toml"
    for text in (NARROW, later):
        path.write_text(text, "utf-8")
        freeze(read_text(path), open_project(read_text(path)))
    plans = open_project(read_text(path)).history.plans
    totals = cut_migration(plans[:-1], plans[-1], samples=1, depth=2)
    assert (0, ()) == (totals.violation_count, totals.violations)
    assert totals.histories.total > 200
    if plans[-1].migrations:
        return  # whether a group that takes values from elsewhere is flagged is not looked at
    # A firmware that does not flag it is noticed.
    silent = broken_runtime("if (check_group(store, true) != PS_OK) {\n            ring",
                            "if (check_group(store, true) == PS_ERR_STATE) {\n            ring")
    assert cut_migration(plans[:-1], plans[-1], samples=1, depth=1, runtime=silent).violation_count
