"""Writing to a part through trouble: nothing is lost, and a repeated write ends the work."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import pytest

from paramstore.bus.backup import keep_backup, needs_all
from paramstore.bus.changes import Changes, value_changes
from paramstore.bus.look import read_part
from paramstore.bus.programmer import Programmer
from paramstore.bus.recognise import recognise
from paramstore.bus.work import Done, write_changes
from paramstore.core.errors import FindingsError, SourceText, ToolError
from paramstore.core.status import Status
from paramstore.files.forms import FORMS, decode_image
from paramstore.image.contents import Contents, unpack
from paramstore.image.pack import complete, pack, used_ranges
from paramstore.layout.plan import Plan
from paramstore.releases.history import ReleaseHistory
from paramstore.releases.project import Project, open_project
from paramstore.verify.eeprom.bench import Bench
from paramstore.verify.eeprom.device import Device
from paramstore.verify.eeprom.faults import CutAtWrite, DeadPage, Tear, Torn
from paramstore.verify.rig.twin import TwinRig
from tests.bus.parts import contents_of, programmer_at
from tests.production.jobs import SCHEMA, plan

PLAN = plan()
OLD, NEW = complete(PLAN, {}), complete(PLAN, {
    "identity": {"board": (3,)}, "trim": {"low": (20,)}, "settings": {"quiet": (1,)}})
BLANK = b"\xff" * PLAN.part.capacity
TEARS = (Torn.OLD, Torn.NEW, Torn.PREFIX, Torn.SUFFIX, Torn.ERASED, Torn.ZEROS, Torn.MIX,
         Torn.NOISE)


def changes_of(programmer: Programmer, of: Plan = PLAN) -> Changes:
    """What has to be done to a part."""
    contents = read_part(programmer, Project(of, ReleaseHistory()))
    recognise(contents, programmer.name)
    return again(contents)


def write(programmer: Programmer, of: Plan = PLAN) -> Done:
    """What the command does, without its questions."""
    return write_changes(programmer, changes_of(programmer, of))


@pytest.mark.parametrize("tear", TEARS)
@pytest.mark.parametrize("start", ["blank", "used"])
def test_a_cut_at_every_page_is_mended_by_repeating(start: str, tear: Torn, tmp_path: Path) -> None:
    """Each group is as before or as wanted, the firmware accepts the part or calls it blank, and
    the next write ends the work."""
    path, image = tmp_path / "part.bin", BLANK if start == "blank" else pack(PLAN, OLD)
    cut = 1
    while True:
        programmer = programmer_at(path, PLAN, image, [CutAtWrite(cut, Tear(tear, 3, cut))])
        try:
            write(programmer)
            break
        except ToolError as error:
            assert "lost its power" in error.message
        for group in contents_of(path, PLAN).groups:
            name = group.ring.group.name
            assert group.values in (OLD[name], NEW[name])
        rig = TwinRig(PLAN, Bench(Device(PLAN.part, PLAN.schema.address, path.read_bytes())))
        assert rig.mount() in (Status.OK, Status.FLAGGED, Status.BLANK)
        write(programmer_at(path, PLAN))
        after = contents_of(path, PLAN)
        assert NEW == {g.ring.group.name: g.values for g in after.groups}
        assert all(g.copies >= g.ring.group.copies for g in after.groups)
        rig = TwinRig(PLAN, Bench(Device(PLAN.part, PLAN.schema.address, path.read_bytes())))
        assert rig.mount() in (Status.OK, Status.FLAGGED)
        assert NEW == {name: rig.values(name) for name in NEW}
        cut += 1
    assert cut > (10 if start == "blank" else 5)


ROOMY = open_project(SourceText("roomy.toml", SCHEMA.replace(
    'role = "setting"', 'role = "setting"\nslots = 7'))).plan


def pages_of_slot(group: str, slot: int) -> list[DeadPage]:
    ring = ROOMY.ring(group)
    first = ring.first_page + slot * ring.slot_pages
    return [DeadPage(first + i) for i in range(ring.slot_pages)]


@pytest.mark.parametrize("page", [0, 1])
@pytest.mark.parametrize("bad", [[1], [1, 2], [1, 2, 3]])
def test_worn_slots_are_passed_over(bad: list[int], page: int, tmp_path: Path) -> None:
    """As firmware does it, up to three in a row, and both find the record; the repeat has nothing
    to do. A slot is worn in its first page or in a later one."""
    path = tmp_path / "part.bin"
    dead = [pages_of_slot("settings", slot)[page] for slot in bad]
    done = write(programmer_at(path, ROOMY, pack(ROOMY, OLD), dead), ROOMY)
    assert ["PS972"] * len(bad) == [f.code for f in done.findings]
    after = contents_of(path, ROOMY)
    assert NEW == {g.ring.group.name: g.values for g in after.groups}
    newest = after.group("settings").newest
    assert newest is not None and bad[-1] + 1 == newest.number
    rig = TwinRig(ROOMY, Bench(Device(ROOMY.part, ROOMY.schema.address, path.read_bytes())))
    assert rig.mount() in (Status.OK, Status.FLAGGED)
    assert NEW["settings"] == rig.values("settings")
    assert () == changes_of(programmer_at(path, ROOMY, faults=dead), ROOMY).pages


def test_copies_beside_a_worn_slot_are_counted_and_made(tmp_path: Path) -> None:
    """The second copy goes behind the worn slot, and counts."""
    path, ring = tmp_path / "part.bin", ROOMY.ring("trim")
    assert (2, 3) == (ring.group.copies, ring.slots)  # the next one is slot 2, then slot 0
    write(programmer_at(path, ROOMY, pack(ROOMY, OLD), pages_of_slot("trim", 0)), ROOMY)
    assert 2 == contents_of(path, ROOMY).group("trim").copies
    assert () == changes_of(programmer_at(path, ROOMY), ROOMY).pages


def test_a_ring_without_a_good_slot_is_told(tmp_path: Path) -> None:
    """With all of them; the group is as it was."""
    path = tmp_path / "part.bin"
    dead = [page for slot in range(1, 5) for page in pages_of_slot("settings", slot)]
    with pytest.raises(FindingsError, match=r"PS966.*4 slots of group `settings` do not") as caught:
        write(programmer_at(path, ROOMY, pack(ROOMY, OLD), dead), ROOMY)
    assert "slots 1, 2, 3, 4" in caught.value.findings[0].notes
    assert OLD["settings"] == contents_of(path, ROOMY).group("settings").values


def test_a_page_of_the_label_has_no_other_place(tmp_path: Path) -> None:
    """So it is told, and no record is written."""
    path = tmp_path / "part.bin"
    with pytest.raises(FindingsError, match="PS966"):
        write(programmer_at(path, PLAN, BLANK, [DeadPage(PLAN.label_pages)]))
    assert BLANK == path.read_bytes()


def test_a_neighbour_on_the_bus_is_noticed(tmp_path: Path) -> None:
    """Labels and rings are read once more at the end."""
    path = tmp_path / "part.bin"
    programmer = programmer_at(path, PLAN, pack(PLAN, OLD))
    changes = changes_of(programmer)

    def meddle(_: int) -> None:
        programmer.bus.bench.device.memory[PLAN.ring("identity").address(0) + 7] = 0x5A

    with pytest.raises(FindingsError, match="changed while other pages"):
        write_changes(programmer, changes, meddle)


# ---- Backups -------------------------------------------------------------------------------------


def again(contents: Contents) -> Changes:
    return value_changes(contents, NEW, "part", unlock=True)


READ = partial(unpack, PLAN)


def test_a_backup_is_never_written_over(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """By default the next number; a name that is taken by something else is refused, and a missing
    folder. Raw binary has no gaps, so the whole part is read for it."""
    monkeypatch.chdir(tmp_path)
    one, two = (again(unpack(PLAN, image)) for image in (BLANK, pack(PLAN, OLD)))
    assert ["pump.before-0001.hex", "pump.before-0002.hex"] == [
        keep_backup(changes, None, "pump", again, READ).path for changes in (one, two)]
    assert b"\xff" * 2048 == decode_image(Path("pump.before-0001.hex").read_bytes(), FORMS["hex"],
                                          "", 2048).data
    assert "mine.bin" == keep_backup(one, "mine.bin", "pump", again, READ).path
    assert BLANK == Path("mine.bin").read_bytes()
    with pytest.raises(ToolError, match="never written over"):
        keep_backup(two, "mine.bin", "pump", again, READ)
    with pytest.raises(ToolError, match="cannot write the backup"):
        keep_backup(two, "nowhere/mine.bin", "pump", again, READ)
    with pytest.raises(ToolError, match="does not tell the form"):
        needs_all("mine.old")
    assert [True, False, False] == list(map(needs_all, ("a.bin", "a.hex", None)))


@pytest.mark.parametrize("name", [None, "mine.hex"])
def test_the_way_back_leads_to_before_the_first_try(name: str | None, tmp_path: Path,
                                                    monkeypatch: pytest.MonkeyPatch) -> None:
    """However often a write is cut, the same copy stays: by its number and by its name. Another
    unit, or the same one after other changes, gets its own."""
    monkeypatch.chdir(tmp_path)
    path, old = tmp_path / "part.bin", pack(PLAN, OLD)
    kept = set()
    for cut in range(1, 5):
        image = old if cut == 1 else None
        programmer = programmer_at(path, PLAN, image, [CutAtWrite(2, Tear(Torn.MIX, 3, cut))])
        changes = changes_of(programmer)
        kept.add(keep_backup(changes, name, "pump", again, READ))
        with pytest.raises(ToolError, match="lost its power"):
            write_changes(programmer, changes)
    assert 1 == len({k.path for k in kept}) and any(k.before for k in kept)
    (file,) = {k.path for k in kept}
    first = decode_image(Path(file).read_bytes(), FORMS["hex"], "", 2048)
    spans = used_ranges(PLAN)
    assert all(old[a:b] == first.data[a:b] for a, b in spans)
    write_changes(programmer_at(path, PLAN), changes_of(programmer_at(path, PLAN)))
    other = pack(PLAN, complete(PLAN, {"identity": {"board": (7,)}}))
    if name is None:
        assert file != keep_backup(again(unpack(PLAN, other)), name, "pump", again, READ).path
    else:
        with pytest.raises(ToolError, match="never written over"):
            keep_backup(again(unpack(PLAN, other)), name, "pump", again, READ)


def test_one_bad_read_does_not_cost_the_newest_record(tmp_path: Path) -> None:
    """A bit that read wrong once made the newest record look damaged, and its slot the next one:
    nothing is written over it."""
    path = tmp_path / "part.bin"
    image = value_changes(
        unpack(PLAN, pack(PLAN, OLD)), {"settings": {"key": (9, 9)}}, "").image_after
    newest = unpack(PLAN, image).group("settings").newest
    assert newest is not None
    misread = bytearray(image)
    misread[newest.address + 7] ^= 2
    programmer = programmer_at(path, PLAN, image)
    with pytest.raises(FindingsError, match=r"PS973.*record 2, which was not there"):
        write_changes(programmer, again(unpack(PLAN, bytes(misread))))
    span = slice(newest.address, newest.address + PLAN.ring("settings").record_bytes)
    assert image[span] == path.read_bytes()[span]
