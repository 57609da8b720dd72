"""The same campaign on this computer, as machine code of a microcontroller, and on the twin."""

from __future__ import annotations

from dataclasses import replace

import pytest

from paramstore.core.errors import ToolError
from paramstore.verify.cuts import machine
from paramstore.verify.cuts.agreement import agree, agreement_histories, agreement_jobs
from paramstore.verify.cuts.results import FIRST_GROUP, Start
from paramstore.verify.cuts.tears import KINDS
from tests.firmware.builds import example_plan


def test_all_engines_agree() -> None:
    """Same counts, same images, same verdicts; a difference in what was met would show."""
    plan = example_plan("minimal")
    progress: list[float] = []
    found = agree(plan, jobs=agreement_jobs(plan, (Start(), Start(rounds=4, passed=True)), 1),
                  progress=progress.append)
    assert found.sound
    assert found.native.totals.boots > 2000 and found.native.totals.digest != 0
    assert progress == sorted(progress) and 1.0 == pytest.approx(progress[-1])
    other = replace(found.machine, totals=replace(found.machine.totals, digest=1))
    assert not replace(found, machine=other).sound
    assert not replace(found, different=("FACTORY,BOOT",)).sound


def test_histories_have_every_tear_of_every_write() -> None:
    """Each kind in each page write of each commit, of a format and of a wipe."""
    plan = example_plan("tank_probe")
    cuts = {(h.steps[0].operation, cut.write, cut.tear.kind)
            for h in agreement_histories(plan) if (cut := h.steps[0].cut)}
    for g, ring in enumerate(plan.rings):
        for write in range(ring.slot_pages * ring.group.copies):
            assert {(FIRST_GROUP + g, write, kind) for kind in KINDS} <= cuts


def test_missing_packages_are_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """Who has no emulator is told how to get one."""
    monkeypatch.setattr(machine, "find_spec", lambda name: None)
    with pytest.raises(ToolError) as caught:
        agree(example_plan("minimal"))
    assert "paramstore[machine]" in caught.value.help
