"""What a default takes with it when it comes to stand against a stored value through a rule: said
of exactly the values that are lost, which those are that firmware and `migrate` lose."""

from __future__ import annotations

from pathlib import Path

import pytest

from paramstore.core.status import Status
from paramstore.image.contents import unpack
from paramstore.image.migrate import ValueOutcome, migrate
from paramstore.image.pack import pack
from paramstore.releases.changes import Change, Impact
from paramstore.releases.history import load_history
from paramstore.releases.versions import compare_versions, find_version
from tests.engines import Engines
from tests.releases.histories import freeze_texts
from tests.releases.units import commit

STORE = """[store]
name = "demo"
part = "24LC04B"

[group.settings]
role = "setting"
writes = "1 per day"
room = 60

[group.settings.parameter]
"""
PH = ('ph_low = { type = "u16", scale = 0.01, default = 6.5, below = "ph_high" }\n'
      'ph_high = { type = "u16", scale = 0.01, default = 8.5 }\n')


def frozen(folder: Path, *texts: str) -> Path:
    """A schema file whose releases have these parameters."""
    path = folder / "demo.toml"
    freeze_texts(path, [STORE + text for text in texts])
    return path


def changes(path: Path, first: int, last: int) -> list[Change]:
    found = compare_versions(*(find_version(str(path), n) for n in (first, last)))
    return [c for c in found.changes if c.code == "PS770"]


def after(path: Path, first: int, last: int, **values: int) -> tuple[dict[str, int], set[str]]:
    """What firmware of a release serves of a unit of an earlier one, which has `values`; and what
    `migrate` says that it lost. Twin, C and host agree."""
    plans = load_history(path).plans
    old, new = plans[first - 1], plans[last - 1]
    group = old.schema.groups[0]
    raws = {f.name: f.default for f in group.fields} | {n: (v,) for n, v in values.items()}
    image = pack(old, {"settings": raws})
    engines = Engines(new, image)
    assert engines.call("mount") in (Status.OLDER, Status.OK, Status.FLAGGED)
    served = {n: int(r[0]) for n, r in engines.twin.values("settings").items()}
    made = migrate(unpack(old, image), new, plans[first - 1:last])
    lost = {i.where.partition(".")[2] for i in made.items if i.outcome is ValueOutcome.UNFIT}
    seen = Engines(new, made.image)
    seen.call("mount")
    assert served == {n: int(r[0]) for n, r in seen.twin.values("settings").items()}
    return served, lost


HI = 'hi = { type = "u8", max = 200, default = 100 }\n'
WARN = 'warn = { type = "u8", default = 50, below = "hi" }\n'


def test_a_new_parameter_with_a_rule(tmp_path: Path) -> None:
    """`warn` begins at 50 below the stored `hi`: one of 50 or less is lost, one above is not, and
    what is under another rule stays."""
    path = frozen(tmp_path, HI + PH, HI + PH + WARN)
    (said,) = changes(path, 1, 2)
    assert (Impact.MIGRATES, "settings.warn", ("settings.hi",)) == (
        said.impact, said.where, said.loses)
    assert said.text == ("its default 50 must be below `hi`: a unit that holds `hi` of 50 or less "
                         "gets the default 100 of that, too")
    for stored, kept in ((40, False), (50, False), (51, True)):
        served, lost = after(path, 1, 2, hi=stored, ph_low=710, ph_high=740)
        assert {"hi": stored if kept else 100, "warn": 50, "ph_low": 710, "ph_high": 740} == served
        assert lost == (set() if kept else {"hi"})


def test_a_new_parameter_above(tmp_path: Path) -> None:
    """The same from the other side: a new upper limit, and what is stored below it."""
    low = 'lo = { type = "u8", default = 10 }\n'
    path = frozen(tmp_path, low, low.replace(" }", ', below = "top" }')
                  + 'top = { type = "u8", default = 60 }\n')
    (said,) = changes(path, 1, 2)
    assert ("settings.top", ("settings.lo",)) == (said.where, said.loses)
    assert said.text == ("its default 60 must be above `lo`: a unit that holds `lo` of 60 or more "
                         "gets the default 10 of that, too")
    assert ({"lo": 10, "top": 60}, {"lo"}) == after(path, 1, 2, lo=60)
    assert ({"lo": 59, "top": 60}, set()) == after(path, 1, 2, lo=59)


def test_nothing_is_said_where_nothing_can_be_lost(tmp_path: Path) -> None:
    """Limits that keep every stored value on the right side of the default."""
    high = 'hi = { type = "u8", min = 60, default = 100 }\n'
    path = frozen(tmp_path, high, high + WARN)
    assert [] == changes(path, 1, 2)
    assert ({"hi": 60, "warn": 50}, set()) == after(path, 1, 2, hi=60)


def test_another_default_of_what_is_not_stored_yet(tmp_path: Path) -> None:
    """Units of release 2 that never committed since hold no `warn`; a default of 70 then stands
    against a `hi` that a default of 50 left alone. A lower one never does."""
    path = frozen(tmp_path, HI, HI + WARN, HI + WARN.replace("50", "70"),
                  HI + WARN.replace("50", "60"))
    (said,) = changes(path, 2, 3)
    assert ("settings.warn", ("settings.hi",)) == (said.where, said.loses)
    assert said.text == ("its default 70, in a unit that holds none, must be below `hi`: one that "
                         "holds `hi` of 51 to 70 gets the default 100 of that, too")
    assert [] == changes(path, 3, 4)
    assert ["settings.warn"] == [c.where for c in changes(path, 1, 3)]
    assert older(path, 2, 3, hi=51) == {"hi": 100, "warn": 70}
    assert older(path, 2, 3, hi=71) == {"hi": 71, "warn": 70}


