"""Every slot of a dump is judged for what it is, whatever its bytes are."""

import random
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from paramstore.core.errors import Severity
from paramstore.core.format import SEQUENCE_END
from paramstore.core.status import Status
from paramstore.image.contents import Contents, LabelState, SlotState, unpack
from paramstore.image.diagnose import diagnose
from paramstore.image.pack import pack, used_ranges
from paramstore.layout.plan import Ring
from paramstore.record import build_label, build_record, encode_body, read_label
from paramstore.report.image import image_data, image_text, origin_text
from tests.codes import IMAGE as CODES
from tests.independent_decoder import decode_image
from tests.inspect.scenes import PLAN as SCENES
from tests.inspect.scenes import change, on_part
from tests.record.plans import EXAMPLE, layout_object, part, plan_of

LIMITS, USER = EXAMPLE.rings
IMAGE = pack(EXAMPLE, {}, defaults=True)


def put(image: bytes, address: int, data: bytes) -> bytes:
    return image[:address] + data + image[address + len(data):]


def limits_record(sequence: int, current: int = 2500, revision: int = 1) -> bytes:
    return build_record(EXAMPLE, LIMITS, sequence, encode_body(LIMITS, {"current": (current,)}),
                        revision)


def with_limits(*records: bytes) -> bytes:
    """An image with these bytes in the slots of `limits`, erased where there are none."""
    image = put(IMAGE, LIMITS.address(0), b"\xff" * 96)
    for slot, record in enumerate(records):
        image = put(image, LIMITS.address(slot), record)
    return image


def judged(image: bytes) -> tuple[str, list[str]]:
    """States of the slots of `limits` and the reasons of the bad ones."""
    group = unpack(EXAMPLE, image).group("limits")
    marks = {SlotState.CURRENT: "C", SlotState.OLDER: "o", SlotState.ERASED: ".",
             SlotState.DAMAGED: "x", SlotState.FOREIGN: "?", SlotState.MISSING: "_"}
    return "".join(marks[s.state] for s in group.slots), [s.reason for s in group.slots if s.reason]


def told(image: bytes, path: str = "unit.bin") -> list[str]:
    """The findings of an image, as one line each."""
    found = diagnose(unpack(EXAMPLE, image), path)
    assert {f.code for f in found} <= CODES
    assert {path} <= {f.source.path for f in found if f.source} | {path}
    return [f"{f.severity} {f.code}: {f.message}" for f in found]


RECORDS = {
    "two copies of one commit": (with_limits(limits_record(1), limits_record(2)), "CC.", []),
    "the copy of the commit before is older": (
        with_limits(limits_record(4, 9), limits_record(2), limits_record(3)), "Coo", []),
    "a copy with another body is older, though its number is next": (
        with_limits(limits_record(4, 9), b"", limits_record(3)), "C.o", []),
    "a changed bit": (
        with_limits(limits_record(1), put(limits_record(2), 9, b"\x77")), "Cx.",
        ["record 2 with a wrong CRC"]),
    "a changed bit in a record as old as the ring is long": (
        with_limits(limits_record(4), put(limits_record(2), 9, b"\x77")), "Cx.",
        ["record 2 with a wrong CRC"]),
    "a changed bit in a record of the round before": (
        with_limits(limits_record(7), put(limits_record(5), 9, b"\x77")), "Cx.",
        ["record 5 with a wrong CRC"]),
    "a number that cannot be there yet": (
        with_limits(limits_record(1), put(limits_record(5), 9, b"\x77")), "Cx.", ["wrong CRC"]),
    "a number that must have been overwritten": (
        with_limits(limits_record(7), put(limits_record(2), 9, b"\x77")), "Cx.", ["wrong CRC"]),
    "a record of which one page was written": (
        with_limits(limits_record(1), limits_record(2)[:16]), "Cx.", ["only 1 of 2 pages written"]),
    "a record whose first page is gone": (
        with_limits(limits_record(1), b"\xff" * 16 + limits_record(2)[16:]), "Cx.", ["wrong CRC"]),
    "zeros": (with_limits(bytes(32), limits_record(2)), "xC.", ["wrong CRC"]),
    "a record in the wrong slot": (
        with_limits(limits_record(1), limits_record(3)), "C?.", ["record 3 belongs in slot 2"]),
    "a record of another group": (
        with_limits(limits_record(1), build_record(EXAMPLE, USER, 9, encode_body(USER, {}))),
        "C?.", ["holds a record of group `user`"]),
    "no sequence number": (
        with_limits(limits_record(0), limits_record(2)), "xC.",
        ["0x00000000 is no sequence number"]),
    "a far greater number counts if its CRC is right": (
        with_limits(limits_record(1), limits_record(3_000_002)), "oC.", []),
    "a dump that ends in a slot": (
        with_limits(limits_record(1))[:LIMITS.address(2) + 25], "C._",
        ["the dump ends before the slot does"]),
    "a dump that ends in the bytes behind a record": (
        with_limits(limits_record(1))[:LIMITS.address(2) + 26], "C..", []),
    "an empty dump": (b"", "___", ["the dump ends before the slot does"] * 3),
}


