"""The schema of a dump is found by its label, else by its records, else not at all."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from paramstore.decode.which import Candidate, Choice, candidates_in, choose
from paramstore.errors import FindingsError
from paramstore.image.files import FORMS, read_dump
from paramstore.image.pack import pack
from tests.decode.scenes import PLAN, used_unit

SCHEMAS = Path(__file__).parents[2] / "schemas"
SHIPPED, PASSED = candidates_in(SCHEMAS)
ALL = (*SHIPPED, Candidate("bench_unit", PLAN))
IMAGE = bytes(used_unit("settings", 6, random.Random(1)).bench.device.memory)


def chosen(data: bytes, candidates: tuple[Candidate, ...] = ALL) -> Choice:
    return choose(read_dump(data, "x.bin", FORMS["bin"]), candidates)


def refusal(data: bytes, candidates: tuple[Candidate, ...] = ALL) -> tuple[str, str]:
    with pytest.raises(FindingsError) as caught:
        chosen(data, candidates)
    (finding,) = caught.value.findings
    return finding.code, finding.message


def test_a_folder_gives_its_schemas() -> None:
    """Every schema is a candidate, and a values file is none."""
    names = {Path(c.name.partition(",")[0]).name for c in SHIPPED}
    assert {"tank_probe.toml", "minimal.toml", "large.toml"} <= names
    assert str(SCHEMAS / "tank_probe.values.toml") in PASSED


@pytest.mark.parametrize("candidate", ALL, ids=lambda c: Path(c.name).name)
def test_the_label_names_the_schema(candidate: Candidate) -> None:
    """Each image is recognised as that of its own plan, release and all, without a word."""
    choice = chosen(pack(candidate.plan, {}))
    assert (candidate.plan.layout_id, candidate.plan.release, ()) == (
        choice.candidate.plan.layout_id, choice.candidate.plan.release, choice.findings)


def test_records_tell_where_the_label_is_gone() -> None:
    """Without labels the schema whose records are whole is taken, and that is said."""
    choice = chosen(bytes(64) + IMAGE[64:])
    assert PLAN is choice.candidate.plan
    assert [("PS656", "the dump is of `bench_unit`: 4 of its records are whole")] == [
        (f.code, f.message) for f in choice.findings]


def test_a_shifted_dump_is_recognised_too() -> None:
    """The label is looked for anywhere."""
    assert PLAN is chosen(b"header" + IMAGE).candidate.plan


def test_nothing_is_guessed() -> None:
    """A blank dump, noise, or one of a store that is not there is refused."""
    assert ("PS657", "nothing in the dump tells its schema") == refusal(b"\xff" * 4096)
    assert ("PS657", "nothing in the dump tells its schema") == refusal(bytes(4096))
    assert ("PS657", "the dump is of the store `bench_unit`, and no schema is") == refusal(
        IMAGE, SHIPPED)


def test_one_schema_needs_no_evidence() -> None:
    """Who gives one schema means it: what does not fit is for the findings to say."""
    only = (Candidate("bench_unit", PLAN),)
    assert PLAN is chosen(b"\xff" * 4096, only).candidate.plan
