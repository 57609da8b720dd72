"""Histories as text, and shrunk."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from paramstore.core.errors import ToolError
from paramstore.verify.cuts.history import history_text, parse_history, shrink
from paramstore.verify.cuts.results import (
    FIRST_GROUP,
    Cut,
    CutHistory,
    CutStep,
    Operation,
    Start,
)
from paramstore.verify.cuts.tears import KINDS, PageTear
from paramstore.verify.eeprom.faults import Torn
from tests.firmware.builds import example_plan

PLAN = example_plan("tank_probe")
BOOT = CutStep(Operation.BOOT)
SETTINGS = FIRST_GROUP + [ring.group.name for ring in PLAN.rings].index("settings")


def tears() -> st.SearchStrategy[PageTear]:
    """Any tear of a page of 32 bytes, seeded even where that does not matter."""
    return st.builds(PageTear, st.sampled_from(KINDS), st.integers(1, 31),
                     st.integers(0, 0xFFFF_FFFF), st.booleans())


@st.composite
def histories(draw: st.DrawFn, groups: int, most: int = 3) -> CutHistory:
    """Any history of a few operations, ended by a boot."""
    steps: list[CutStep] = []
    for operation in draw(st.lists(st.integers(0, FIRST_GROUP + groups - 1), max_size=most)):
        cut = draw(st.none() | st.builds(Cut, st.integers(0, 4), tears()))
        steps += [CutStep(operation, cut), BOOT] if cut else [CutStep(operation)]
    rounds = draw(st.sampled_from((0, 0, 1, 3, 10)))
    start = Start(draw(st.booleans()), rounds, rounds > 0 and draw(st.booleans()))
    return CutHistory(start, (*steps, BOOT))


@given(histories(len(PLAN.rings)))
def test_text_there_and_back(history: CutHistory) -> None:
    """A text says all that matters of a history, and only that."""
    text = history_text(PLAN, history)
    assert text == history_text(PLAN, parse_history(PLAN, text))
    assert not set(text) & set(" ;&|<>$'\"\\*?()")  # so that a shell leaves it alone


def test_text() -> None:
    """What the texts look like."""
    texts = (
        "BLANK,FORMAT@3.new,BOOT",
        "FACTORY,settings@0.prefix.5,BOOT,WIPE,BOOT",
        "FACTORY+12p,counters@0.mix.x1f,BOOT,identity@1.old.x2.rest,BOOT",
    )
    assert list(texts) == [history_text(PLAN, parse_history(PLAN, text)) for text in texts]
    cut = CutStep(SETTINGS, Cut(1, PageTear(Torn.ERASED_PREFIX, 7)))
    assert CutHistory(Start(rounds=4), (cut, BOOT)) == parse_history(
        PLAN, "FACTORY+4,settings@1.erased-prefix.7,BOOT")


@pytest.mark.parametrize(("text", "hint"), [
    ("", "start"),
    ("USED,BOOT", "no start"),
    ("FACTORY+,BOOT", "no start"),
    ("FACTORY+x,BOOT", "no start"),
    ("FACTORY,setings,BOOT", "no step"),
    ("FACTORY,settings@,BOOT", "no cut"),
    ("FACTORY,settings@x.old,BOOT", "no cut"),
    ("FACTORY,settings@0.torn,BOOT", "no cut"),
    ("FACTORY,settings@0.prefix.x,BOOT", "no cut"),
    ("FACTORY,settings@0.old,settings", "follows a cut"),
])
def test_what_is_no_history(text: str, hint: str) -> None:
    """A mistake in a text is told, with what to write."""
    with pytest.raises(ToolError) as caught:
        parse_history(PLAN, text)
    assert hint in caught.value.message
    assert caught.value.help


@given(histories(len(PLAN.rings)), st.data())
def test_shrinking_comes_to_an_end(history: CutHistory, data: st.DataObject) -> None:
    """Whatever is wrong, the result is wrong too, and nothing plainer of it is."""
    wanted = data.draw(st.sampled_from(sorted({step.operation for step in history.steps})))

    def still_wrong(candidate: CutHistory) -> bool:
        return any(step.operation == wanted for step in candidate.steps)

    small = shrink(history, still_wrong)
    assert still_wrong(small)
    assert Start(history.start.packed) == small.start
    assert (CutStep(wanted),) == small.steps


def test_shrinking_keeps_what_matters() -> None:
    """A cut that is needed stays, with the plainest tear and place that do."""
    text = "FACTORY+9p,identity,settings@1.prefix.20,BOOT,counters@0.mix.x77,BOOT,settings,BOOT"

    def still_wrong(candidate: CutHistory) -> bool:
        return any(step.cut and step.operation == SETTINGS and step.cut.tear.kind is Torn.PREFIX
                   and step.cut.tear.at > 5 for step in candidate.steps)

    small = shrink(parse_history(PLAN, text), still_wrong)
    assert "FACTORY,settings@0.prefix.6" == history_text(PLAN, small)