@pytest.mark.parametrize("name", RECORDS)
def test_slots(name: str) -> None:
    """A slot is current, older, erased, damaged, foreign or missing, with the reason."""
    image, states, reasons = RECORDS[name]
    assert (states, reasons) == judged(image)


def test_the_newest_record_gives_the_values() -> None:
    """Values come from the newest whole record, or are defaults where there is none."""
    contents = unpack(EXAMPLE, with_limits(limits_record(1, 5), limits_record(2, 6)))
    newest = contents.group("limits").newest
    assert newest is not None
    assert (2, 1, (6,)) == (
        newest.record.sequence, newest.number, contents.group("limits").values["current"])
    group = unpack(EXAMPLE, with_limits(bytes(32))).group("limits")
    assert (None, True, (2500,)) == (group.newest, group.lost, group.values["current"])


other_store = replace(EXAMPLE, store_id=1, schema=replace(EXAMPLE.schema, name="other"))
other_part = replace(EXAMPLE, schema=replace(EXAMPLE.schema, part=part(2048, 16)))
LABEL = EXAMPLE.label_address(0), EXAMPLE.label_address(1)
NOTHING = b"\xff" * EXAMPLE.label_bytes

LABELS = {
    "whole": (IMAGE, LabelState.OURS, []),
    "copy 0 damaged": (
        put(IMAGE, LABEL[0], b"\0"), LabelState.OURS,
        ["warning PS606: label copy 0 is damaged; the other one is whole"]),
    "copy 1 erased": (
        put(IMAGE, LABEL[1], NOTHING), LabelState.OURS,
        ["warning PS606: label copy 1 is damaged; the other one is whole"]),
    "both erased": (
        put(put(IMAGE, LABEL[0], NOTHING), LABEL[1], NOTHING), LabelState.BLANK,
        ["error PS605: both copies of the label are erased"]),
    "both damaged": (
        put(put(IMAGE, LABEL[0], b"\0"), LABEL[1], b"\0"), LabelState.DAMAGED,
        ["error PS605: both copies of the label are damaged"]),
    "another store": (
        put(pack(other_store, {}, defaults=True), LABEL[1], b"\0"), LabelState.FOREIGN,
        ["error PS607: the part holds the store `other` (id 0x00000001), "
         "not `pump_drive` (id 0x388919A2)"]),
    "another layout": (
        put(IMAGE, 0, build_label(replace(EXAMPLE, layout_id=0xBEEF))), LabelState.LAYOUT,
        ["error PS609: the part has layout 0000BEEF, the schema gives layout 25C2871F",
         "warning PS616: the label copies differ: layout id 0x0000BEEF and 0x25C2871F"]),
    "a release that the schema does not have": (
        put(put(IMAGE, LABEL[0], build_label(replace(EXAMPLE, release=2))), LABEL[1],
            build_label(replace(EXAMPLE, release=2))), LabelState.LAYOUT,
        ["error PS609: the part has layout 25C2871F of release 2, the schema gives layout "
         "25C2871F, not released"]),
    "another part": (
        put(IMAGE, 0, build_label(other_part)), LabelState.PART,
        ["error PS608: the label is for a part of 2048 bytes with 16-byte pages; "
         "`any` has 1024 and 16"]),
    "nothing of this store": (
        bytes(1024), LabelState.DAMAGED,
        ["error PS605: the dump holds no label, and no record of `pump_drive`"]),
    "another store on a part with other pages": (
        pack(plan_of(replace(EXAMPLE.schema, name="other", part=part(4096, 64)), [3, 3], [0, 0]),
             {}, defaults=True)[:1024], LabelState.FOREIGN,
        ["error PS607: the part holds the store `other` (id 0xB938DAE4), "
         "not `pump_drive` (id 0x388919A2)"]),
    "blank": (
        b"\xff" * 1024, LabelState.BLANK, ["error PS604: the part is blank: every byte is FF"]),
}


