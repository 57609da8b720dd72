"""A simulated part on a file."""

from __future__ import annotations

import errno
import fcntl
from pathlib import Path

import pytest

from paramstore.bus.programmer import Programmer
from paramstore.core.errors import ToolError
from paramstore.verify.eeprom.faults import CutAtWrite, Tear, Torn
from tests.bus.parts import part_at, programmer_at
from tests.production.jobs import plan


def test_bytes_stay_in_the_file(tmp_path: Path) -> None:
    """Each page at once, none before it is written, and the next run finds them."""
    path, of = tmp_path / "part.bin", plan()
    programmer = programmer_at(path, of)
    programmer.read_at(0, 4)
    assert not path.exists()
    programmer.write_page(32, b"tank")
    assert b"tank" == path.read_bytes()[32:36]
    assert of.part.capacity == path.stat().st_size
    assert b"tank" == programmer_at(path, of).read_at(32, 4)


def test_a_cut_leaves_the_torn_page(tmp_path: Path) -> None:
    """As the simulated part tears it; the run ends with a message."""
    path, of = tmp_path / "part.bin", plan()
    cut = CutAtWrite(2, Tear(Torn.PREFIX, 2))
    programmer = programmer_at(path, of, b"\xff" * of.part.capacity, [cut])
    programmer.write_page(0, b"\1\2\3\4")
    with pytest.raises(ToolError, match="lost its power"):
        programmer.write_page(16, b"\5\6\7\x08")
    assert b"\1\2\3\4" == path.read_bytes()[:4]
    assert b"\5\6\xff\xff" == path.read_bytes()[16:20]


def test_a_file_of_another_size_is_refused(tmp_path: Path) -> None:
    """It cannot be a dump of this part."""
    path, of = tmp_path / "part.bin", plan()
    with pytest.raises(ToolError, match="100 bytes"):
        part_at(path, of, bytes(100))


def test_a_missing_file_is_told_unless_it_may_be_made(tmp_path: Path) -> None:
    """For reading it must be there."""
    from paramstore.bus.part_file import PartFile

    of = plan()
    with pytest.raises(ToolError, match="cannot read"):
        PartFile(str(tmp_path / "no.bin"), of.part, 0x50)


def test_a_file_that_cannot_be_written_is_told_first(tmp_path: Path,
                                                     monkeypatch: pytest.MonkeyPatch) -> None:
    """By whoever means to write; reading it goes on."""
    from paramstore.bus.part_file import PartFile

    of = plan()
    (tmp_path / "part.bin").write_bytes(bytes(of.part.capacity))
    with pytest.raises(ToolError, match=r"there is no folder|cannot write"):
        PartFile(str(tmp_path / "no" / "part.bin"), of.part, 0x50, create=True, writes=True)
    # As it is for a person who may not write; the tests may run as one who always may.
    monkeypatch.setattr("os.access", lambda path, mode: False)
    with pytest.raises(ToolError, match=r"cannot write .*Permission denied"):
        PartFile(str(tmp_path / "part.bin"), of.part, 0x50, writes=True)
    PartFile(str(tmp_path / "part.bin"), of.part, 0x50)


def test_a_part_at_another_address_does_not_answer(tmp_path: Path) -> None:
    """The simulated part listens to its own address alone."""
    of = plan()
    part = part_at(tmp_path / "part.bin", of)
    with pytest.raises(ToolError, match="no answer"):
        Programmer(part, of.part, 0x40).read_at(0, 1)


def test_two_writers_do_not_meet(tmp_path: Path) -> None:
    """While one works, another one is refused, and one that reads too; readers share. A file that
    is not there belongs to whoever makes it first."""
    path, of = tmp_path / "part.bin", plan()
    early = part_at(path, of)
    writer = part_at(path, of)
    for way in (early, writer):
        way.claim([0x50], writes=True)
    Programmer(writer, of.part, 0x50).write_page(0, b"tank")
    with pytest.raises(ToolError, match=r"another program made `.*` meanwhile"):
        Programmer(early, of.part, 0x50).write_page(0, b"pump")
    for writes in (True, False):
        with pytest.raises(ToolError, match="another program works on"):
            part_at(path, of).claim([0x50], writes)
    assert b"tank" == path.read_bytes()[:4]
    writer.close()
    readers = [part_at(path, of), part_at(path, of)]
    for reader in readers:
        reader.claim([0x50], writes=False)
    with pytest.raises(ToolError, match="another program works on"):
        part_at(path, of).claim([0x50], writes=True)
    readers[0].close()
    readers[1].close()
    late = part_at(path, of)
    path.write_bytes(bytes(of.part.capacity))
    with pytest.raises(ToolError, match="was changed while it was opened"):
        late.claim([0x50], writes=True)


def test_a_disk_without_locks_is_worked_on_all_the_same(tmp_path: Path,
                                                        monkeypatch: pytest.MonkeyPatch) -> None:
    """Some network shares have none; nobody else is blamed for that."""
    def refuse(*_: object) -> None:
        raise OSError(errno.ENOLCK, "No locks available")

    monkeypatch.setattr(fcntl, "flock", refuse)
    path, of = tmp_path / "part.bin", plan()
    part = part_at(path, of, b"\xff" * of.part.capacity)
    part.claim([0x50], writes=True)
    Programmer(part, of.part, 0x50).write_page(0, b"tank")
    assert b"tank" == path.read_bytes()[:4]
