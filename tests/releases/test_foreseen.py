"""What `migrate` tells of a value, `compare` has told before: nothing happens to a unit unsaid."""

from __future__ import annotations

import random
from itertools import combinations
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from paramstore.image.contents import unpack
from paramstore.image.migrate import MigratedValue, ValueOutcome, migrate
from paramstore.image.relayout import relayout
from paramstore.releases.changes import Change
from paramstore.releases.history import Release, ReleaseHistory
from paramstore.releases.successors import predecessors
from paramstore.releases.versions import Version, compare_versions
from tests.releases.histories import Past, grown, tank_probe
from tests.releases.units import Unit


def compared(past: Past, first: int, last: int) -> tuple[Change, ...]:
    history = ReleaseHistory(tuple(Release(plan, "") for plan in past.plans))
    old, new = (Version(f"release {n}", past.plan(n).schema, history, Path(), n)
                for n in (first, last))
    return compare_versions(old, new).changes


def foretold(item: MigratedValue, changes: tuple[Change, ...]) -> bool:
    """Whether some change says of this parameter what became of it."""
    own = {c.code: c.words for c in changes if c.where == item.where}
    match item.outcome:
        case ValueOutcome.KEPT | ValueOutcome.DEFAULTED:
            return True
        case ValueOutcome.CONVERTED:
            return bool({"PS762", "PS763", "PS764", "PS765"} & set(own))
        case ValueOutcome.ROUNDED:
            return "rounded to" in own.get("PS762", "")
        case ValueOutcome.CUT:
            return "PS765" in own
        case ValueOutcome.RETIRED:
            return "its values stay in old units" in own.get("PS754", "")
        case ValueOutcome.LOST:
            return "its values do not come over" in own.get("PS754", "")
        case ValueOutcome.UNFIT if (item.reason == "it does not rise"
                                    or " must be below " in item.reason):
            return any(item.where in c.loses for c in changes)
        case ValueOutcome.UNFIT if item.reason.startswith("outside any finite "):
            return "PS762" in own  # the end of all floats is nobody's limit
        case ValueOutcome.UNFIT:
            return ("PS760" if item.reason == "no such member" else "PS758") in own
    return False


def check(past: Past, rng: random.Random) -> None:
    """Units of each release go up to each later one: made by that release alone, or by an earlier
    one, of which some records are left."""
    for first, last in combinations(past.releases, 2):
        changes = compared(past, first, last)
        series = [n for n in range(1, first + 1)
                  if past.plan(n).series == past.plan(first).series]
        unit = Unit(past, rng.choice(series))
        unit.run(unit.label, rng, every=True)
        unit.run(first, rng, every=bool(rng.randrange(2)))
        contents = unpack(past.plan(first), unit.image)
        between = past.plans[first - 1:last]
        way = migrate if past.plan(first).series == past.plan(last).series else relayout
        former = predecessors(between)
        lost_before = {f"{g.ring.group.name}.{p.name}" for g in contents.groups
                       for p in g.ring.group.parameters if g.reset_of(p)}
        for item in way(contents, past.plan(last), between).items:
            group, _, name = item.where.partition(".")
            source = former.get((group, name))
            if source and f"{source.ring.group.name}.{source.parameter.name}" in lost_before:
                continue  # its own firmware does not serve it either
            assert foretold(item, changes), (item, changes)


@given(st.integers(0, 2**32 - 1).map(random.Random))
@settings(max_examples=40)
def test_whatever_was_edited(rng: random.Random) -> None:
    """Random histories, one release or several at once; in some of them a new series."""
    check(grown(rng, rng.randint(2, 5), anew=rng.randint(1, 5)), rng)


def test_of_the_example() -> None:
    """The five releases of the example."""
    for seed in range(5):
        check(tank_probe(), random.Random(seed))