@pytest.mark.parametrize("name", LABELS)
def test_labels(name: str) -> None:
    """The label decides whose part it is, and one cause makes one finding."""
    image, state, findings = LABELS[name]
    assert (state, findings) == (unpack(EXAMPLE, image).label_state, told(image))


def test_another_format_version() -> None:
    """A label of a later format is told apart from a damaged one."""
    from paramstore.core.checksum import crc32c

    front = put(build_label(EXAMPLE), 4, b"\2")[:-4]
    image = put(IMAGE, 0, front + crc32c(front).to_bytes(4, "little"))
    assert LabelState.FORMAT is unpack(EXAMPLE, image).label_state
    assert ["error PS610: the label is of format version 2, not 1"] == told(image)


USED = max(end for _, end in used_ranges(EXAMPLE))
GROUPS = {
    "a damaged slot": (
        RECORDS["a changed bit"][0],
        ["error PS611: group `limits`: 1 slot of 3 holds no record of its own"]),
    "two damaged slots": (
        with_limits(limits_record(1), b"\0", b"\0"),
        ["error PS611: group `limits`: 2 slots of 3 hold no record of their own"]),
    "a lost group": (
        with_limits(bytes(32)), ["error PS612: group `limits` is lost: no slot holds a whole "
                                 "record"]),
    "a group without a record": (
        with_limits(),
        ["warning PS613: group `limits` is blank, never written or erased: firmware "
         "serves defaults and says so"]),
    "a value outside its limits": (
        with_limits(limits_record(1, 4001)),
        ["error PS614: group `limits`: `current` = 4.001 A is above its maximum 4 A"]),
    "another revision": (
        with_limits(limits_record(1, revision=3)),
        ["warning PS615: group `limits`: the record is of revision 3, the schema of revision 1"]),
    "a dump without pages of the store": (
        IMAGE[:USED - 1], [f"error PS601: the dump has {USED - 1} bytes, `any` has 1024"]),
    "a dump without free pages": (
        IMAGE[:USED], [f"warning PS601: the dump has {USED} bytes, `any` has 1024: what is missing "
                       "is free"]),
    "a long dump": (
        IMAGE + b"\xff", ["warning PS602: the dump has 1025 bytes, `any` has 1024: only the "
                          "first ones are read"]),
}


@pytest.mark.parametrize("name", GROUPS)
def test_groups(name: str) -> None:
    """What is wrong with a group is told once, an error where data is lost or damaged."""
    image, expected = GROUPS[name]
    assert expected == told(image)


def test_reasons_of_slots_are_notes() -> None:
    """A finding names the bad slots with address and reason, and counts what is too much."""
    (finding,) = diagnose(unpack(EXAMPLE, with_limits(limits_record(1), b"\0", b"\0")), "x")
    assert ("slot 1 at 0x0060: only 1 of 2 pages written",
            "slot 2 at 0x0080: only 1 of 2 pages written") == finding.notes


def test_gaps_of_the_file_are_told() -> None:
    """Addresses that the file leaves out are listed; it is no error where nothing is lost."""
    (finding,) = diagnose(unpack(EXAMPLE, IMAGE, ((0x200, 0x210), (0x300, 0x301))), "x")
    assert "the dump lacks 17 bytes" == finding.message
    assert ("0x0200 to 0x020F", "0x0300") == finding.notes
    assert Severity.WARNING is finding.severity


def lacking(image: bytes, *gaps: tuple[int, int]) -> Contents:
    """What is left of an image without some of its bytes."""
    data = bytearray(image)
    for first, end in gaps:
        data[first:end] = b"\xff" * (end - first)
    return unpack(EXAMPLE, bytes(data), gaps)


