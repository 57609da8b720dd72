"""Faults besides the power: no promise is broken, and each class would see it."""

from __future__ import annotations

from pathlib import Path

import pytest

from paramstore.core.errors import ToolError
from paramstore.layout.place import make_plan
from paramstore.schema.reader import load_schema
from paramstore.verify.cuts.build import Harness, build_harness, build_library
from paramstore.verify.cuts.explorer import Explorer
from paramstore.verify.cuts.faults import (
    FaultClass,
    FaultCounts,
    FaultJob,
    Guarantee,
    fault_limits,
    fault_text,
    parse_fault,
    run_fault_job,
    run_faults,
)
from paramstore.verify.cuts.histories import one_group_plan
from paramstore.verify.cuts.pictures import make_pictures
from paramstore.verify.cuts.results import Start, Verdict
from paramstore.verify.cuts.sweeps import fault_starts
from paramstore.verify.rig.native import NativeTarget
from tests.firmware.builds import example_plan
from tests.verify.cuts.harnesses import (
    NO_CRC,
    broken_harness,
    broken_runtime,
    fresh_folder,
    harness,
)

USED = Start(rounds=5)


def every(built: Harness, kind: FaultClass, start: Start = USED) -> FaultCounts:
    """All cases of a class."""
    return run_fault_job(built.explorer(), FaultJob(start, kind))


@pytest.mark.parametrize("name", ["minimal", "tank_probe"])
def test_no_promise_is_broken(name: str) -> None:
    """Every class, some hundred cases of each, and no call takes longer than it may."""
    plan = example_plan(name)
    results = run_faults(harness(name).explorer(), fault_starts(plan), 150)
    assert list(FaultClass) == [r.kind for r in results]
    for result in results:
        counts = result.counts
        assert (0, 0, None) == (counts.violations, counts.wrong, counts.first), result.kind
        seen = counts.newest + counts.older + counts.defaults + counts.silent + counts.refused
        assert counts.tried == seen
        # Without copies there is little to try of them.
        assert counts.tried > 50 or counts.enumerated
        if result.kind.guarantee is Guarantee.FULL:
            assert counts.tried == counts.newest
    mount, commit = fault_limits(plan)
    assert mount >= max(r.counts.mount_bits for r in results) > 0
    assert commit >= max(r.counts.commit_bits for r in results) > 0


def test_cases_are_those_of_the_definition() -> None:
    """Bits of labels and records, shifts of a part of 256 bytes, pages thrice."""
    plan = example_plan("minimal")
    ring, built = plan.rings[0], harness("minimal")
    bits = 8 * (2 * plan.label_bytes + ring.slots * ring.record_bytes)
    assert bits == every(built, FaultClass.BIT).cases == every(built, FaultClass.BURST).cases
    assert 2 * 8 == every(built, FaultClass.SHIFTED).tried
    values = plan.rings[0].slots * plan.rings[0].body_bytes
    assert 3 * values == every(built, FaultClass.LOOKALIKE).tried
    blank = every(built, FaultClass.BLOCK, Start(packed=False))
    assert 2 * ring.pages * plan.part.page == blank.tried == blank.refused
    assert 3 * (2 * plan.label_pages + ring.pages) == every(built, FaultClass.PAGE).tried
    assert 32 == every(built, FaultClass.TRUNCATED).tried


def test_calls_fail_where_they_must_and_only_there() -> None:
    """A byte that is asked again costs nothing; a part that is gone fails every call."""
    built = harness("minimal")
    assert 0 == every(built, FaultClass.NACK).failed
    silent = every(built, FaultClass.SILENT)
    assert silent.tried == silent.failed > 60


@pytest.mark.parametrize(("old", "new", "kind", "verdict"), [
    (*NO_CRC, FaultClass.BIT, Verdict.MIXED),
    (*NO_CRC, FaultClass.BROWNOUTS, Verdict.MIXED),
    ("return PS_ERR_VERIFY;", "return PS_OK;", FaultClass.LOST, Verdict.LOST),
    ("return PS_ERR_VERIFY;", "return PS_OK;", FaultClass.WORN, Verdict.LOST),
])
def test_a_broken_runtime_is_caught(old: str, new: str, kind: FaultClass,
                                    verdict: Verdict) -> None:
    """A runtime without the step that a class is about breaks a promise; the case it names does so
    when it is done alone."""
    built = broken_harness("minimal", old, new)
    counts = every(built, kind)
    assert counts.violations > 0 and counts.first is not None
    job, found = counts.first
    assert verdict is found.verdict
    alone = run_fault_job(built.explorer(), job)
    assert (1, 1, (job, found)) == (alone.tried, alone.violations, alone.first)


LARGE = """
[store]
name = "demo"
part = "24LC02B"
[group.blob]
role = "setting"
writes = "1 per day"
[group.blob.parameter]
all = { type = "bytes", size = 40 }
"""


def test_a_size_check_that_values_can_pass_is_caught(tmp_path: Path) -> None:
    """Where a slot lies in the middle of the part, a label in a value must not look like a second
    one; firmware that compares a little further on takes it for one."""
    (tmp_path / "demo.toml").write_text(LARGE, "utf-8")
    plan = make_plan(load_schema(tmp_path / "demo.toml")[0])
    middle = plan.part.capacity // 2
    assert any(r.address(0) <= middle < r.address(r.slots) for r in plan.rings)
    pictures = make_pictures(plan)
    further = broken_runtime("store->layout->capacity / 2u + step, chunk",
                             "store->layout->capacity / 2u + step + 5u, chunk")
    for runtime, refused in ((None, False), (further, True)):
        library = build_library(plan, pictures, fresh_folder(), runtime=runtime)
        explorer = Explorer(plan, pictures, NativeTarget(library))
        counts = run_fault_job(explorer, FaultJob(Start(), FaultClass.LOOKALIKE))
        assert refused == bool(counts.violations)
        found = counts.first
        assert not refused or (found is not None and found[1].verdict is Verdict.REFUSED)


@pytest.mark.parametrize(("slots", "hidden"), [(3, False), (4, True), (5, False), (6, False),
                                               (8, True)])
def test_a_wrong_bit_hides_the_newest_record_only_in_rings_of_a_power_of_two(
        slots: int, hidden: bool) -> None:
    """There the number of the newest record can become that of the lap before: FORMAT.md, section
    7, says so. One case of thousands."""
    built = build_harness(one_group_plan(slots, 1), fresh_folder())
    found = [every(built, FaultClass.BIT, Start(rounds=rounds)) for rounds in
             range(slots, 2 * slots + 1)]
    assert hidden == any(counts.silent for counts in found)
    assert 0 == sum(counts.wrong + counts.violations for counts in found)


def test_text_there_and_back() -> None:
    """A case is one word that a shell leaves alone."""
    plan = example_plan("minimal")
    job = FaultJob(Start(rounds=4, passed=True), FaultClass.BIT, only=642, seed=31)
    assert "FACTORY+4p,BIT=642.x1f" == fault_text(job)
    assert job == parse_fault(plan, fault_text(job))
    assert None is parse_fault(plan, "FACTORY+4p,settings@0.old,BOOT")
    assert None is parse_fault(plan, "FACTORY,SMELL=1.x1")
    with pytest.raises(ToolError):
        parse_fault(plan, "NEW,BIT=1.x1")
