"""Forms of dumps in the commands: how files are read, what becomes of gaps and the order of words,
and how they are written in another form."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from paramstore.files.forms import FORMS, WriteOptions, encode_image
from paramstore.files.runs import swapped
from tests.host_tools.dump_bench import IMAGE, lay_out, run, text_without
from tests.inspect.scenes import PLAN

SCHEMAS = Path(__file__).parents[2] / "schemas"


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder of the dumps, as the place to work in."""
    monkeypatch.chdir(tmp_path)
    return lay_out(tmp_path)


def test_a_dump_in_the_flash_of_a_controller_is_moved(bench: Path) -> None:
    """Addresses of another memory are recognised by the label, and can be given."""
    (bench / "flash.hex").write_bytes(encode_image(
        bytes(256) + IMAGE, FORMS["hex"], WriteOptions(offset=0x8000000)))
    result = run("unpack", "bench_unit.toml", "flash.hex")
    assert "the part is taken to begin at 0x8000100" in result.stdout
    (bench / "far.hex").write_bytes(encode_image(IMAGE, FORMS["hex"], WriteOptions(offset=0x100)))
    result = run("unpack", "bench_unit.toml", "far.hex", "--input-offset", "0x100")
    assert 0 == result.exit_code and "begin" not in result.stdout


def test_a_dump_goes_from_form_to_form(bench: Path) -> None:
    """Any form in, any form out, the same bytes."""
    names = ["a.hex", "b.srec", "c.txt", "d.c", "e.bin"]
    for source, target in zip(["sound.bin", *names], names, strict=False):
        result = run("transcribe", "bench_unit.toml", source, "-o", target)
        assert 0 == result.exit_code, result.output
    assert IMAGE == (bench / "e.bin").read_bytes()
    shown = run("transcribe", "bench_unit.toml", "sound.bin", "-o", "-")
    assert IMAGE == shown.stdout_bytes
    shown = run("transcribe", "bench_unit.toml", "sound.bin", "-o", "-", "--format", "text")
    assert encode_image(IMAGE, FORMS["text"]).decode() == shown.stdout


def test_pack_writes_every_form(bench: Path) -> None:
    """Each form is read back as the same unit; used pages leave the free ones out."""
    for name in ("u.bin", "u.hex", "u.s19", "u.uf2", "u.h", "u.txt"):
        more = ["--family", "0xE48BFF56"] if name.endswith("uf2") else []
        result = run("pack", "bench_unit.toml", "-o", name, "--set", "settings.interval=77", *more)
        assert 0 == result.exit_code, result.output
        shown = run("unpack", "bench_unit.toml", name)
        assert "interval  77 s" in shown.stdout and 0 == shown.exit_code, shown.output
    used = run("pack", "bench_unit.toml", "-o", "used.hex", "--used-pages", "--offset", "0x10000")
    assert (0, True) == (used.exit_code, ", the used pages of " in used.output)
    assert (bench / "used.hex").stat().st_size < (bench / "u.hex").stat().st_size // 2
    assert "the dump lacks" in run("unpack", "bench_unit.toml", "used.hex").stdout
    assert 2 == run("pack", "bench_unit.toml", "-o", "x.uf2").exit_code


def test_lines_that_a_log_lacks_are_not_read_as_anything(bench: Path) -> None:
    """A slot without some of its bytes is missing, neither torn nor erased: an error, and no value
    is made of what was not read."""
    newest = PLAN.ring("settings").address(1)
    (bench / "log.txt").write_text(text_without(newest, PLAN.ring("identity").address(0)))
    for command in ("examine", "unpack"):
        result = run(command, "bench_unit.toml", "log.txt")
        assert 1 == result.exit_code, result.output
        assert "PS603" in result.output and "PS660" not in result.output
        assert "identity: bytes are missing; these are the defaults" in result.stdout
    assert f"settings, slot 1 at 0x{newest:04X}: missing: 0x{newest:04X} to 0x{newest + 15:04X} " \
        "not there" in run("examine", "bench_unit.toml", "log.txt").stdout
    shown = run("bytes", "bench_unit.toml", "log.txt", "--at",
                f"{newest}..{newest + 31}").stdout
    assert f"{newest:04X}  -- -- -- --  " in shown and "FF" not in shown.split("room")[0]
    assert "interval  " not in shown
    located = run("bytes", "bench_unit.toml", "log.txt", "--at", "settings.interval", "--at",
                  hex(newest)).stdout
    assert 2 == located.count("  not in the dump\n")