def test_a_slot_that_lacks_bytes_is_missing() -> None:
    """Neither erased nor damaged: nobody knows what stands there, and the finding is an error."""
    contents = lacking(with_limits(limits_record(1), limits_record(2)), (0x60, 0x68), (0x80, 0x90))
    slots = contents.group("limits").slots
    assert [SlotState.CURRENT, SlotState.MISSING, SlotState.MISSING] == [s.state for s in slots]
    assert "0x0060 to 0x0067 not there" == slots[1].reason
    assert {"PS603", "PS611"} <= {
        f.code for f in diagnose(contents, "x") if f.severity is Severity.ERROR}


def test_a_group_without_a_record_in_the_dump_was_not_never_written() -> None:
    """Where slots are missing nothing says that they hold no record."""
    contents = lacking(with_limits(limits_record(1)), (0x40, 0x60))
    group = contents.group("limits")
    assert (True, True, False) == (group.may_be_in_gaps, group.lost, group.blank)
    assert "PS612" in [f.code for f in diagnose(contents, "x")]
    assert "limits: bytes are missing; these are the defaults" in image_text(contents)


def test_a_right_crc_proves_bytes_that_are_left_out() -> None:
    """Some programs leave out what reads FF: a record that is whole with it stays one."""
    record = build_record(EXAMPLE, LIMITS, 1, b"\xff" * LIMITS.body_bytes)
    contents = lacking(with_limits(record), (0x48, 0x4C))
    assert SlotState.CURRENT is contents.group("limits").slots[0].state


def test_a_label_that_lacks_bytes_is_not_damaged() -> None:
    """It is not in the dump; both copies gone leave no label."""
    messages = [f.message for f in diagnose(lacking(IMAGE, (0, 4)), "x")]
    assert "label copy 0 is not whole; the other one is" in messages
    second = EXAMPLE.label_address(1)
    assert LabelState.MISSING is lacking(IMAGE, (0, 4), (second, second + 4)).label_state


@given(st.lists(st.integers(0, 1024), max_size=6, unique=True), st.integers(0, 1024),
       st.sampled_from([IMAGE, with_limits(), with_limits(limits_record(4, 9), limits_record(2)),
                        with_limits(b"", limits_record(3))]))
