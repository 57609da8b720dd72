"""Random histories of stores: any legal edits, release after release, and the same promises."""

from __future__ import annotations

import random
from itertools import combinations
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from paramstore.core.errors import SourceText, errors_in
from paramstore.core.status import Status
from paramstore.releases.project import review
from tests.codes import RELEASES as CODES
from tests.engines import Engines
from tests.releases.edits import without_rules
from tests.releases.histories import grow, grown
from tests.releases.migrations import migration_of
from tests.releases.units import Unit
from tests.releases.wrong_edits import WRONG_EDITS

RANDOM = st.integers(0, 2**32 - 1).map(random.Random)
"""By seed, not by choice: chance makes more of a history than what is simple first."""


@given(RANDOM)
@settings(max_examples=25)
def test_any_release_reads_units_of_any_other(rng: random.Random) -> None:
    """Whatever was edited, and whichever firmware a unit ran before: every release sees what the
    model says, and the host makes of it a unit of every release."""
    past = grown(rng, rng.randint(2, 4))
    releases = range(1, len(past.plans) + 1)
    for first in releases:
        unit = Unit(past, first)
        for _ in range(rng.randint(1, 3)):
            unit.run(rng.choice(releases), rng)
        if rng.randrange(2):
            unit.tear(rng)
        for release in releases:
            unit.check(release)
            unit.check_migrated(release)


@given(RANDOM)
@settings(max_examples=15)
def test_a_series_in_between(rng: random.Random) -> None:
    """Units of before a new series are laid out anew on the host; those of either series are read
    by its releases as ever."""
    anew = rng.randint(2, 3)
    past = grown(rng, 4, anew=anew)
    series = [plan.series for plan in past.plans]
    for first in range(1, len(series) + 1):
        unit = Unit(past, first)
        unit.run(first, rng)
        for release in range(1, len(series) + 1):
            if series[release - 1] == series[first - 1]:
                unit.check(release)
                unit.check_migrated(release)
            elif release > first:
                unit.check_relaid(release)


@given(RANDOM)
@settings(max_examples=15)
def test_wrong_edits_are_refused(rng: random.Random) -> None:
    """Whatever the history: each kind of edit that units could not follow is refused with its code,
    with a way out, and no release comes of it."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "store.toml"
        store = grow(path, rng, rng.randint(1, 3))
        for code, edit in WRONG_EDITS.items():
            text = edit(without_rules(store), rng)
            if text is not None:
                found = review(SourceText(str(path), text))
                assert {code} == {f.code for f in errors_in(found.findings)}, text
                assert found.project is None
                assert all(f.help for f in found.findings)


def test_every_refusal_has_a_wrong_edit() -> None:
    """No code of what cannot be done is left out."""
    elsewhere = {"PS736", "PS737", "PS738"}  # 64-bit numbers; a warning; the 256th revision
    refusals = {code for code in CODES if "PS720" <= code < "PS750"}
    assert refusals - elsewhere == set(WRONG_EDITS)


def cut(seed: int) -> int:
    """Take units over with the twin and the C side by side, then cut that twice; return how many
    states the cuts led to."""
    rng = random.Random(seed)
    past = grown(rng, 3, f"store{seed}")
    states = 0
    for first, second in combinations(range(1, len(past.plans) + 1), 2):
        unit = Unit(past, first)
        unit.run(first, rng, every=True)
        engines = Engines(past.plan(second), unit.image)
        assert Status.OLDER is engines.call("mount")
        assert Status.OK is engines.call("format")
        after = bytes(engines.device.memory)
        witness = migration_of(past.plan(first))
        witness.remember(unit.image, after)
        states += migration_of(past.plan(second)).run(unit.image, 2, 2, witness).states
        downgraded = Engines(past.plan(first), after)
        assert downgraded.call("mount") in (Status.OK, Status.FLAGGED)
        unit.run(second, rng)
        unit.check(first)
    return states


CHAINED = (12, 18)
"""Of these histories a group takes from one that takes something itself: order matters."""


@pytest.mark.parametrize("seed", CHAINED)
def test_compiled_firmware_takes_over(seed: int) -> None:
    """The same with the compiled C of each release; every migration is cut at each page write, and
    again while it goes on."""
    past = grown(random.Random(seed), 3)
    assert any(migration.source in {m.group for m in plan.migrations} - {migration.group}
               for plan in past.plans for migration in plan.migrations)
    assert 100 < cut(seed)


@pytest.mark.long
@pytest.mark.parametrize("seed", range(60))
def test_compiled_firmware_of_many_histories(seed: int) -> None:
    """As above, for more of them."""
    assert 100 < cut(seed)
