"""Deliberate mistakes in the store and in what is announced: each is noticed, by whoever should.

Those that tests of the suite notice take a minute together: with `--long`, or
`python -m tests.programs.mutants`.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from paramstore.verify.cuts.results import Verdict
from tests.verify.cuts.mutants import HISTORIES, Mutant
from tests.verify.cuts.mutants_in_c import IN_C
from tests.verify.cuts.mutants_in_python import IN_CHANGES, IN_TWIN
from tests.verify.cuts.mutation import MUTANTS, ROOT, who_catches

EXPLORED = [m for m in MUTANTS if m.explored]
TESTED = [m for m in MUTANTS if not m.explored]
TABLE = Path(__file__).parents[2] / "programs" / "figures" / "mutants.txt"
INVARIANTS = {f"I{number}" for number in range(1, 19)}
NOT_CUTS = {"I11", "I12"}  # migrations, and undefined behaviour: tests of the suite see them


def named(mutant: Mutant) -> str:
    """What a test of this mutant is called."""
    return f"{mutant.where}: {mutant.name}"


def test_each_mistake_can_be_made() -> None:
    """The text to change is there exactly once, and the change is one."""
    for mutant in MUTANTS:
        text = (ROOT / mutant.file).read_text("utf-8")
        assert text != mutant.change(text), mutant.name
    assert len(MUTANTS) == len({named(mutant) for mutant in MUTANTS})


def test_a_mistake_that_cannot_be_made_is_told() -> None:
    """Code that has changed its shape needs a new text here; the mutant does not fade away."""
    with pytest.raises(AssertionError, match="has this 0 times"):
        who_catches(replace(IN_C[0], old="code that was there once"))


def test_there_are_enough() -> None:
    """Every invariant is broken, and the oracles of power cuts name all that cuts can break."""
    assert len(IN_C) >= 60
    assert len(IN_TWIN) >= 25
    assert INVARIANTS <= {mutant.invariant for mutant in MUTANTS}
    assert INVARIANTS - NOT_CUTS <= {mutant.invariant for mutant in EXPLORED}


def test_the_table_kept_is_complete() -> None:
    """The program has run with all of them and none escaped."""
    text = TABLE.read_text("utf-8")
    assert all(mutant.name in text for mutant in MUTANTS)
    assert (f"{len(IN_C)} mistakes in the runtime, {len(IN_TWIN)} in the twin, "
            f"{len(IN_CHANGES)} in what is announced; 0 not caught as said") in text


@pytest.mark.parametrize("mutant", EXPLORED, ids=named)
def test_an_oracle_names_the_invariant(mutant: Mutant) -> None:
    """The campaign, or random histories, say what is broken."""
    assert mutant.caught_by == who_catches(mutant)


@pytest.mark.long
@pytest.mark.parametrize("mutant", TESTED, ids=named)
def test_the_suite_notices(mutant: Mutant) -> None:
    """A test fails, in an assertion of its own."""
    assert mutant.caught_by == who_catches(mutant)


@pytest.mark.parametrize(("mutant", "found"), [
    (IN_C[0], "no violation"),
    (replace(IN_C[0], example=HISTORIES), "[]"),
    (replace(IN_C[0], caught_by="tests/verify/rig/test_twin.py::test_negative_zero_is_zero"),
     "pytest 0, nothing noticed"),
    (replace(IN_TWIN[1], caught_by="tests/verify/rig/test_twin.py::test_negative_zero_is_zero"),
     "pytest 0, nothing noticed"),
    (IN_CHANGES[0], "no violation"),
])
def test_no_mistake_is_not_caught(mutant: Mutant, found: str) -> None:
    """Whoever should notice says nothing about a store without a mistake."""
    assert found == who_catches(replace(mutant, new=mutant.old))


def test_a_mistake_that_the_compiler_sees_does_not_count() -> None:
    """Neither does one that no interpreter would run."""
    for mutant in (IN_C[0], replace(IN_TWIN[0], name="x")):
        assert "Error" in str(who_catches(replace(mutant, new="return (")))


def test_a_crash_and_a_hang_are_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """They harm no other mutant, and are not taken for a verdict."""
    crash = replace(IN_C[0], old="ps_status_t ps_mount(ps_store_t *store) {",
                    new="ps_status_t ps_mount(ps_store_t *store) { *(volatile int *)0 = 1;")
    assert "crashed" in str(who_catches(crash))
    monkeypatch.setattr("tests.verify.cuts.mutation.TIME_S", 1)
    hang = replace(crash, new="ps_status_t ps_mount(ps_store_t *store) { while (store->layout) {}")
    assert "it did not end" == who_catches(hang)


def test_verdicts_that_mutants_claim_are_of_invariants() -> None:
    """No mutant is said to be caught by the verdict that nothing is wrong."""
    assert all(mutant.caught_by is not Verdict.GOOD for mutant in MUTANTS)