def older(path: Path, label: int, release: int, **values: int) -> dict[str, int]:
    """What firmware of a release serves of a unit that has the label of one before, but a record
    that release 1 wrote."""
    plans = load_history(path).plans
    engines = Engines(plans[0])
    engines.call("mount"), engines.call("format")
    commit(engines.twin, "settings", {n: (v,) for n, v in values.items()})
    image = bytes(engines.twin.bench.device.memory)
    unit = Engines(plans[label - 1], image)
    assert Status.OLDER is unit.call("mount")
    assert Status.OK is unit.call("format")
    unit = Engines(plans[release - 1], bytes(unit.device.memory))
    unit.call("mount")
    return {n: int(r[0]) for n, r in unit.twin.values("settings").items()}


def test_a_limit_narrowed_on_one_side(tmp_path: Path) -> None:
    """A stored value outside the new limits becomes the default, which may be on the wrong side of
    the other one: only where it was narrowed towards that."""
    both = 'lo = {{ type = "u8", {}, default = 50, below = "hi" }}\n'
    path = frozen(tmp_path, *(both.format(limits) + HI for limits in (
        "max = 150", "min = 20, max = 150", "min = 20, max = 60")))
    (said,) = changes(path, 1, 2)
    assert ("settings.lo", ("settings.hi",)) == (said.where, said.loses)
    assert said.text == ("its default 50, in place of a value outside the limits, must be below "
                         "`hi`: a unit that then holds `hi` of 50 or less gets the default 100 of "
                         "that, too")
    assert [] == changes(path, 2, 3)
    assert ({"lo": 50, "hi": 100}, {"lo", "hi"}) == after(path, 1, 2, lo=10, hi=40)
    assert ({"lo": 50, "hi": 51}, {"lo"}) == after(path, 1, 2, lo=10, hi=51)
    assert ({"lo": 50, "hi": 140}, {"lo"}) == after(path, 2, 3, lo=100, hi=140)


def test_one_takes_the_next(tmp_path: Path) -> None:
    """Of three limits in a row the first default takes the second value with it, and the default of
    that the third one."""
    middle = 'hi = { type = "u8", default = 100, below = "top" }\n'
    top = 'top = { type = "u8", default = 200 }\n'
    path = frozen(tmp_path, middle + top, middle + top + WARN)
    second, first = changes(path, 1, 2)
    assert [("settings.warn", ("settings.hi",)), ("settings.hi", ("settings.top",))] == [
        (c.where, c.loses) for c in (first, second)]
    assert second.text == ("its default 100, where it comes in with that of `warn`, must be below "
                           "`top`: a unit that then holds `top` of 100 or less gets the default "
                           "200 of that, too")
    assert ({"hi": 100, "top": 200, "warn": 50}, {"hi", "top"}) == after(path, 1, 2, hi=40, top=90)
    assert ({"hi": 100, "top": 120, "warn": 50}, {"hi"}) == after(path, 1, 2, hi=40, top=120)


def test_a_new_rule_between_old_parameters(tmp_path: Path) -> None:
    """PS767 says that both are lost; not where limits keep every pair in order."""
    old = 'lo = {{ type = "u8", max = {}, default = 10{} }}\n'
    path = frozen(tmp_path, old.format(90, "") + HI, old.format(90, ', below = "hi"') + HI)
    found = compare_versions(find_version(str(path), 1), find_version(str(path), 2)).changes
    assert [("PS767", Impact.MIGRATES, ("settings.lo", "settings.hi"),
             "must be below `hi` now; a unit where it is not gets the defaults of both")] == [
        (c.code, c.impact, c.loses, c.words) for c in found]
    assert ({"lo": 10, "hi": 100}, {"lo", "hi"}) == after(path, 1, 2, lo=80, hi=70)
    (tmp_path / "fine").mkdir()
    apart = HI.replace("max = 200", "min = 95, max = 200")
    path = frozen(tmp_path / "fine", old.format(90, "") + apart,
                  old.format(90, ', below = "hi"') + apart)
    found = compare_versions(find_version(str(path), 1), find_version(str(path), 2)).changes
    assert [("PS767", Impact.SAFE, ())] == [(c.code, c.impact, c.loses) for c in found]


def test_arrays_say_which_element(tmp_path: Path) -> None:
    """Each element has a default of its own to stand against."""
    high = 'hi = { type = "u8", count = 2, default = [100, 200] }\n'
    warn = 'warn = { type = "u8", count = 2, default = [50, 150], below = "hi" }\n'
    (said,) = changes(frozen(tmp_path, high, high + warn), 1, 2)
    assert "holds `hi[0]` of 50 or less or `hi[1]` of 150 or less gets" in said.text


@pytest.mark.parametrize("factors", [(-1, -1), (1, 2)])
def test_a_conversion_that_changes_the_order(tmp_path: Path, factors: tuple[int, int]) -> None:
    """Two values that are converted each in its own way, or turned round, may break their rule."""
    def text(unit: str, converts: tuple[str, str]) -> str:
        a, b = converts
        return (f'lo = {{ type = "i16", unit = "{unit}", default = 1, below = "hi"{a} }}\n'
                f'hi = {{ type = "i16", unit = "{unit}", default = 2{b} }}\n')

    a, b = (f", convert = {{ factor = {f} }}" for f in reversed(factors))
    path = frozen(tmp_path, text("a", ("", "")), text("b", (a, b)))
    found = compare_versions(find_version(str(path), 1), find_version(str(path), 2)).changes
    assert [("settings.lo", "settings.hi")] == [c.loses for c in found if c.code == "PS767"]
    assert after(path, 1, 2, lo=3, hi=4)[1] == {"lo", "hi"}
