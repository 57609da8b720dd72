"""The bound for sealed commits is one: exact and sampled chances lie below it."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binom

from tests.programs import sealed_bound
from tests.programs.sealed_bound import Rule

SMALL = Rule(cells=16, readings=2, complete=0)


def dropped(rule: Rule, chances: sealed_bound.Floats) -> float:
    """The exact chance that one seal reads as used, and then below taken."""
    sums = sealed_bound.exact(chances, rule.readings)
    return float(sums[rule.high:].sum() * sums[:rule.low + 1].sum())


def test_exact_chances_of_equal_cells_are_those_of_the_binomial() -> None:
    sums = sealed_bound.exact(np.full(16, 0.9), 2)
    assert np.allclose(sums, binom.pmf(np.arange(33), 32, 0.9), rtol=1e-9)


@pytest.mark.parametrize("seed", range(5))
def test_no_choice_of_chances_exceeds_the_bound(seed: int) -> None:
    """Random cells, all means; the bound is not far off either."""
    bound = float(sealed_bound.drops(SMALL)[SMALL.drop])
    rng = np.random.default_rng(seed)
    for mean in np.linspace(0.5, 0.99, 50):
        chances = np.clip(mean + rng.uniform(0, 0.3) * rng.standard_normal(16), 0, 1)
        assert dropped(SMALL, chances) <= bound
    assert bound / 2 < max(dropped(SMALL, np.full(16, p)) for p in np.linspace(0.5, 1, 200))


def test_complete_readings_are_in_the_bound() -> None:
    """A seal is used at once, too, if both readings agree in full."""
    rule = Rule(cells=16, readings=2, complete=1)
    low = binom.cdf(rule.low, rule.total, 0.9)
    assert 0.9 ** 16 * low <= sealed_bound.drops(rule)[rule.drop]


@pytest.mark.parametrize("means", [[0.87], [0.93, 0.81]])
def test_importance_sampling_finds_the_exact_chance(means: list[float]) -> None:
    """Of equal cells: of one seal, and of two, whose middle readings must meet."""
    seals = [np.full(16, p) for p in means]
    sums = [sealed_bound.exact(s, SMALL.readings) for s in seals]
    if len(means) == 1:
        exact = dropped(SMALL, seals[0])
    else:
        below = np.cumsum(sums[0])  # the first one low, no higher than the second one's high
        exact = float(sums[0][SMALL.high:].sum() * (sums[1] * below).sum()
                      * sums[1][:SMALL.low + 1].sum())
    found, error = sealed_bound.sampled(SMALL, seals, 50_000, 3)
    assert abs(found - exact) < 5 * error < exact
    assert found - 5 * error < sealed_bound.chains(SMALL, 2)[len(means) - 1]


def test_a_longer_chain_is_likelier_and_a_wider_seal_is_not() -> None:
    bounds = sealed_bound.chains(SMALL, 3)
    assert bounds == sorted(bounds)
    wide = sealed_bound.chains(SMALL._replace(cells=32), 3)
    assert all(a <= b for a, b in zip(wide, bounds, strict=True))
    assert sealed_bound.each_cut([0.1, 0.2], 0.5) == pytest.approx(0.1 + 0.1 + 0.25)
