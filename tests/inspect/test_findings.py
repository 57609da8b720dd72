"""All that is said of slots, wear and stray bytes, in one text that people read."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from paramstore.core.errors import Finding, SourceText
from paramstore.files.forms import FORMS, read_dump
from paramstore.inspect.describe import describe
from paramstore.inspect.history import CommitHistory, Wear
from paramstore.inspect.slots import SlotKind
from paramstore.inspect.store import StoreExamination, examine_store
from paramstore.inspect.which import Candidate
from paramstore.layout.plan import Ring
from paramstore.record import build_record, encode_body, labelled_image
from paramstore.verify.eeprom.faults import Tear, Torn
from tests.goldens import golden
from tests.inspect.scenes import PLAN, cut_commit
from tests.inspect.test_honest import CURVES, IMAGE, ONLY, with_bits

GOLDEN = Path(__file__).parent / "golden" / "findings.txt"
SETTINGS, CURVE, IDENTITY = (PLAN.ring(name) for name in ("settings", "curve", "identity"))
FREE = CURVE.address(CURVE.slots)
PAGE = PLAN.part.page
TORN = ("PS660", "PS661", "PS665")
"""What is told of a commit that was cut; the scenes write one group only."""


def examined(image: bytes, what: str = "dump") -> StoreExamination:
    return examine_store(read_dump(image, "x", FORMS["bin"]), ONLY, what=what)


def put(image: bytes, at: int, data: bytes) -> bytes:
    return image[:at] + data + image[at + len(data):]


def without(image: bytes, ring: Ring, *slots: int) -> bytes:
    """An image in which slots of a ring are erased."""
    for slot in slots:
        image = put(image, ring.address(slot), b"\xff" * ring.record_bytes)
    return image


def torn(group: str, commits: int, page: int, tear: Tear) -> bytes:
    return cut_commit(group, commits, page, tear).image


def copied(image: bytes, ring: Ring, source: int, target: int) -> bytes:
    at = ring.address(source)
    return put(image, ring.address(target), image[at:at + ring.record_bytes])


def cases() -> dict[str, bytes]:
    """Parts in which something happened."""
    new = bytes(labelled_image(PLAN))
    first = build_record(PLAN, SETTINGS, 1, encode_body(SETTINGS, {"interval": (77,)}))
    found = {
        "nothing": IMAGE,
        "one bit": with_bits(IMAGE, SETTINGS, 1, 50),
        "two bits": with_bits(IMAGE, SETTINGS, 1, 50, 77),
        "two bits in an older record": with_bits(IMAGE, SETTINGS, 2, 50, 77),
        "many bits": with_bits(IMAGE, SETTINGS, 1, *range(40, 90, 3)),
        "one bit in the number": with_bits(IMAGE, SETTINGS, 1, 9),
        "a record of slot 0 in slot 2": copied(IMAGE, SETTINGS, 0, 2),
        "a record moved from slot 0 to slot 2": without(
            copied(IMAGE, SETTINGS, 0, 2), SETTINGS, 0),
        "a record of another group": put(IMAGE, SETTINGS.address(3), IMAGE[
            IDENTITY.address(0):IDENTITY.address(0) + IDENTITY.record_bytes]),
        "zeros in a slot": put(IMAGE, SETTINGS.address(2), bytes(SETTINGS.record_bytes)),
        "an erased slot": without(IMAGE, SETTINGS, 2),
        "the first write was cut in its first bytes": put(new, SETTINGS.address(0), first[:5]),
        "the first write was cut before its CRC": put(new, SETTINGS.address(0), first[:-4]),
        "the first write was cut in its CRC": put(new, SETTINGS.address(0), first[:-1]),
        "two writes, none of them whole": put(put(new, SETTINGS.address(0), first[:-1]),
                                              SETTINGS.address(1), first[:-1]),
        "all slots lost": put(IMAGE, SETTINGS.address(0), bytes(
            SETTINGS.pages * SETTINGS.page_bytes)),
        "a byte on a free page": put(IMAGE, FREE + 3, b"\0"),
        "bytes on two free pages": put(put(IMAGE, FREE + 3, b"\0"), FREE + 5 * PAGE, b"\1"),
        "bytes on nine free pages": put(IMAGE, FREE, bytes(9 * PAGE)),
        "bytes on eight free pages": put(IMAGE, FREE, bytes(8 * PAGE)),
        "the end is missing": IMAGE[:SETTINGS.address(2) + 3],
        "three pages, one bit": with_bits(CURVES, CURVE, 0, 400),
    }
    for kind in Torn:
        for group, commits, page in (("settings", 2, 0), ("curve", 7, 1)):
            found[f"{group}: commit {commits + 1} cut in page write {page}, {kind.value}"] = torn(
                group, commits, page, Tear(kind, 9, 5))
    found["a new ring, cut"] = torn("curve", 0, 0, Tear(Torn.PREFIX, 20))
    found["a used unit, its calibration erased"] = without(CURVES, CURVE, 0, 1, 2)
    return found


def said(finding: Finding) -> str:
    """A finding as lines."""
    notes = [f"  note: {note}" for note in finding.notes]
    mend = [f"  help: {finding.help}"] if finding.help else []
    return "\n".join([f"{finding.severity} {finding.code}: {finding.message}", *notes, *mend])


def test_findings() -> None:
    """Severity, code, message, notes and help; of a part that was read where that is told in other
    words than a dump; what is known of the past, and how worn each ring is."""
    lines = []
    for name, image in cases().items():
        found = examined(image)
        texts, part = (
            [said(f) for f in one.findings if "cut in page write" not in name or f.code in TORN]
            for one in (found, examined(image, "part")))
        lines += [f"=== {name}", *texts]
        if texts != part:
            lines += ["--- read from the part:", *(text for text in part if text not in texts)]
        for group, verdicts in found.slots.items():
            if all(v.kind is SlotKind.ERASED for v in verdicts):
                continue
            kinds = " ".join(v.kind.value.replace(" ", "-") for v in verdicts)
            wear, past = found.wear[group], found.histories[group]
            lines.append(f"  {group}: {kinds}; {past_text(past)}; record {wear.sequence}, "
                         f"{wear.writes} writes")
    text = "\n".join(lines) + "\n"
    assert golden(GOLDEN, text) == text


def past_text(past: CommitHistory) -> str:
    """The commits that can be read, with the parameters that each changed."""
    commits = [f"{'+'.join(map(str, c.sequences))}"
               f"({','.join(change.parameter.name for change in c.changes)})" for c in past.commits]
    more = [f"missing {first}-{last}" for first, last in past.missing]
    more += [f"twice {number}" for number in past.twice]
    return " ".join([*commits, *more]) or "nothing"


def test_wear_is_told_from_four_fifths_on() -> None:
    """With the years that are left, unless nothing is ever written."""
    found = examined(IMAGE)
    worn = {name: Wear(0, 0, 1000.0, 1.0) for name in found.wear}

    def told(wear: Wear) -> list[str]:
        return [f.message for f in describe(
            found.contents, SourceText("x", ""), found.slots, found.histories,
            worn | {"settings": wear}, ())]

    assert [] == told(Wear(3196, 799, 1000.0, 2.0))
    assert ["group `settings`: each slot was written 800 times, of 1000 that the part is rated "
            "for; at the writes of the schema that leaves 2.0 years"] == told(
                Wear(3200, 800, 1000.0, 1.96))
    assert ["group `settings`: each slot was written 1001 times, of 1000 that the part is rated "
            "for"] == told(Wear(4004, 1001, 1000.0, float("inf")))


def test_another_release_of_the_store_is_no_other_store() -> None:
    """The first candidate whose label is there is taken, whatever the others are."""
    later = replace(PLAN, release=2, layout_id=PLAN.layout_id ^ 1)
    found = examine_store(read_dump(IMAGE, "x", FORMS["bin"]), [
        Candidate("later", later), Candidate("now", PLAN)])
    assert ("now", ()) == (found.name, found.findings)
