"""A part of an earlier release under later firmware, the power cut anywhere (invariant I11)."""

from __future__ import annotations

from itertools import combinations

import pytest

from paramstore.cuts.results import Totals, Verdict
from paramstore.cuts.takeover import cut_take_over
from tests.cuts.harnesses import broken_runtime
from tests.evolve.histories import tank_probe

PAIRS = list(combinations(range(1, 6), 2))


def cut(first: int, last: int, depth: int, runtime: dict[str, str] | None = None) -> Totals:
    plans = tank_probe().plans[first - 1:last]
    return cut_take_over(plans[:-1], plans[-1], samples=1, depth=depth, runtime=runtime)


@pytest.mark.parametrize(("first", "last"), [(1, 2), (1, 5), (4, 5)])
def test_old_image_and_new_firmware(first: int, last: int) -> None:
    """Every boot serves what the host converts, with two cuts in the take-over or behind it."""
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
    """Firmware that writes its label without having committed what it took over loses that."""
    runtime = broken_runtime("        status = commit_moves(store);\n", "")
    found = cut(1, 5, 1, runtime).violations
    assert {Verdict.EMPTY, Verdict.LOST, Verdict.MIXED} & {v.verdict for v in found}
