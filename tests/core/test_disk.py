"""Files are read up to a limit and written whole, and never anything but a file is replaced."""

from __future__ import annotations

import os
import stat
import threading
from pathlib import Path

import pytest

from paramstore.core.disk import (
    MAX_BYTES,
    MAX_TEXT_BYTES,
    check_writable,
    create_text,
    is_there,
    make_folder,
    names_in,
    read_bytes,
    read_text,
    source_text,
    write_bytes,
    write_text,
)
from paramstore.core.errors import FindingsError, ToolError


def test_a_file_is_replaced_as_a_whole(tmp_path: Path) -> None:
    """Old content is gone, nothing else is left, and the mode of the file stays."""
    path = tmp_path / "a.bin"
    path.write_bytes(b"a long text")
    path.chmod(0o640)
    write_bytes(path, b"new")
    assert (b"new", 0o640) == (path.read_bytes(), stat.S_IMODE(path.stat().st_mode))
    assert ["a.bin"] == [p.name for p in tmp_path.iterdir()]


def test_a_file_is_made_once(tmp_path: Path) -> None:
    """What is there already stays, a link that leads nowhere too, and nothing else is left."""
    path, link = tmp_path / "a.txt", tmp_path / "b.txt"
    create_text(path, "first")
    link.symlink_to("nowhere")
    for place in (path, link):
        with pytest.raises(ToolError, match="is there already"):
            create_text(place, "second")
    assert ("first", ["a.txt", "b.txt"]) == (
        path.read_text(), sorted(p.name for p in tmp_path.iterdir()))


def test_a_new_file_can_be_read_by_whom_the_user_lets(tmp_path: Path) -> None:
    """The mode of a new file follows the umask."""
    old = os.umask(0o027)
    try:
        write_text(tmp_path / "a.txt", "x")
    finally:
        os.umask(old)
    assert 0o640 == stat.S_IMODE((tmp_path / "a.txt").stat().st_mode)


def test_a_link_stays_and_its_target_is_written(tmp_path: Path) -> None:
    """Through a chain of links the file at its end gets the data, also if it is not there yet."""
    (tmp_path / "real").mkdir()
    target, link, chain = tmp_path / "real/a.bin", tmp_path / "link.bin", tmp_path / "chain.bin"
    link.symlink_to("real/a.bin")
    chain.symlink_to(link)
    for data in (b"first", b"second"):
        write_bytes(chain, data)
        assert (True, True, data) == (chain.is_symlink(), link.is_symlink(), target.read_bytes())


def test_a_pipe_gets_the_data_and_stays(tmp_path: Path) -> None:
    """Who waits at a named pipe receives what is written to it."""
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    got = []
    reader = threading.Thread(target=lambda: got.append(pipe.read_bytes()))
    reader.start()
    write_bytes(pipe, b"image")
    reader.join()
    assert ([b"image"], True) == (got, pipe.is_fifo())


def test_a_device_is_written_to_and_stays() -> None:
    """A full device says so, and is a device afterwards."""
    with pytest.raises(ToolError, match="cannot write `/dev/full`: No space left"):
        write_bytes("/dev/full", b"x")
    write_bytes("/dev/null", b"x")
    assert stat.S_ISCHR(Path("/dev/full").stat().st_mode)
    assert stat.S_ISCHR(Path("/dev/null").stat().st_mode)


def test_an_open_file_is_written_to_by_its_number(tmp_path: Path) -> None:
    """`/dev/fd/N` leads to an open file, which is not exchanged for another."""
    path = tmp_path / "a.bin"
    with path.open("wb") as stream:
        before = path.stat().st_ino
        write_bytes(f"/dev/fd/{stream.fileno()}", b"x")
    assert (b"x", before) == (path.read_bytes(), path.stat().st_ino)


def test_a_folder_is_refused(tmp_path: Path) -> None:
    """A folder is no place for a single file, and a file is no folder."""
    with pytest.raises(ToolError, match="is a folder"):
        write_bytes(tmp_path, b"x")
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(ToolError, match="is a file"):
        make_folder(tmp_path / "file")


def test_no_folder_is_made_for_a_file(tmp_path: Path) -> None:
    """A mistyped folder is told, not made."""
    with pytest.raises(ToolError, match="No such file or directory") as caught:
        write_bytes(tmp_path / "nodir/a.bin", b"x")
    assert f"there is no folder `{tmp_path}/nodir`" == caught.value.help
    assert [] == list(tmp_path.iterdir())
    for _ in range(2):
        make_folder(tmp_path / "a/b")
    write_bytes(tmp_path / "a/b/a.bin", b"x")


@pytest.mark.parametrize(("read", "most"), [(read_bytes, MAX_BYTES), (read_text, MAX_TEXT_BYTES)])
def test_an_endless_input_is_refused(read: object, most: int) -> None:
    """A device without an end is read up to the limit only."""
    assert callable(read)
    with pytest.raises(ToolError, match=f"`/dev/zero` has more than {most} bytes"):
        read("/dev/zero")