def test_label_of_a_swapped_dump_settles_the_release(bench: Path) -> None:
    """Among schemas and releases the label tells, also where the words are the wrong way round."""
    assert 0 == run("pack", SCHEMAS / "tank_probe.toml", "-o", "unit.bin").exit_code
    data = bytearray((bench / "unit.bin").read_bytes())
    data[::2], data[1::2] = data[1::2], data[::2]
    (bench / "swapped.bin").write_bytes(data)
    result = run("examine", SCHEMAS, "swapped.bin")
    assert 0 == result.exit_code, result.output
    assert "PS654" in result.stdout and "PS657" not in result.output


@pytest.mark.parametrize("name", ["u.bin", "u.hex", "u.s19", "u.uf2", "u.txt", "u.h"])
@pytest.mark.parametrize("command", ["examine", "unpack", "bytes", "salvage", "transcribe"])
def test_an_order_of_words_is_not_ignored(bench: Path, command: str, name: str) -> None:
    """Where nothing is written in words, --input-words is refused, not passed over."""
    assert 0 == run("pack", "bench_unit.toml", "-o", name, "--family", "7").exit_code
    more = ["-o", "x.hex"] if command in ("salvage", "transcribe") else []
    result = run(command, "bench_unit.toml", name, "--input-words", "little", *more)
    assert (2, "") == (result.exit_code, result.stdout)
    assert "--input-words" in result.stderr and not (bench / "x.hex").exists()


def test_records_tell_the_order_of_words(bench: Path) -> None:
    """Where labels are gone, a record of the schema settles it."""
    image = b"\xff" * 64 + IMAGE[64:]
    for shown in (image, swapped(image, 2)):
        (bench / "words.txt").write_text("\n".join(
            f"{at:04X}: {shown[at:at + 16].hex(' ', 2)}" for at in range(0, len(image), 16)))
        result = run("examine", "bench_unit.toml", "words.txt")
        assert "settings: record 6" in result.stdout and "PS654" not in result.stdout


def test_transcribe_keeps_what_was_not_read_apart(bench: Path) -> None:
    """Forms with addresses leave it out; the others need a fill, and have it there."""
    at = PLAN.ring("settings").address(1)
    (bench / "gap.txt").write_text(text_without(at))
    for name in ("g.hex", "g.srec", "g2.txt"):
        assert 0 == run("transcribe", "bench_unit.toml", "gap.txt", "-o", name).exit_code
        assert [[at, at + 16]] == json.loads(
            run("examine", "bench_unit.toml", name, "--json").stdout)["gaps"]
    filled = IMAGE[:at] + b"\x5a" * 16 + IMAGE[at + 16:]
    for name in ("g.bin", "g.c", "g.uf2"):
        words = ("transcribe", "bench_unit.toml", "gap.txt", "-o", name, "--family", "7")
        refused = run(*words)
        assert (2, False) == (refused.exit_code, (bench / name).exists())
        assert "cannot leave out the 16 bytes" in refused.stderr and "--fill" in refused.stderr
        assert 2 == run(*words, "--fill", "256").exit_code
        assert 0 == run(*words, "--fill", "0x5A").exit_code
        again = run("transcribe", "bench_unit.toml", name, "-o", "again.bin")
        assert (0, filled) == (again.exit_code, (bench / "again.bin").read_bytes())


def test_transcribe_tells_of_lines_that_were_not_understood(bench: Path) -> None:
    """The dump is written, and exit code 1 says that bytes may be missing. Other lines around a
    whole dump are noise, and a gap alone is none of it."""
    at = PLAN.ring("settings").address(1)
    rows = text_without().splitlines()
    log = bench / "log.txt"
    one = next(n for n, row in enumerate(rows) if int(row.partition(":")[0], 16) == at)
    for lines, code in (
            (["reading the part", *rows, "done"], 0),
            (text_without(at).splitlines(), 0),
            ([*rows[:one], "zz" + rows[one][2:], *rows[one + 1:]], 1)):
        log.write_text("\n".join(lines) + "\n")
        result = run("transcribe", "bench_unit.toml", "log.txt", "-o", "t.hex")
        assert code == result.exit_code, result.output
        assert (bench / "t.hex").exists()


