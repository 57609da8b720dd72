"""The schema of a dump is found by its label, else by its records, else not at all."""

from __future__ import annotations

import random
import shutil
from pathlib import Path

import pytest

from paramstore.core.errors import FindingsError
from paramstore.core.format import label_name_bytes
from paramstore.files.forms import FORMS, read_dump
from paramstore.files.runs import swapped
from paramstore.image.pack import pack
from paramstore.inspect.which import Candidate, Choice, SchemaFolder, choose
from tests.inspect.scenes import PLAN, used_unit
from tests.releases.histories import relaid

SCHEMAS = Path(__file__).parents[2] / "schemas"
FOLDER = SchemaFolder(SCHEMAS)
SHIPPED = tuple(of for of in FOLDER.layouts() if isinstance(of, Candidate))
ALL = (*SHIPPED, Candidate("bench_unit", PLAN))
IMAGE = bytes(used_unit("settings", 6, random.Random(1)).bench.device.memory)


def chosen(data: bytes, candidates: tuple[Candidate, ...] = ALL) -> Choice:
    return choose(read_dump(data, "x.bin", FORMS["bin"]), candidates)


def refusal(data: bytes, candidates: tuple[Candidate, ...] = ALL, *,
            named: bool = True) -> tuple[str, str]:
    with pytest.raises(FindingsError) as caught:
        choose(read_dump(data, "x.bin", FORMS["bin"]), candidates, named=named)
    (finding,) = caught.value.findings
    return finding.code, finding.message


def test_a_folder_gives_its_schemas() -> None:
    """Every schema is a candidate, and a values file is none."""
    names = {Path(c.name.partition(",")[0]).name for c in SHIPPED}
    assert {"tank_probe.toml", "minimal.toml", "large.toml"} <= names
    assert str(SCHEMAS / "tank_probe.values.toml") in FOLDER.passed


@pytest.mark.parametrize("candidate", [c for c in SHIPPED if label_name_bytes(c.plan.part.page)],
                         ids=lambda c: Path(c.name).name)
def test_of_a_folder_a_label_needs_only_its_own_schema(
    candidate: Candidate, tmp_path: Path
) -> None:
    """What a label names is read, releases and all, and gives the same answer as everything; what
    has another name in it is not looked at."""
    shutil.copytree(SCHEMAS, tmp_path, dirs_exist_ok=True)
    (tmp_path / "broken.toml").write_text("[store", "utf-8")
    reading = read_dump(pack(candidate.plan, {}, defaults=True), "x.bin", FORMS["bin"])
    near = SchemaFolder(tmp_path)
    among = near.layouts_for(reading)
    assert str(tmp_path / "broken.toml") not in near.passed
    wanted, found = (choose(reading, [of for of in some if isinstance(of, Candidate)], named=False)
                     for some in (SchemaFolder(tmp_path).layouts(), among))
    assert (wanted.candidate.name, wanted.findings) == (found.candidate.name, found.findings)


def test_without_its_schema_a_label_needs_all() -> None:
    """A label of a store that is not there, and a dump without one: there is all to choose from."""
    for data in (IMAGE, bytes(64) + IMAGE[64:], b"\xff" * 4096):
        assert FOLDER.layouts() == FOLDER.layouts_for(read_dump(data, "x.bin", FORMS["bin"]))


@pytest.mark.parametrize("candidate", ALL, ids=lambda c: Path(c.name).name)
def test_the_label_names_the_schema(candidate: Candidate) -> None:
    """Each image is recognised as that of its own plan, release and all, without a word."""
    choice = chosen(pack(candidate.plan, {}, defaults=True))
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
    assert ("PS657", "the dump is of the store `bench_un`, and no schema is") == refusal(
        IMAGE, SHIPPED)


def test_one_schema_needs_no_evidence() -> None:
    """Who gives one schema means it: what does not fit is for the findings to say."""
    only = (Candidate("bench_unit", PLAN),)
    assert PLAN is chosen(b"\xff" * 4096, only).candidate.plan


@pytest.mark.parametrize("data", [b"\xff" * 4096, bytes(4096), random.Random(1).randbytes(4096)],
                         ids=["blank", "zeros", "noise"])
def test_the_only_schema_of_a_folder_needs_evidence(data: bytes) -> None:
    """A folder names no schema: alone in it, one is taken for its label or its records only."""
    only = (Candidate("bench_unit", PLAN),)
    assert ("PS657", "nothing in the dump tells its schema") == refusal(data, only, named=False)
    reading = read_dump(bytes(64) + IMAGE[64:], "x.bin", FORMS["bin"])
    assert PLAN is choose(reading, only, named=False).candidate.plan
    reading = read_dump(IMAGE[:32].ljust(4096, b"\xff"), "x.bin", FORMS["bin"])
    assert PLAN is choose(reading, only, named=False).candidate.plan


def test_the_only_schema_of_a_folder_is_not_that_of_another_store() -> None:
    """A label of another store is told as such."""
    assert ("PS657", "the dump is of the store `bench_un`, and no schema is") == refusal(
        IMAGE, SHIPPED[:1], named=False)


PROBE = tuple(c for c in SHIPPED if c.plan.schema.name == "tank_probe")


@pytest.mark.parametrize("candidates", [PROBE, SHIPPED], ids=["named", "folder"])
def test_a_release_that_no_label_tells_is_said(candidates: tuple[Candidate, ...]) -> None:
    """Records tell the store, not the release: it is read as the schema stands, and what to do
    about it is said. A label that shows once words are turned settles it all the same."""
    release = next(c.plan for c in PROBE if c.plan.release == 2)
    image = pack(release, {}, defaults=True)
    reading = read_dump(b"\xff" * 64 + image[64:], "x.bin", FORMS["bin"])
    choice = choose(reading, candidates, named=candidates is PROBE)
    assert PROBE[0] == choice.candidate
    said = choice.findings[-1]
    assert ("PS658", ("there are releases 1, 2, 3, 4, 5",)) == (said.code, said.notes)
    assert "--release" in said.help
    turned = choose(read_dump(swapped(image, 2), "x.bin", FORMS["bin"]), candidates,
                    named=candidates is PROBE)
    assert (release.layout_id, ["PS654"]) == (
        turned.candidate.plan.layout_id, [f.code for f in turned.alignment.findings])


def test_records_tell_the_series() -> None:
    """Without a label, the series whose records are whole counts, not the latest one."""
    past = relaid()
    plans = [past.plan(n) for n in range(6, 0, -1)]
    candidates = tuple(Candidate(str(plan.release), plan) for plan in plans)
    assert 2 == len({plan.series for plan in plans})
    for plan in (past.plan(6), past.plan(5)):
        label = 2 * plan.label_pages * plan.part.page
        data = bytes(label) + pack(plan, {}, defaults=True)[label:]
        choice = choose(read_dump(data, "x.bin", FORMS["bin"]), candidates)
        assert plan == choice.candidate.plan
