"""The report of a campaign of power cuts: every number is one that was counted."""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import chain

import pytest

from paramstore.report.cuts import campaign_data, campaign_text
from paramstore.report.replays import played_data, played_text, wanted_text
from paramstore.verify.cuts.replay import replay
from paramstore.verify.cuts.results import (
    COLUMNS,
    MOST_CUTS,
    CutHistory,
    Start,
    Tally,
    Verdict,
    Violation,
    What,
)
from tests.firmware.builds import SCHEMAS, example_plan
from tests.report.campaigns import broken, no_crc_checked, sound

MINIMAL = SCHEMAS / "minimal.toml"


def test_text_has_the_numbers() -> None:
    """Totals, sweeps, tears, longest calls beside their bounds, and the verdict."""
    campaign, text = sound(), campaign_text(sound())
    for number in (campaign.totals.histories.total, campaign.totals.boots, campaign.totals.random,
                   campaign.totals.mount_bits, *campaign.totals.commit_bits):
        assert f"{number:,}" in text
    for result in campaign.results:
        assert result.sweep.title in text
    assert "No violation: I1 to I10 and I13 to I17 held in every history." in text
    assert "VIOLATION" not in text
    assert text.endswith("\n")


def test_data_adds_up() -> None:
    """The sweeps are the whole, and so are the histories by what the last cut left."""
    data = json.loads(json.dumps(campaign_data(sound())))
    assert ("dimmer", "quick", 1, 0, []) == (
        data["store"], data["level"], data["seed"], data["violations"], data["shown"])
    for key in ("histories", "boots", "torn_states", "random_states", "late_boots"):
        assert data[key] == sum(sweep[key] for sweep in data["sweeps"])
    assert data["histories"] == sum(chain.from_iterable(
        row.values() for row in data["histories_by_cuts"]))
    assert data["expected_coincidences"] == data["random_states"] / 2**32
    assert data["longest_bits"]["commit"] == data["bound_bits"]["commit"]
    assert ["BOOT", "FORMAT", "settings"] == data["sweeps"][0]["alphabets"][0]
    assert ["BLANK", "FACTORY", "FACTORY+1", "FACTORY+1p"] == data["sweeps"][0]["starts"][:4]


def test_wear_is_part_of_the_report() -> None:
    """Predicted and seen life of each ring; a ring that lost values is a violation."""
    campaign = sound()
    (ring,) = campaign_data(campaign)["wear"]
    assert ring["predicted_commits"] == ring["seen_commits"] > 1000 and ring["sound"]
    rows = [line.split() for line in campaign_text(campaign).splitlines()]
    commits = f"{ring['predicted_commits']:,}"
    assert ["settings", commits, commits] in [row[:3] for row in rows]
    worn = replace(campaign.wear[0], even=replace(campaign.wear[0].even, lost=1))
    hurt = replace(campaign, wear=(worn,))
    assert not hurt.sound
    text = campaign_text(hurt)
    assert "1 VIOLATION, the first" in text and "I10 of settings" in text


def test_a_violation_is_told_with_its_replay() -> None:
    """Each kind once, in one line to type, which shows the same again."""
    hurt = broken()
    text, data = campaign_text(hurt), campaign_data(hurt)
    faults = sum(fault["violations"] for fault in data["faults"])
    rings = sum(not ring["sound"] for ring in data["wear"])
    assert hurt.totals.violation_count + faults + rings == data["violations"] > 1000
    assert f"{data['violations']:,} VIOLATIONS" in text
    assert "I1 of settings: served values that were never committed" in text
    shown = next(s for s in data["shown"] if s["invariant"] == "I1")
    assert f"replay: paramstore prove {MINIMAL} --replay {shown['replay']}\n" in text
    assert "settings" == shown["group"]
    with no_crc_checked():
        assert replay(example_plan("minimal"), shown["replay"]).verdict.invariant == "I1"


def test_a_replay_names_the_step_that_is_wrong() -> None:
    """Its number and text, what had to be there and what was: as the campaign told it."""
    plan = example_plan("minimal")
    for shown in broken().violations:
        with no_crc_checked():
            replayed = replay(plan, shown.replay)
        steps = shown.replay.split(",")[1:]
        text, data = played_text(replayed), played_data(replayed)["violation"]
        assert f"wrong at step {len(steps)} of {len(steps)}, {steps[-1]}\n" in text
        assert f"  {wanted_text(plan, shown.violation)}\n" in text
        assert (len(steps), shown.violation.expected) == (data["step"], data["expected"])


@pytest.mark.parametrize(("what", "expected", "found", "text"), [
    (What.VERSION, 2, 0, "expected version 2, found defaults"),
    (What.VERSION, 2, None, "expected version 2, found values never committed"),
    (What.NUMBER, 9, 8, "expected sequence number 9 or a greater one, found 8"),
    (What.STATUS, 0, 13, "expected the status OK, found ERR_RULE"),
    (What.FLAGS, 2, 0x12, "expected flags that fit version 2, found DAMAGE + DIRTY"),
    (What.FLAGS, 0, 0, "expected flags that fit defaults, found none"),
    (What.BITS, 1770, 1779, "expected 1,770 bits on the bus at most, found 1,779"),
    (What.WRITES, 2, 3, "expected 2 page writes at most, found 3"),
    (What.PAGE, 6, 1, "expected a page from 6 to 11, found page 1"),
])
def test_what_was_expected_is_told(what: What, expected: int, found: int | None,
                                   text: str) -> None:
    """Numbers of a violation have their meaning beside them."""
    assert text == wanted_text(example_plan("minimal"), Violation(
        Verdict.LOST, 0, expected, found, CutHistory(Start(), ()), what))


def test_replay() -> None:
    """What each boot served, under each engine, and that they agree."""
    replayed = replay(example_plan("minimal"), "FACTORY,settings@0.zeros,BOOT,settings,BOOT")
    text, data = played_text(replayed), played_data(replayed)
    assert 2 == text.count("2  FLAGGED         1\n") == text.count("4  OK              3\n")
    assert "All leave the same image." in text
    assert ("", True) == (data["invariant"], data["same_image"])
    assert [1, 3] == [boot["versions"]["settings"] for boot in data["engines"]["twin"]["boots"]]


def test_lines_fit_a_terminal() -> None:
    """No line is longer than 100 letters, with numbers as large as those of a long campaign too;
    only a line to type is as long as it must be."""
    campaign = sound()
    many = replace(campaign, results=tuple(replace(
        r, totals=replace(r.totals, boots=987_654_321, torn=987_654_321,
                          histories=Tally(tuple(tuple(123_456_789 for _ in COLUMNS)
                                                for _ in range(MOST_CUTS + 1)))))
        for r in campaign.results))
    for each in (campaign, many, broken()):
        long = [line for line in campaign_text(each).splitlines() if len(line) > 100]
        assert [] == [line for line in long if not line.startswith("    replay: ")]