def test_unread_is_what_no_crc_vouches_for(ends: list[int], size: int, image: bytes) -> None:
    """Of each ring those bytes that were not read, but for those of slots that are whole with FF
    in their place."""
    ends = sorted(ends[:len(ends) // 2 * 2])
    gaps = tuple(zip(ends[::2], ends[1::2], strict=True))
    contents = lacking(image[:size], *((a, min(b, size)) for a, b in gaps if a < size))
    there = set(range(size)).difference(*(range(a, b) for a, b in gaps))
    for ring in EXAMPLE.rings:
        expected: set[int] = set()
        for slot in range(ring.slots):
            first = ring.address(slot)
            data = contents.image[first:first + ring.record_bytes]
            sound = len(data) == ring.record_bytes and crc_is_right(data, ring)
            if not sound:
                expected |= set(range(first, first + ring.record_bytes)) - there
        assert expected == {at for a, b in contents.unread_bytes(ring) for at in range(a, b)}


def crc_is_right(data: bytes, ring: Ring) -> bool:
    """Whether bytes are a record of a ring, wherever it lies: FORMAT.md, section 3."""
    sequence = int.from_bytes(data[:4], "little")
    return 0 < sequence < SEQUENCE_END and data == build_record(
        EXAMPLE, ring, sequence, data[5:-4], data[4])


@pytest.mark.parametrize(("image", "copies"), [
    (with_limits(), 0), (with_limits(limits_record(1)), 1),
    (with_limits(limits_record(1), limits_record(2)), 2),
    (with_limits(b"", limits_record(2, 9), limits_record(3, 9)), 2),
    (with_limits(limits_record(4, 9), b"", limits_record(3)), 1),
    (with_limits(limits_record(4, 9), b"", limits_record(3, 9)), 2),
    (with_limits(limits_record(4, 9), limits_record(2, 9), b""), 2),  # slot 2 was passed over
    (with_limits(limits_record(4, 9), b"", limits_record(3, 9, revision=2)), 1),
    (with_limits(limits_record(4), limits_record(2), limits_record(3)), 2),
])
def test_copies_of_the_newest_commit(image: bytes, copies: int) -> None:
    """As many as there are, at most those that the group asks for; the same body in another commit
    before is none."""
    assert copies == unpack(EXAMPLE, image).group("limits").copies


def test_copies_lie_no_further_apart_than_slots_may_be_passed_over() -> None:
    """A commit passes over at most three slots (FORMAT.md, 4): what lies further back is of
    another commit, which stored the same."""
    plan = plan_of(EXAMPLE.schema, slots=(9, 2), room=(2, 0))
    ring = plan.rings[0]
    body = encode_body(ring, {})
    for last in (10, 14):
        for apart in range(1, 9):
            image = bytearray(b"\xff" * plan.part.capacity)
            for sequence in (last - apart, last):
                at = ring.address((sequence - 1) % 9)
                image[at:at + ring.record_bytes] = build_record(plan, ring, sequence, body)
            assert (2 if apart <= 4 else 1) == unpack(plan, bytes(image)).group("limits").copies


@pytest.mark.parametrize(("image", "gaps", "zero", "erased"), [
    (b"", (), False, False), (b"\0", (), True, False), (b"\xff", (), False, True),
    (b"\xff", ((0, 1),), False, False), (b"\xff\xff", ((0, 1),), False, True),
    (b"\0\xff", ((1, 2),), True, False), (b"\0\xff", (), False, False),
])
def test_whether_all_bytes_are_alike(image: bytes, gaps: tuple[tuple[int, int], ...], zero: bool,
                                     erased: bool) -> None:
    """Only bytes that were read count, and there must be one."""
    contents = unpack(EXAMPLE, image, gaps)
    assert (zero, erased) == (contents.only(0), contents.only(0xFF))


def reads_whatever_it_is(image: bytes) -> Contents:
    """Unpack, diagnose and show an image: none of them may fail."""
    contents = unpack(EXAMPLE, image)
    diagnose(contents, "x")
    assert image_text(contents).endswith("\n")
    assert "groups" in image_data(contents)
    return contents


@given(st.binary(max_size=1100))
@settings(max_examples=150)
def test_arbitrary_bytes_are_read(image: bytes) -> None:
    """Any bytes have contents, findings and a report."""
    reads_whatever_it_is(image)


@given(st.lists(st.tuples(st.integers(0, 0xE0), st.binary(min_size=1, max_size=40)), max_size=5),
       st.sampled_from([IMAGE, with_limits(limits_record(4, 9), limits_record(2))]))
@settings(max_examples=200)
def test_mutated_images_are_read_as_the_independent_decoder_reads_them(
    changes: list[tuple[int, bytes]], image: bytes
) -> None:
    """Whatever happens to an image, both decoders find the same records."""
    for address, data in changes:
        image = put(image, address, data)
    contents = reads_whatever_it_is(image)
    groups = decode_image(image, layout_object(EXAMPLE), "pump_drive")["groups"]
    for g in contents.groups:
        found = groups[g.ring.group.id]
        assert (found and found["sequence"]) == (g.newest and g.newest.record.sequence)
        if found:
            assert repr(found["fields"]) == repr(g.values)


def test_a_torn_commit_never_costs_the_newest_record() -> None:
    """A record torn after any of its bytes leaves the one before it in force."""
    torn = limits_record(2, 77)
    for cut in range(len(torn)):
        group = unpack(EXAMPLE, with_limits(limits_record(1), torn[:cut])).group("limits")
        assert group.newest is not None
        assert (1, (2500,)) == (group.newest.record.sequence, group.values["current"])


# ---- Erased rings on a unit in use --------------------------------------------------------------


def _unit(committed: str, times: int, erased: str) -> bytes:
    """A unit with all values of which one group was committed so often, and another one erased."""
    rig = on_part(pack(SCENES, {g.name: {f.name: f.default for f in g.fields}
                                for g in SCENES.schema.groups}))
    for _ in range(times):
        assert change(committed, random.Random(1))(rig) is Status.OK
        assert rig.commit(committed) is Status.OK
    image = bytearray(rig.bench.device.memory)
    ring = SCENES.ring(erased)
    first, end = ring.address(0), ring.address(ring.slots)
    image[first:end] = b"\xff" * (end - first)
    return bytes(image)


@pytest.mark.parametrize(("erased", "said"), [
    ("curve", "error PS619: group `curve` holds no record, on a unit in use: it was erased, or "
     "production gave it no values"),
    ("identity", "error PS619: group `identity` holds no record, on a unit in use: it was erased, "
     "or production gave it no values"),
])
def test_an_erased_protected_ring_on_a_unit_in_use_is_an_error(erased: str, said: str) -> None:
    """Commits of other groups show that the unit has lived; what it is and how it measures should
    be there. On a fresh part it may just not have been given."""
    contents = unpack(SCENES, _unit("settings", 25, erased))
    assert said in [f"{f.severity} {f.code}: {f.message}" for f in diagnose(contents, "x")]
    fresh = unpack(SCENES, _unit("settings", 0, erased))
    for each in (contents, fresh):
        assert origin_text(each, each.group(erased)).startswith("blank, never written or erased;")
    assert [f"warning PS613: group `{erased}` is blank, never written or erased: firmware serves "
            "defaults and says so"] == [
                f"{f.severity} {f.code}: {f.message}" for f in diagnose(fresh, "x")]
    later = replace(SCENES, added=frozenset({SCENES.ring(erased).group.id}))
    assert [Severity.WARNING] == [
        f.severity for f in diagnose(unpack(later, contents.image), "x")]


def test_an_erased_ring_of_settings_may_never_have_been_written() -> None:
    """Firmware need not commit them, so it is a warning that names both."""
    (finding,) = diagnose(unpack(SCENES, _unit("curve", 3, "settings")), "x")
    assert ("PS613", Severity.WARNING) == (finding.code, finding.severity)
    assert "is blank, never written or erased" in finding.message


def test_zeros_throughout_are_told_with_the_bus() -> None:
    """As FF throughout is: a line that is held low reads so. What was not read is not zero."""
    size = EXAMPLE.part.capacity
    gaps = ((size // 2, size),)
    halves = bytes(size // 2) + b"\xff" * (size // 2)
    for image, unread, fact in ((bytes(size), (), "every byte is 00"),
                                (halves, gaps, "every byte that was read is 00")):
        finding = diagnose(unpack(EXAMPLE, image, unread), "dump.bin")[-1]
        assert ("PS605", (fact,)) == (finding.code, finding.notes)
        assert "held low" in finding.help
    assert () == diagnose(unpack(EXAMPLE, halves), "dump.bin")[-1].notes


def test_a_part_is_blank_if_its_label_and_rings_are() -> None:
    """A copy of a part has those alone. Where a byte of them is missing, a record may have been."""
    size = EXAMPLE.part.capacity
    used = used_ranges(EXAMPLE)
    first, end = used[-1]
    rest = ((end, size),)
    assert end < size and end == max(b for _, b in used)
    image = b"\xff" * size
    copy = unpack(EXAMPLE, image, rest)
    assert copy.blank
    assert ("PS604", "the part is blank: every byte that was read is FF") == (
        (found := diagnose(copy, "copy.hex")[-1]).code, found.message)
    assert not unpack(EXAMPLE, image, ((end - 1, size),)).blank
    assert not unpack(EXAMPLE, image, ((0, size),)).blank
    assert not unpack(EXAMPLE, put(image, first, b"\x7f"), rest).blank


def test_what_differs_is_named() -> None:
    """Of labels that differ in little, and of stores of one name."""
    label = read_label(IMAGE[:32])
    assert label is not None
    other = label._replace(store_id=label.store_id ^ 1)
    contents = unpack(EXAMPLE, IMAGE)
    for second, said in (
            (label._replace(page=128), f"page {label.page} and 128"),
            (other, f"store id 0x{label.store_id:08X} and 0x{other.store_id:08X}"),
            (label._replace(lineage=(1, 2, 3, 4), name="pomp"),
             "lineage 00 00 00 00 and 01 02 03 04, name `pump_dri` and `pomp`")):
        finding, = diagnose(contents._replace(labels=(label, second)), "dump.bin")
        assert ("PS616", f"the label copies differ: {said}") == (finding.code, finding.message)
    for foreign, called in ((other, "`pump_dri` (id 0x388919A3)"),
                            (other._replace(name=""), "with the id 0x388919A3")):
        finding, = diagnose(contents._replace(
            labels=(foreign, foreign), label_state=LabelState.FOREIGN), "dump.bin")
        assert f"the part holds the store {called}, not `pump_drive` (id 0x388919A2)" == (
            finding.message)
