"""All that is said of dumps and parts in which something is wrong, in one text that people read."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from paramstore.core.errors import Finding
from paramstore.core.format import NO_STORE
from paramstore.image.contents import Contents, LabelState, unpack
from paramstore.image.diagnose import diagnose
from paramstore.record import build_label
from tests.goldens import golden
from tests.image.test_contents import (
    EXAMPLE,
    GROUPS,
    IMAGE,
    LABELS,
    RECORDS,
    lacking,
    limits_record,
    with_limits,
)
from tests.record.plans import plan_of

GOLDEN = Path(__file__).parent / "golden" / "findings.txt"

RELEASED = replace(EXAMPLE, release=4, lineage=((1, 0x11), (2, 0x22), (3, 0x33)))
MANY = plan_of(EXAMPLE.schema, slots=(9, 2), room=(2, 0))
SECOND = EXAMPLE.label_address(1)


def labelled(**more: object) -> Contents:
    """The image read as one of release 4, with the label of another release, series or store."""
    image = bytearray(IMAGE)
    label = build_label(replace(RELEASED, **more))  # type: ignore[arg-type]
    for at in (0, SECOND):
        image[at:at + len(label)] = label
    return unpack(RELEASED, bytes(image))


BRANCH = ((1, 0x11), (2, 0x22), (3, 0x99))
STATES: dict[str, tuple[Contents, LabelState]] = {
    "this release": (labelled(), LabelState.OURS),
    "an earlier release": (
        labelled(release=2, layout_id=0x22, lineage=((1, 0x11),)), LabelState.RELEASE),
    "a later release": (
        labelled(release=5, lineage=(*RELEASED.lineage, (4, RELEASED.layout_id))),
        LabelState.RELEASE),
    "release 3 of another branch": (
        labelled(release=3, layout_id=0x99, lineage=BRANCH[:2]), LabelState.BRANCH),
    "release 4 of another branch": (
        labelled(layout_id=0x44, lineage=BRANCH), LabelState.BRANCH),
    "release 8 of another branch": (
        labelled(release=8, lineage=tuple((n, 0x90 + n) for n in range(1, 8))),
        LabelState.BRANCH),
    "release 9, which tells of 5 to 8 only": (
        labelled(release=9, lineage=tuple((n, 0x90 + n) for n in range(1, 9))),
        LabelState.RELEASE),
    "another series": (
        labelled(schema=replace(EXAMPLE.schema, series=1)), LabelState.LAYOUT),
    "not released": (labelled(release=0, layout_id=7), LabelState.LAYOUT),
    "a wipe that did not end": (labelled(store_id=NO_STORE), LabelState.ERASING),
}


def test_states_of_labels() -> None:
    """Which release a label is of, and whether its releases are those of the schema."""
    for name, (contents, state) in STATES.items():
        assert state is contents.label_state, name
        assert (state not in (LabelState.BRANCH, LabelState.ERASING)) == contents.readable, name


def test_findings() -> None:
    """Severity, code, message, notes and help; of a part that was read where that says something
    else than of a dump."""
    record = with_limits(limits_record(1), limits_record(2))
    cases = {f"label {name}": unpack(EXAMPLE, image) for name, (image, *_) in LABELS.items()}
    cases |= {f"label of {name}": contents for name, (contents, _) in STATES.items()}
    cases |= {f"records: {name}": unpack(EXAMPLE, image)
              for name, (image, *_) in RECORDS.items()}
    cases |= {name: unpack(EXAMPLE, image) for name, (image, _) in GROUPS.items()}
    cases |= {
        "all pages of 8 slots are damaged": with_damage(8),
        "all pages of 9 slots are damaged": with_damage(9),
        "a gap in a free page": lacking(record, (0x200, 0x201)),
        "a gap in one slot": lacking(record, (0x60, 0x68)),
        "gaps in two slots": lacking(record, (0x60, 0x68), (0x80, 0x90)),
        "a gap in the only record": lacking(with_limits(limits_record(1)), (0x40, 0x60)),
        "gaps in one label": lacking(record, (0, 4)),
        "gaps in both labels": lacking(record, (0, 4), (SECOND, SECOND + 4)),
        "ten gaps": lacking(record, *((n, n + 1) for n in range(0x200, 0x20A))),
        "all 00 as far as it was read": unpack(
            EXAMPLE, bytes(512) + b"\xff" * 512, ((512, 1024),)),
        "nothing was read": unpack(EXAMPLE, b"\xff" * 1024, ((0, 1024),)),
    }
    lines = []
    for name, contents in cases.items():
        dump, part = (list(map(said, diagnose(contents, "x", what))) for what in ("dump", "part"))
        lines += [f"=== {name}", *dump]
        if dump != part:
            lines += ["--- read from the part:", *(text for text in part if text not in dump)]
    assert golden(GOLDEN, "\n".join(lines) + "\n") == "\n".join(lines) + "\n"


def said(finding: Finding) -> str:
    """A finding as lines."""
    notes = [f"  note: {note}" for note in finding.notes]
    mend = [f"  help: {finding.help}"] if finding.help else []
    return "\n".join([f"{finding.severity} {finding.code}: {finding.message}", *notes, *mend])


def with_damage(slots: int) -> Contents:
    """A part with so many damaged slots of `limits`."""
    image = bytearray(b"\xff" * MANY.part.capacity)
    for at in map(MANY.label_address, (0, 1)):
        image[at:at + MANY.label_bytes] = build_label(MANY)
    for slot in range(slots):
        image[MANY.rings[0].address(slot)] = 0
    return unpack(MANY, bytes(image))