def test_transcribe_places_an_image_as_pack_does(bench: Path) -> None:
    """--offset and --family give the file that pack writes with them."""
    for name, more in (("a.uf2", ("--family", "0xE48BFF56")), ("a.hex", ())):
        assert 0 == run("pack", "bench_unit.toml", "-o", name, "--offset", "0x8000",
                        *more).exit_code
        assert 0 == run("transcribe", "bench_unit.toml", name, "-o", "t" + name, "--offset",
                        "0x8000", *more).exit_code
        assert (bench / name).read_bytes() == (bench / ("t" + name)).read_bytes()
    assert 2 == run("transcribe", "bench_unit.toml", "a.hex", "-o", "b.uf2").exit_code


@pytest.mark.parametrize(("words", "said"), [
    (("--input-offset", "0x2000"), "nothing of 4096 bytes from 0x2000 on"),
    (("--input-offset", "-4"), "`-4` is less than 0"),
])
def test_an_offset_where_the_file_has_nothing_is_refused(bench: Path, words: tuple[str, ...],
                                                         said: str) -> None:
    """No empty dump is reported, and nothing is counted from the end."""
    result = run("examine", "bench_unit.toml", "sound.bin", *words)
    assert result.exit_code in (1, 2) and said in result.output


@pytest.mark.parametrize("command", ["examine", "unpack"])
def test_a_pasted_dump_that_begins_or_breaks_in_a_line(bench: Path, command: str) -> None:
    """Lines without addresses: one byte lost before the first is made up for by what the labels
    and records say; one lost in the midst is refused with its line, not read as a damaged part."""
    rows = [IMAGE[at:at + 16].hex(" ") for at in range(0, len(IMAGE), 16)]
    (bench / "late.txt").write_text("\n".join([rows[0][3:], *rows[1:]]))
    result = run(command, "bench_unit.toml", "late.txt")
    assert 0 == result.exit_code, result.output
    assert "PS652: the dump is shifted: 1 byte missing at the beginning" in result.stdout
    assert "settings: record 6" in result.stdout
    (bench / "broken.txt").write_text("\n".join([*rows[:250], rows[250][3:], *rows[251:]]))
    result = run(command, "bench_unit.toml", "broken.txt")
    assert (1, "") == (result.exit_code, result.stderr)
    assert "broken.txt:251:1: error PS631" in result.output


@pytest.mark.parametrize(("offset", "size", "said"), [
    ("0x10080", 128, "0x10000 to 0x1007F"), ("0x10000", 128, "0x10080 to 0x100FF"),
    ("0", 128, "0x80 to 0xFF"), ("0x10004", 256, "0x10000 to 0x10003 and 0x10104 to 0x101FF"),
])
def test_a_uf2_file_is_read_back_where_it_was_written(bench: Path, offset: str, size: int,
                                                      said: str) -> None:
    """Its blocks go beyond the part: that is said, and is no data outside the part to read."""
    part = {128: "24AA01", 256: "AT24C02D"}[size]
    (bench / "small.toml").write_text(
        f'[store]\nname = "small"\ndoc = "Invented"\npart = "{part}"\n'
        '[group.settings]\nrole = "setting"\nwrites = "1 per day"\nslots = 3\n'
        '[group.settings.parameter]\nlevel = { type = "u8", default = 7 }\n')
    packed = run("pack", "small.toml", "-o", "s.uf2", "--family", "7", "--offset", offset)
    assert 0 == packed.exit_code, packed.output
    assert (f"blocks of 256 bytes: the file also writes 0xFF to {said}, outside the part"
            in packed.stdout)
    for more in (["--input-offset", offset], []):
        shown = run("unpack", "small.toml", "s.uf2", *more)
        assert 0 == shown.exit_code and "level  7" in shown.stdout, shown.output
        assert "left out" not in shown.output
    assert 1 == run("unpack", "small.toml", "s.uf2", "--input-offset", "0x20000").exit_code
    again = run("transcribe", "small.toml", "s.uf2", "-o", "t.uf2", "--family", "7", "--offset",
                offset)
    assert 0 == again.exit_code and said in again.stdout
    assert (bench / "s.uf2").read_bytes() == (bench / "t.uf2").read_bytes()


def test_data_in_a_uf2_file_outside_the_part_is_refused(bench: Path) -> None:
    """Only bytes of one value are fill."""
    blocks = encode_image(bytes(range(256)) * 17, FORMS["uf2"], WriteOptions(family=7))
    (bench / "x.uf2").write_bytes(blocks)
    shown = run("unpack", "bench_unit.toml", "x.uf2", "--input-offset", "0x80")
    assert (1, True) == (shown.exit_code, "PS626" in shown.stdout)