@pytest.mark.parametrize(("size", "read"), [(4, True), (5, True), (6, False)])
def test_an_input_may_be_as_long_as_the_limit(tmp_path: Path, size: int, read: bool) -> None:
    """To the byte."""
    path = tmp_path / "a.bin"
    path.write_bytes(bytes(size))
    if read:
        assert bytes(size) == read_bytes(path, 5)
    else:
        with pytest.raises(ToolError, match="has more than 5 bytes"):
            read_bytes(path, 5)


def test_what_is_there(tmp_path: Path) -> None:
    """A file, a folder, a link that leads nowhere; and its names in order. What is below a file is
    not there, what cannot be asked for is an error."""
    (tmp_path / "b").mkdir()
    (tmp_path / "a").write_bytes(b"")
    (tmp_path / "c").symlink_to("nowhere")
    assert ["a", "b", "c"] == names_in(tmp_path)
    assert [True, True, True, False, False] == [
        is_there(tmp_path / name) for name in ("a", "b", "c", "d", "a/x")]
    with pytest.raises(ToolError, match="cannot read"):
        is_there(tmp_path / ("x" * 300))
    with pytest.raises(ToolError, match="cannot read"):
        names_in(tmp_path / "a")


def test_a_place_is_looked_at_before_it_is_written_to(tmp_path: Path) -> None:
    """A file that is there, or the folder of one that is not; nothing is made."""
    (tmp_path / "a").write_bytes(b"")
    check_writable(tmp_path / "a")
    check_writable(tmp_path / "b")
    for name, why in {"no/b": "No such file or directory", "a/b": "Not a directory"}.items():
        with pytest.raises(ToolError, match=f"cannot write `{tmp_path}/{name}`: {why}"):
            check_writable(tmp_path / name)
    assert ["a"] == names_in(tmp_path)


def test_a_folder_that_cannot_be_made_is_told(tmp_path: Path) -> None:
    """With the reason of the system."""
    (tmp_path / "a").write_bytes(b"")
    with pytest.raises(ToolError, match=r"cannot make the folder `.*`: Not a directory"):
        make_folder(tmp_path / "a/b")


def test_a_near_name_is_offered_only_for_a_file_that_is_not_there(tmp_path: Path) -> None:
    """A typing mistake gets the right name; what cannot be read is not offered once more."""
    (tmp_path / "unit.toml").mkdir()
    with pytest.raises(ToolError) as caught:
        read_bytes(tmp_path / "unti.toml")
    assert f"did you mean `{tmp_path}/unit.toml`?" == caught.value.help
    with pytest.raises(ToolError) as caught:
        read_bytes(tmp_path / "unit.toml")
    assert "" == caught.value.help


@pytest.mark.parametrize(("data", "message", "note", "help"), [
    (b"a = 1\nb = '\xb5'\n", "is not UTF-8 text: byte 0xB5 in line 2", 11, "save the file as"),
    (b"\xef\xbb\xbfb\n\xff", "is not UTF-8 text: byte 0xFF in line 2", 5, "save the file as"),
    (b"\x89PNG\r\n\x1a\n\0\0", "is a binary file: byte 0x89 in line 1", 0, "give a text file"),
])
def test_what_is_no_text_is_told_with_its_place(
    data: bytes, message: str, note: int, help: str, tmp_path: Path
) -> None:
    """The first byte that is no UTF-8 is named by line and offset."""
    path = tmp_path / "a.toml"
    path.write_bytes(data)
    with pytest.raises(FindingsError) as caught:
        read_text(path)
    (finding,) = caught.value.findings
    assert f"`{path}` {message}" == finding.message
    assert (f"the byte stands at offset {note} of the file",) == finding.notes
    assert finding.help.startswith(help)


@pytest.mark.parametrize("data", [b"", b"\xff\xfe", b"\0\0\0\0", b"a = 1", b"a\0b\0cdefghijkl"])
def test_what_is_not_plainly_utf_16_is_not_called_so(data: bytes) -> None:
    """Too few bytes, zeros alone, or zeros here and there."""
    try:
        source_text("a", data)
    except FindingsError as error:
        assert "UTF-16" not in error.findings[0].message
    else:
        assert b"\xff" not in data


@pytest.mark.parametrize("coding", ["utf-16-le", "utf-16-be", "utf-16"])
def test_utf_16_is_called_by_its_name(coding: str) -> None:
    """With a byte-order mark or without."""
    with pytest.raises(FindingsError) as caught:
        source_text("a.toml", "[store]\nname = 'x'\n".encode(coding))
    assert "`a.toml` is UTF-16 text, not UTF-8" == caught.value.findings[0].message
