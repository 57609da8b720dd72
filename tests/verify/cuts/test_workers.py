"""A firmware that crashes or never comes back: told, with what to replay, and nothing hangs."""

from __future__ import annotations

import pickle

import pytest

from paramstore.core.errors import ToolError
from paramstore.releases.conversion import NoConversion
from paramstore.verify.cuts import build, workers
from paramstore.verify.cuts.campaign import run_campaign
from paramstore.verify.cuts.faults import parse_fault, replay_fault
from paramstore.verify.cuts.replay import replay
from paramstore.verify.cuts.sweeps import Level
from tests.firmware.builds import example_plan
from tests.verify.cuts.harnesses import broken_runtime

PLAN = example_plan("minimal")
TORN = ("ring->health |= PS_HEALTH_DAMAGE;", "for (;;) {}")
LOST = ("return PS_ERR_VERIFY;", "for (;;) {}")
BEGIN = "    const ps_layout_t *layout = store->layout;\n    ps_status_t first;\n"
ALWAYS = (BEGIN, f"{BEGIN}    for (;;) {{}}\n")
CRASH = (BEGIN, f"{BEGIN}    *(volatile int *)0 = 1;\n")


@pytest.fixture(autouse=True)
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody waits as long as a person would."""
    monkeypatch.setattr(workers, "PATIENCE_S", 0.5)


def use(monkeypatch: pytest.MonkeyPatch, change: tuple[str, str]) -> None:
    """Compile a runtime with a change in it."""
    monkeypatch.setattr(build, "runtime_files", lambda: broken_runtime(*change))


def test_a_call_without_end_in_a_campaign(monkeypatch: pytest.MonkeyPatch) -> None:
    """A boot that never ends where a record is damaged: a history is named, whichever is met first,
    and shows the same again."""
    use(monkeypatch, TORN)
    with pytest.raises(ToolError, match="does not come back") as told:
        run_campaign(PLAN, Level.QUICK, workers=2)
    where = str(told.value).rpartition("in ")[2]
    assert f"--replay {where}," in told.value.help
    for history in (where, "FACTORY,settings,settings@0.prefix.1,BOOT"):
        with pytest.raises(ToolError) as again:
            replay(PLAN, history)
        assert f"a call of the firmware does not come back, in {history}" == str(again.value)


def test_a_call_without_end_in_a_case_of_a_fault(monkeypatch: pytest.MonkeyPatch) -> None:
    """The case is named."""
    use(monkeypatch, LOST)
    fault = parse_fault(PLAN, "FACTORY+4,LOST=1.x1")
    assert fault is not None
    with pytest.raises(ToolError, match=r"does not come back, in FACTORY\+4,LOST=1\.x1"):
        replay_fault(PLAN, fault)


def test_a_call_without_end_before_the_first_history(monkeypatch: pytest.MonkeyPatch) -> None:
    """Even the mount of a sound part is watched."""
    use(monkeypatch, ALWAYS)
    with pytest.raises(ToolError, match="does not come back, in FACTORY,BOOT"):
        run_campaign(PLAN, Level.QUICK)


def test_an_error_comes_over_from_its_process() -> None:
    """A refusal in a process is told as what it is, not as a crash of the firmware."""
    refused = NoConversion("PS727", "the unit changes", "write how", ("it means something else",))
    again = pickle.loads(pickle.dumps(refused))
    assert (refused.code, refused.message, refused.help, refused.notes, "the unit changes") == (
        again.code, again.message, again.help, again.notes, str(again))


def test_a_crash(monkeypatch: pytest.MonkeyPatch) -> None:
    """A firmware that crashes ends a process of its own."""
    use(monkeypatch, CRASH)
    with pytest.raises(ToolError, match="sudden end"):
        replay(PLAN, "FACTORY,BOOT")
