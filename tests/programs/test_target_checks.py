"""The program that runs the store on other processors: on this one, and what it notices."""

from __future__ import annotations

from dataclasses import replace

import pytest

from paramstore.core.errors import ToolError
from paramstore.firmware.generate import runtime_files
from tests.programs.target_checks import check_store, report, stores, unheard
from tests.targets import machines
from tests.targets.machines import THIS_COMPUTER

MINIMAL = next(s for s in stores() if s.name == "minimal")
CONVERSIONS = next(s for s in stores() if s.name == "conversions")


def test_the_monitor_on_this_computer_agrees() -> None:
    """Everything is compared, conversions too; the table says what ran."""
    checked = check_store(THIS_COMPUTER, CONVERSIONS, calls=20)
    assert checked.facts is not None and checked.facts.double_bytes == 8
    assert checked.counts.conversions > 50_000
    assert checked.counts.transfers > 10_000
    assert checked.counts.part_bytes == 2 * CONVERSIONS.plan.part.capacity
    text = "\n".join(report([checked]))
    assert f"{checked.counts.transfers:,}" in text
    assert "no store on the this computer said OLDER" in unheard([checked])


def test_a_mistake_in_the_c_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """A runtime with one mistake differs from the twin."""
    wrong = runtime_files()
    right = "#define PS_HEALTH_DEFAULTS 0x01u"
    assert right in wrong["paramstore.h"]
    wrong["paramstore.h"] = wrong["paramstore.h"].replace(right, right.replace("1u", "0u"))
    monkeypatch.setattr(machines, "runtime_files", lambda: wrong)
    with pytest.raises(AssertionError):
        check_store(THIS_COMPUTER, MINIMAL, calls=20)


def test_a_missing_tool_is_told() -> None:
    """No emulator, no result: it is an error, never a pass."""
    target = replace(THIS_COMPUTER, run=lambda program, folder: ["/bin/false"])
    with pytest.raises(ToolError):
        check_store(target, MINIMAL)
