"""Where images go: folder, archive, end to end; nothing half-written."""

from __future__ import annotations

import io
import tarfile
from pathlib import Path

import pytest

from paramstore.core.errors import ToolError
from paramstore.files.forms import FORMS
from paramstore.production.outputs import Folder, check_output, open_output

FILES = {"a.bin": b"\x01" * 700, "b.bin": b"", "c.bin": b"\x02" * 512}


def fill(path: Path) -> list[bool]:
    with open_output(str(path)) as out:
        return [out.add(name, data) for name, data in FILES.items()]


def test_folder_has_a_file_for_each(tmp_path: Path) -> None:
    """And leaves one alone that has these bytes already; no other file is left behind."""
    folder = tmp_path / "deep" / "images"
    assert [True] * 3 == fill(folder)
    assert FILES == {p.name: p.read_bytes() for p in folder.iterdir()}
    (folder / "b.bin").write_bytes(b"old")
    assert [False, True, False] == fill(folder)
    assert FILES == {p.name: p.read_bytes() for p in folder.iterdir()}


@pytest.mark.parametrize("suffix", ["tar", "tar.gz", "tgz"])
def test_archive_is_read_by_the_standard_library(suffix: str, tmp_path: Path) -> None:
    """All files in their order; made twice it is the same."""
    one, two = (tmp_path / "deep" / "down" / f"{n}.{suffix}" for n in "ab")
    fill(one), fill(two)
    with tarfile.open(fileobj=io.BytesIO(one.read_bytes())) as archive:
        read = {m.name: archive.extractfile(m) for m in archive}
        assert FILES == {name: file.read() for name, file in read.items() if file}
    assert one.read_bytes() == two.read_bytes()


def test_end_to_end(tmp_path: Path) -> None:
    """One image after another."""
    fill(tmp_path / "all.bin")
    assert b"".join(FILES.values()) == (tmp_path / "all.bin").read_bytes()


@pytest.mark.parametrize("name", ["all.tar", "all.tgz", "all.bin"])
def test_a_run_that_ends_early_leaves_the_old_file(name: str, tmp_path: Path) -> None:
    """The new one appears when the last image is in it."""
    path = tmp_path / name
    path.write_bytes(b"old")
    with pytest.raises(KeyboardInterrupt), open_output(str(path)) as out:
        out.add("a.bin", b"new")
        raise KeyboardInterrupt
    assert b"old" == path.read_bytes()
    assert [path] == list(tmp_path.iterdir())


@pytest.mark.parametrize("name", ["all[1].tar", "all.bin", "images"])
def test_what_a_killed_run_left_is_removed(name: str, tmp_path: Path) -> None:
    """By the next one that ends well; what lies beside other files stays."""
    folder = tmp_path / name if name == "images" else tmp_path
    folder.mkdir(exist_ok=True)
    left = folder / f".{'a.bin' if name == 'images' else name}.part99999"
    others = [tmp_path / f".{other}" for other in ("else.tar.part99999", f"{name}.partly")]
    for path in (left, *others):
        path.write_bytes(b"half")
    with pytest.raises(KeyboardInterrupt), open_output(str(tmp_path / name)):
        raise KeyboardInterrupt
    assert left.exists() or name == "images"
    fill(tmp_path / name)
    assert [False, True, True] == [path.exists() for path in (left, *others)]


def test_what_cannot_be_written_is_told(tmp_path: Path) -> None:
    """A file where a folder should be, a name that is a folder."""
    (tmp_path / "file").write_bytes(b"")
    (tmp_path / "images" / "a.bin").mkdir(parents=True)
    with pytest.raises(ToolError, match="is a file"):
        open_output(str(tmp_path / "file"))
    for name in ("all.tar", "all.bin"):
        (tmp_path / name).mkdir()
        with pytest.raises(ToolError, match="is not a file"):
            open_output(str(tmp_path / name))
    with pytest.raises(ToolError, match="cannot write"):
        Folder(str(tmp_path / "images")).add("a.bin", b"x")


def test_a_link_leads_to_the_new_file(tmp_path: Path) -> None:
    """The link stays one, and what it leads to is replaced."""
    (tmp_path / "link.bin").symlink_to(tmp_path / "all.bin")
    fill(tmp_path / "link.bin")
    assert (tmp_path / "link.bin").is_symlink()
    assert b"".join(FILES.values()) == (tmp_path / "all.bin").read_bytes()


@pytest.mark.parametrize(("name", "form", "told"), [
    ("u.hex", "hex", "do not go to one file such as `u.hex`"),
    ("all.zip", "bin", "do not go to one file such as `all.zip`"),
    ("all.gz", "bin", "do not go to one file such as `all.gz`"),
    ("-", "bin", "do not go to stdout"),
    ("taken", "bin", "`taken` is a file"),
    ("all.BIN", "srec", "end to end are raw binary"),
])
def test_a_place_that_cannot_be_meant_is_refused(name: str, form: str, told: str, tmp_path: Path,
                                                 monkeypatch: pytest.MonkeyPatch) -> None:
    """With where images can go, and before anything is made."""
    monkeypatch.chdir(tmp_path)
    Path("taken").write_text("mine")
    with pytest.raises(ToolError, match=told) as refused:
        check_output(name, FORMS[form])
    assert "folder" in refused.value.help
    assert ["taken"] == [p.name for p in tmp_path.iterdir()]


def test_a_folder_may_be_called_as_it_likes(tmp_path: Path) -> None:
    """One that is there, or a name that is none of a file."""
    (tmp_path / "lot.hex").mkdir()
    for name in ("lot.hex", "lot.7", "images", "all.tar", "all.tar.gz", "all.bin"):
        check_output(str(tmp_path / name), FORMS["bin"])


@pytest.mark.parametrize(("name", "compressed"), [
    ("a.tar", False), ("a.tar.gz", True), ("a.tgz", True), ("a.TGZ", True)])
def test_an_archive_is_compressed_as_its_name_says(name: str, compressed: bool,
                                                   tmp_path: Path) -> None:
    """What looks for a plain archive finds one; RFC 1952: gzip begins with 1F 8B."""
    fill(tmp_path / name)
    data = (tmp_path / name).read_bytes()
    assert (compressed, not compressed) == (data[:2] == b"\x1f\x8b", data[257:262] == b"ustar")
