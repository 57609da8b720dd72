"""One history, three ways: harness, compiled C and twin on the byte-level simulator."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from paramstore.core.status import Status
from paramstore.verify.cuts.history import history_text, parse_history
from paramstore.verify.cuts.replay import play, replay
from paramstore.verify.cuts.results import (
    FIRST_GROUP,
    Cut,
    CutHistory,
    CutStep,
    Operation,
    Start,
    Verdict,
)
from paramstore.verify.cuts.tears import KINDS, PageTear
from paramstore.verify.rig.native import NativeRig
from paramstore.verify.rig.twin import TwinRig
from tests.firmware.builds import example_plan
from tests.verify.cuts.harnesses import bench, harness, native
from tests.verify.cuts.test_history import histories

CORPUS = Path(__file__).parents[2] / "corpus" / "cuts"


def judge(name: str, history: CutHistory) -> None:
    """All three agree on the image that is left, and both oracles on whether that is right."""
    built = harness(name)
    verdict, image = built.explorer().replay(history)
    compiled = play(NativeRig(native(name), bench(built.plan)), built.pictures, history)
    twin = play(TwinRig(built.plan, bench(built.plan)), built.pictures, history)
    assert compiled == twin
    assert image == compiled.image
    assert (verdict, compiled.wrong) == (Verdict.GOOD, "")


@pytest.mark.parametrize("name", ["minimal", "tank_probe"])
@settings(max_examples=60)
@given(data=st.data())
def test_engines_agree(name: str, data: st.DataObject) -> None:
    """Real cuts on a bus of bytes leave what the harness says they leave."""
    judge(name, data.draw(histories(len(example_plan(name).rings))))


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("rest", [False, True])
def test_tears(kind: str, rest: bool) -> None:
    """Every kind of tear, in whole pages and in parts of pages: the same bytes in C and Python."""
    for name, operation in (("tank_probe", FIRST_GROUP), ("minimal", Operation.FORMAT),
                            ("tank_probe", Operation.WIPE)):
        for write in (0, 1, 5):
            tear = PageTear(next(k for k in KINDS if k == kind), 7 - write, 99 + write, rest)
            steps = (CutStep(operation, Cut(write, tear)), CutStep(Operation.BOOT))
            judge(name, CutHistory(Start(rounds=2), steps))


def corpus() -> list[tuple[str, str]]:
    """The schema and the text of every history that once was wrong."""
    return [(path.stem, line) for path in sorted(CORPUS.glob("*.txt"))
            for line in path.read_text("utf-8").splitlines() if line and line[0] != "#"]


@pytest.mark.parametrize(("name", "text"), corpus())
def test_corpus(name: str, text: str) -> None:
    """What once went wrong stays right."""
    judge(name, parse_history(example_plan(name), text))


def test_corpus_is_there() -> None:
    """The corpus is not empty, and its texts are as the tool writes them."""
    assert len(corpus()) >= 4
    for name, text in corpus():
        plan = example_plan(name)
        assert text == history_text(plan, parse_history(plan, text))


def test_what_boots_serve() -> None:
    """A replay tells the version that each boot served, and the status of its mount."""
    plan = example_plan("tank_probe")
    replayed = replay(plan, "FACTORY,settings,BOOT,settings@1.erased,BOOT,settings@2.new,BOOT")
    assert replayed.sound
    boots = replayed.engines["twin"].boots
    assert [2, 2, 4] == [boot.versions["settings"] for boot in boots]
    assert [1, 1, 1] == [boot.versions["factory"] for boot in boots]
    assert [Status.OK, Status.FLAGGED, Status.OK] == [boot.status for boot in boots]


def test_an_interrupted_commit_may_come_late() -> None:
    """Two tears that complete each other: served late, but never in place of a newer value that
    was acknowledged; the policy in FORMAT.md allows it."""
    plan = example_plan("tank_probe")
    late = "FACTORY+4,counters@0.suffix.1,BOOT,counters@0.prefix.1,BOOT"
    replayed = replay(plan, late)
    assert replayed.sound
    assert [5, 6] == [boot.versions["counters"] for boot in replayed.engines["twin"].boots]
