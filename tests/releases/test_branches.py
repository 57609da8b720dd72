"""Two branches of one store, each with a release of the same number: neither takes a unit of the
other for its own, whatever is frozen after."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest

from paramstore.core.status import Status
from paramstore.image.contents import LabelState, unpack
from paramstore.image.diagnose import diagnose
from paramstore.image.pack import pack
from paramstore.layout.plan import Plan
from paramstore.record import build_label, read_label
from paramstore.releases.change import Impact
from paramstore.releases.values import Parting, parting
from paramstore.releases.versions import compare_versions, find_version
from tests.engines import Engines
from tests.releases.histories import freeze_texts, past_of

HEAD = """[store]
name = "demo"
part = "{}"

[group.settings]
role = "setting"
writes = "1 per day"
room = {}

[group.settings.parameter]
level = {{ type = "u8" }}
"""
COMMON = ("first", "second", "third")


@cache
def branch(*names: str, part: str = "24LC04B", room: int = 40) -> tuple[Plan, ...]:
    """Releases that each append a parameter: the common ones, then those named here."""
    return past_of(texts_of((*COMMON, *names), part, room)).plans


def texts_of(names: tuple[str, ...], part: str = "24LC04B", room: int = 40) -> list[str]:
    """The schema text of each release."""
    texts, text = [], HEAD.format(part, room)
    for name in names:
        text += f'{name} = {{ type = "u8" }}\n'
        texts.append(text)
    return texts


OURS = branch("ours4", "ours5")
THEIRS = branch("theirs4", "theirs5", "theirs6", "theirs7", "theirs8", "theirs9", "theirs10")


def mounted(plan: Plan, label: Plan) -> Status:
    """What the twin and the C of `plan` say to a unit of `label`; both agree."""
    status = Engines(plan, pack(label, {}, defaults=True)).call("mount")
    assert isinstance(status, Status)
    return status


@pytest.mark.parametrize("number", range(4, 11))
def test_a_release_of_another_branch_is_refused(number: int) -> None:
    """Firmware of our release 4 takes their later releases for what they are, as far as a label
    tells: of four releases before its own."""
    told = number <= 8
    assert (Status.ERR_LAYOUT if told else Status.OK) is mounted(OURS[3], THEIRS[number - 1])


@pytest.mark.parametrize("number", range(1, 11))
def test_the_branch_itself_is_accepted(number: int) -> None:
    """Firmware of their release 4, and that of a release both have, accepts all that follows."""
    for release in (3, 4):
        expected = Status.OLDER if number < release else Status.OK
        assert expected is mounted(THEIRS[release - 1], THEIRS[number - 1])


@pytest.mark.parametrize("gap", range(1, 5))
def test_every_byte_of_the_lineage_counts(gap: int) -> None:
    """On 8-byte pages, where a label has no name, too: one wrong bit of the byte that is of this
    release makes the unit foreign, and one of another byte does not."""
    plans = branch("a", "b", "c", "d", part="24LC02B", room=6)
    later = plans[2 + gap]
    assert 8 == later.part.page
    for other in range(1, 5):
        line = list(later.lineage)
        if other <= len(line):
            release, layout_id = line[-other]
            line[-other] = (release, layout_id ^ 1)
        forged = replace(later, lineage=tuple(line))
        expected = Status.ERR_LAYOUT if other == gap else Status.OK
        assert expected is mounted(plans[2], forged)


def test_another_format_version_is_refused_first() -> None:
    """A label of another format version is refused as such, even if release, store id and layout id
    are those of a known earlier release, or the store is another one."""
    from paramstore.core.checksum import crc32c

    for plan in (OURS[0], replace(OURS[0], store_id=1), OURS[4]):
        front = bytearray(build_label(plan)[:-4])
        front[4] = 2
        label = bytes(front) + crc32c(bytes(front)).to_bytes(4, "little")
        image = label + pack(OURS[0], {}, defaults=True)[len(label):]
        engines = Engines(OURS[4], image)
        assert Status.ERR_LAYOUT is engines.call("mount")
        assert LabelState.FORMAT is unpack(OURS[4], image).label_state


def test_copy_0_counts_where_both_are_whole() -> None:
    """Two whole labels that differ: firmware and host go by copy 0."""
    image = bytearray(pack(OURS[4], {}, defaults=True))
    at = OURS[4].label_address(1)
    image[at:at + OURS[4].label_bytes] = build_label(THEIRS[3])
    assert Status.OK is Engines(OURS[4], bytes(image)).call("mount")
    assert LabelState.OURS is unpack(OURS[4], bytes(image)).label_state
    image[:at] = build_label(THEIRS[3]).ljust(at, b"\xff")
    assert Status.ERR_LAYOUT is Engines(OURS[4], bytes(image)).call("mount")
    assert LabelState.BRANCH is unpack(OURS[4], bytes(image)).label_state


@pytest.mark.parametrize(("number", "expected"), [
    (3, None), (4, Parting(3, 4)), (5, Parting(3, 4)), (7, Parting(3, 4)), (8, Parting(0, 4)),
    (9, Parting(0, 5)), (10, None),
])
def test_where_the_branches_part(number: int, expected: Parting | None) -> None:
    """A label tells the last release that both have, and the first one that they do not, as far
    back as it reaches."""
    label = read_label(build_label(THEIRS[number - 1]))
    assert label is not None
    assert expected == parting(label, OURS[4])


def test_the_host_says_that_a_unit_is_of_another_branch() -> None:
    """No value is read, and the finding says where the branches part; what both have can be read
    with the release that both have."""
    image = pack(THEIRS[5], {}, defaults=True)
    contents = unpack(OURS[4], image)
    assert (LabelState.BRANCH, False) == (contents.label_state, contents.readable)
    (found,) = diagnose(contents, "unit.bin")
    assert ("PS617", "the part is of another branch of `demo`: its release 4 is not that of this "
            "schema") == (found.code, found.message)
    assert "both have release 3" in found.notes[0]
    assert "`paramstore unpack --release 3` reads" in found.help
    shared = unpack(OURS[2], image)
    assert (LabelState.RELEASE, True) == (shared.label_state, shared.readable)


def test_states_of_two_branches_are_not_compared(tmp_path: Path) -> None:
    """PS717: what one branch released is no state that the other one goes on from, be it a release
    or the schema; a copy of the same releases is."""
    for name, more in (("ours", ["ours4"]), ("theirs", ["theirs4", "theirs5"])):
        folder = tmp_path / name
        folder.mkdir()
        texts = texts_of((*COMMON, *more))
        freeze_texts(folder / "demo.toml", texts)
        (folder / "demo.toml").write_text(texts[-1])
    ours, theirs = (str(tmp_path / n / "demo.toml") for n in ("ours", "theirs"))
    for old, new in (((ours, 4), (theirs, 4)), ((ours, 4), (theirs, 5)),
                     ((ours, 4), (theirs, None)), ((theirs, 4), (ours, 4))):
        found = compare_versions(find_version(*old), find_version(*new))
        assert (["PS717"], Impact.REFUSED, ()) == (
            [f.code for f in found.findings], found.verdict, found.changes)
        assert "release 4" in found.findings[0].message and found.findings[0].help
    found = compare_versions(find_version(ours, 3), find_version(theirs, 5))
    assert ((), ["settings.theirs4", "settings.theirs5"]) == (
        found.findings, [c.where for c in found.changes])


def test_a_schema_that_was_edited_since_knows_its_branch() -> None:
    """A layout that is not released tells the units of another branch too."""
    edited = replace(OURS[4], release=0)
    assert LabelState.BRANCH is unpack(edited, pack(THEIRS[4], {}, defaults=True)).label_state
    assert LabelState.LAYOUT is unpack(edited, pack(OURS[4], {}, defaults=True)).label_state
