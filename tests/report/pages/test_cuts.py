"""The page of a campaign: what was counted, what was broken, and how to see it again."""

from __future__ import annotations

from dataclasses import replace

from paramstore.report.cuts import campaign_data, campaign_text
from paramstore.report.pages.cuts import campaign_page
from paramstore.report.pages.tears import tear_picture
from paramstore.report.replays import unit_breach_text
from paramstore.verify.cuts.announced import Announced, Became, Unannounced, UnitCase, unit_text
from paramstore.verify.cuts.campaign import Shown
from paramstore.verify.cuts.faults import FaultClass, FaultJob, fault_text
from paramstore.verify.cuts.migrations import MigrationCuts
from paramstore.verify.cuts.results import (
    COLUMNS,
    CutHistory,
    CutStep,
    Start,
    Verdict,
    Violation,
)
from tests.report.campaigns import sound
from tests.report.pages.markup import Markup, faults
from tests.report.test_cuts import MINIMAL


def _spaced(page: str) -> str:
    """The text of a page, with a blank between the cells of a table."""
    return " ".join(Markup(page.replace("</t", " </t")).text.split())


def _held(page: str) -> int:
    """How many promises a page says were held."""
    return page.count("</svg>&nbsp;held</td>")


def test_a_sound_campaign() -> None:
    """Totals, sweeps, tears by number of cuts, longest calls and bounds: as they were counted."""
    data = campaign_data(sound())
    page = campaign_page(sound())
    text = " ".join(Markup(page).text.split())
    assert [] == faults(page)
    tried = sum(fault["tried"] for fault in data["faults"])
    assert f"No violation in {data['histories']:,} histories and {tried:,} other faults." in text
    for fault in data["faults"]:
        row = f"{fault['strikes'][0].upper()}{fault['strikes'][1:]} {fault['cases']:,} "
        assert row in _spaced(page)
    for sweep in data["sweeps"]:
        assert f"{sweep['histories']:,}" in text and sweep["title"] in text
    for row in data["histories_by_cuts"]:
        assert all(f"{count:,}" in text for count in row.values())
    assert f"{data['longest_bits']['mount']:,}" in text
    assert f"{data['bound_bits']['mount']:,}" in text
    assert _held(page) == len(Verdict) - 2  # all but GOOD, and UNTOLD of later releases
    assert "4 samples of each, seed 1" in text


def test_violations_come_with_their_replay() -> None:
    """Each violation says what was expected and found, and the line that plays it again."""
    history = CutHistory(Start(), (CutStep(3), CutStep(0)))
    first = sound().results[0]
    totals = replace(first.totals, violation_count=3)
    hurt = replace(
        sound(), results=(replace(first, totals=totals), *sound().results[1:]),
        violations=(Shown(Violation(Verdict.LOST, 0, 7, None, history), "FACTORY,settings,BOOT"),))
    page = campaign_page(hurt)
    text = " ".join(Markup(page).text.split())
    assert [] == faults(page)
    assert "3 violations in " in text
    assert "I2 of settings: an acknowledged commit is gone; expected version 7, found" in text
    assert f"paramstore prove {MINIMAL} --replay FACTORY,settings,BOOT" in text
    assert "I2 an acknowledged commit is gone broken" in _spaced(page)
    assert 0 == _held(page)
    assert 1 == sum(a.get("class") == "wrong" for a in Markup(page).all("tr"))


def test_other_faults_come_with_their_replay() -> None:
    """A fault that broke a promise is told by its class, with the line that tries it again."""
    job = FaultJob(Start(), FaultClass.WORN, only=5)
    worn = next(r for r in sound().faults if r.kind is FaultClass.WORN)
    counts = replace(worn.counts, violations=2, first=(
        job, Violation(Verdict.LOST, None, 7, 6, CutHistory(Start(), ()))))
    hurt = replace(sound(), faults=(replace(worn, counts=counts),))
    page = campaign_page(hurt)
    text = " ".join(Markup(page).text.split())
    assert [] == faults(page)
    assert "2 violations in " in text
    assert "I2: an acknowledged commit is gone, after a page of a ring takes nothing" in text
    assert f"paramstore prove {MINIMAL} --replay {fault_text(job)}" in text
    assert "I2 an acknowledged commit is gone broken" in _spaced(page)


def test_parts_of_earlier_releases() -> None:
    """Each release before is a row, and what became of I11 stands among the promises."""
    taken = MigrationCuts(3, 2, sound().results[0].totals)
    units = Announced(3, 25, {b: 1000 + i for i, b in enumerate(Became)}, ("settings.level",))
    campaign = replace(sound(), migrations=(taken,), announced=(units,))
    page = campaign_page(campaign)
    assert [] == faults(page)
    assert " 3 25 5,010 1,000 1,001 1,002 1,003 1,004 0 " in _spaced(page)
    assert f" 3 2 {taken.totals.histories.total:,} " in _spaced(page)
    assert _held(page) == len(Verdict)
    text = campaign_text(campaign)
    row = "3 25 5,010 1,000 1,001 1,002 1,003 1,004 0"
    assert row.split() in [line.split() for line in text.splitlines()]
    assert f"        3        2  {taken.totals.histories.total:>9,}" in text
    assert "No violation: I1 to I11 and I13 to I18 held in every history." in text


def test_a_value_lost_unannounced() -> None:
    """What was stored, what is served, and the line that boots that unit again: in text, page and
    JSON."""
    case = UnitCase(2, 17)
    lost = Unannounced(Verdict.UNTOLD, case, "settings.level", "40 %", "60 %")
    counts = dict.fromkeys(Became, 7)
    hurt = replace(sound(), announced=(Announced(2, 25, counts, (), 3, lost),))
    assert not hurt.sound and 3 == hurt.violation_count
    page, data = campaign_page(hurt), campaign_data(hurt)
    assert [] == faults(page)
    told = ("I18 of settings.level: a stored value is gone in a later release, and nothing "
            "announced it; unit 17 of release 2 had stored 40 %, 60 % is served")
    line = f"paramstore prove {MINIMAL} --replay {unit_text(case)}"
    for shown in (" ".join(Markup(page).text.split()), " ".join(campaign_text(hurt).split())):
        assert told in shown and line in shown
    assert ("I18", "settings.level", "RELEASE2,UNIT=17.x1", 3) == tuple(
        data["announced"][0][key] for key in ("invariant", "where", "replay", "violations"))
    other = replace(lost, verdict=Verdict.DIFFERENT, where="", engine="C")
    assert unit_breach_text(other) == ("I17 of the store: firmware serves something else than the "
                                       "host says; the C, on unit 17 of release 2")


def test_every_tear_has_its_own_picture() -> None:
    """Each kind of torn page looks different; what is no tear has no picture."""
    pictures = [tear_picture(kind) for kind in COLUMNS if kind != "later"]
    assert len(pictures) == len(set(pictures)) and all(pictures)
    assert "" == tear_picture("later")
