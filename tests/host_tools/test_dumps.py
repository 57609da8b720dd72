"""The commands that read dumps, as a person calls them: what is said of a dump."""

from __future__ import annotations

import json
import random
import re
from pathlib import Path

import pytest

from paramstore.files.forms import FORMS, encode_image
from tests.goldens import golden
from tests.host_tools.dump_bench import IMAGE, TORN, lay_out, run, text_without
from tests.inspect.scenes import PLAN

SCHEMAS = Path(__file__).parents[2] / "schemas"

GOLDEN = Path(__file__).parent / "golden"


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder of the dumps, as the place to work in."""
    monkeypatch.chdir(tmp_path)
    return lay_out(tmp_path)


@pytest.mark.parametrize(("name", "arguments", "code"), [
    ("examine", ["examine", "bench_unit.toml", "hurt.bin"], 1),
    ("bytes", ["bytes", "bench_unit.toml", "hurt.bin", "--at", "..0xFFF"], 0),
    ("locate",
     ["bytes", "bench_unit.toml", "hurt.bin", "--at", "0xFA7.2", "--at", "settings.alarms.high",
      "--at", "curve.steps[3]", "--at", "0x22", "--at", "0x5", "--at", "0x400"], 0),
    ("differ", ["differ", "bench_unit.toml", "sound.bin", "hurt.bin", "--bytes"], 1),
    ("salvage", ["salvage", "bench_unit.toml", "hurt.bin", "-o", "clean.hex", "--repair"], 0),
])
def test_what_is_printed(bench: Path, name: str, arguments: list[str], code: int) -> None:
    """The reports, as they are kept beside the tests."""
    result = run(*arguments)
    assert code == result.exit_code, result.output
    assert golden(GOLDEN / f"{name}.txt", result.stdout) == result.stdout


@pytest.mark.parametrize("arguments", [
    ["examine", "bench_unit.toml", "hurt.bin"],
    ["differ", "bench_unit.toml", "sound.bin", "hurt.bin", "--bytes"],
    ["salvage", "bench_unit.toml", "hurt.bin", "-o", "clean.bin"],
])
def test_json_is_json(bench: Path, arguments: list[str]) -> None:
    """Every report has a form for programs, with its version."""
    result = run(*arguments, "--json")
    assert 1 == json.loads(result.stdout)["schema_version"]


def test_a_console_log_is_examined_with_a_folder_of_schemas(bench: Path) -> None:
    """The usual case: text from a terminal, and somewhere the schemas of all units."""
    text = encode_image(IMAGE, FORMS["text"]).decode()
    log = "boot\n" + "".join(f"[{n:7.3f}] {line}\n" for n, line in enumerate(text.splitlines()))
    result = run("examine", bench, "-", stdin=log.encode())
    assert 0 == result.exit_code, result.output
    assert "<stdin>: hex dump text, 16 bytes a line, hexadecimal addresses\n" in result.stdout
    above, report = result.stdout.split("<stdin>: hex dump text")
    assert "bench_unit.toml\n" in report.splitlines(keepends=True)[1]
    assert "1 other line passed over" in above and "1 warning" not in above
    assert result.stdout.endswith("<stdin>: 3 warnings\n")


def test_a_doubtful_dump_is_refused_and_can_be_forced(bench: Path) -> None:
    """Words without a known order name the option that settles it."""
    (bench / "words.txt").write_text("0000: 0102 0304\n0004: 0506 0708\n")
    result = run("examine", "bench_unit.toml", "words.txt")
    assert 1 == result.exit_code and "--input-words big" in result.stdout
    assert "PS601" not in run("examine", "bench_unit.toml", "words.txt", "--input-words",
                              "big").output
    assert 2 == run("bytes", "bench_unit.toml", "sound.bin", "--at", "x..").exit_code


def test_nothing_is_salvaged_from_nothing(bench: Path) -> None:
    """A blank dump, or one of another store, writes no file."""
    (bench / "blank.bin").write_bytes(b"\xff" * 4096)
    result = run("salvage", "bench_unit.toml", "blank.bin", "-o", "x.bin")
    assert 2 == result.exit_code and not (bench / "x.bin").exists()
    assert 2 == run("examine", SCHEMAS.parent / "tests" / "decode", "blank.bin").exit_code


def test_an_input_is_never_written_over(bench: Path) -> None:
    """Salvage refuses to write to the dump it reads."""
    assert 2 == run("salvage", "bench_unit.toml", "hurt.bin", "-o", "hurt.bin").exit_code


def test_page_beside_the_answer(bench: Path) -> None:
    """--html writes a page; answer and exit code stay, and neither dump nor schema is replaced."""
    plain = run("examine", "bench_unit.toml", "hurt.bin")
    paged = run("examine", "bench_unit.toml", "hurt.bin", "--html", "hurt.html")
    assert (plain.exit_code, plain.stdout) == (paged.exit_code, paged.stdout)
    page = (bench / "hurt.html").read_text("utf-8")
    assert page == run("examine", "bench_unit.toml", "hurt.bin", "--html", "-").stdout
    assert "bit-flipped" in page and "torn" in page
    for kept in ("hurt.bin", "bench_unit.toml"):
        before = (bench / kept).read_bytes()
        assert 2 == run("examine", "bench_unit.toml", "hurt.bin", "--html", kept).exit_code
        assert before == (bench / kept).read_bytes()


@pytest.mark.parametrize("arguments", [
    ["bytes", "dump.bin"], ["bytes", "dump.bin", "--at", "0x0"],
    ["differ", "dump.bin", "dump.bin"],
], ids=lambda a: a[0])
def test_a_dump_of_another_store_is_told_everywhere(bench: Path, arguments: list[str]) -> None:
    """Whatever is shown of a dump, that it is of another store is said beside it."""
    schema = (bench / "bench_unit.toml").read_text("utf-8").replace("bench_unit", "another")
    (bench / "another.toml").write_text(schema, "utf-8")
    (bench / "dump.bin").write_bytes((bench / "sound.bin").read_bytes())
    command, *rest = arguments
    result = run(command, "another.toml", *rest)
    assert "error PS607: the part holds the store `bench_un` (id 0x" in result.output


@pytest.mark.parametrize(("words", "said"), [
    (["--at", "0x2000.."], "the dump has no address 0x2000"),
    (["--at", "0x40..0x3F"], "0x3F lies before 0x40"),
])
def test_bytes_that_are_not_there_are_an_error(bench: Path, words: list[str], said: str) -> None:
    """A range outside the dump, or the wrong way round, is no empty answer."""
    result = run("bytes", "bench_unit.toml", "sound.bin", *words)
    assert (2, "") == (result.exit_code, result.stdout)
    assert said in result.stderr


def test_what_concerns_the_whole_dump_is_on_top(bench: Path) -> None:
    """That bytes are missing, moved or doubled qualifies every value, so it comes before them; the
    parts come behind, and all are counted."""
    (bench / "shifted.bin").write_bytes(b"\x55" * 3 + IMAGE)
    for command in ("examine", "unpack"):
        shown = run(command, "bench_unit.toml", "shifted.bin").stdout
        above, below = shown.split("bench_unit on the 24LC32A", 1)
        assert "PS652" in above and "PS613" not in above
        assert "PS652" not in below and below.endswith("shifted.bin: 3 warnings\n")
    half = IMAGE[:2048]
    (bench / "aliased.bin").write_bytes(half + half)
    result = run("examine", "bench_unit.toml", "aliased.bin")
    assert (1, True) == (result.exit_code, "error PS653" in result.stdout.split("bench_unit on")[0])


@pytest.mark.parametrize("dump", ["sound.bin", "hurt.bin", "torn.bin", "gap.txt", "other.bin"])
def test_unpack_and_examine_judge_alike(bench: Path, dump: str) -> None:
    """The same findings and the same exit code: 1 for damage and loss, 0 for a write that a cut
    interrupted and the next one mends."""
    (bench / "torn.bin").write_bytes(TORN)
    (bench / "gap.txt").write_text(text_without(PLAN.ring("identity").address(0)))
    (bench / "other.bin").write_bytes(bytes(4096))
    both = [run(command, "bench_unit.toml", dump, "--json") for command in ("unpack", "examine")]
    codes = [[f["code"] for f in json.loads(r.stdout)["findings"]] for r in both]
    assert codes[0] == codes[1]
    assert [dump not in ("sound.bin", "torn.bin")] * 2 == [r.exit_code == 1 for r in both]


@pytest.mark.parametrize("data", [b"\xff" * 4096, random.Random(3).randbytes(4096)],
                         ids=["blank", "noise"])
def test_a_schema_alone_in_a_folder_is_not_taken_for_want_of_another(
        bench: Path, data: bytes) -> None:
    """What nothing tells is refused with a folder, and read with the schema given by name."""
    (bench / "any.bin").write_bytes(data)
    result = run("examine", bench, "any.bin")
    assert (1, "") == (result.exit_code, result.stderr)
    assert "PS657" in result.output and "instead of the folder" in result.output
    named = run("examine", "bench_unit.toml", "any.bin")
    assert (1, True) == (named.exit_code, "schema: bench_unit.toml" in named.stdout)


@pytest.mark.parametrize("command", ["examine", "bytes", "unpack"])
def test_a_release_can_be_given(command: str, bench: Path) -> None:
    """Where no label tells the release, --release does, wherever a dump is read; it is for one
    schema with that release."""
    probe = SCHEMAS / "tank_probe.toml"
    assert 0 == run("pack", probe, "--release", "2", "-o", "two.bin").exit_code
    image = b"\xff" * 64 + (bench / "two.bin").read_bytes()[64:]
    (bench / "two.bin").write_bytes(image)
    assert "PS658" in run(command, probe, "two.bin").output
    told = run(command, probe, "two.bin", "--release", "2")
    assert "PS658" not in told.output and "calibration" in told.stdout
    for words in ((probe, "9"), (SCHEMAS / "edid.fixed.toml", "1")):
        assert 2 == run(command, words[0], "two.bin", "--release", words[1]).exit_code
    if command != "unpack":
        assert 2 == run(command, SCHEMAS, "two.bin", "--release", "2").exit_code


def bytes_rows(shown: str) -> list[str]:
    """The lines of a hex dump, without what is said above and the name of the slot."""
    return [line for line in shown.splitlines() if re.match("[0-9A-F]{4}  ", line)]


def test_a_slot_of_which_all_is_missing_has_no_line_of_other_bytes(bench: Path) -> None:
    """Behind a slot that a gap covers nothing is shown twice; a thing that is there in part is
    named on each side of the gap."""
    ring = PLAN.ring("settings")
    rows = range(ring.address(0), ring.address(1), 16)
    (bench / "gap.txt").write_text(text_without(*rows))
    shown = run("bytes", "bench_unit.toml", "gap.txt", "--at",
                f"{rows[0]}..{ring.address(1) - 1}").stdout
    assert "behind the record" not in shown
    assert all(line.split()[1] == "--" for line in bytes_rows(shown))
    text = text_without().replace(f"{rows[0]:04X}: {IMAGE[rows[0]]:02x}", f"{rows[0]:04X}: ??")
    (bench / "byte.txt").write_text(text)
    shown = run("bytes", "bench_unit.toml", "byte.txt", "--at",
                f"{rows[0]}..{rows[0] + 3}").stdout
    assert ["sequence number"] * 2 == [line[48:].strip() for line in bytes_rows(shown)]


@pytest.mark.parametrize(("words", "said"), [
    (["bytes", "bench_unit.toml", "--at", "0x40.8"], "there is no bit 8 in the byte at 0x40"),
    (["bytes", "bench_unit.toml", "--at", "0x40", "--at", "nothing.here"], "`nothing.here`"),
    (["bytes", "bench_unit.toml", "--at", "0x40", "--input-words", "big"], "is for a dump"),
    (["differ", "bench_unit.toml", "sound.bin", "sound.bin", "--serial", "1"], "--serial"),
    (["differ", "bench_unit.toml", "noise.bin", "noise.bin"], "`noise.bin` holds nothing of"),
    (["differ", "bench_unit.toml", "sound.bin", "noise.bin"], "`noise.bin` holds nothing of"),
    (["differ", "bench_unit.toml", "sound.bin", "--records", "none.db"],
     "there are no records at `none.db`"),
])
def test_what_has_no_answer_is_no_half_answer(bench: Path, words: list[str], said: str) -> None:
    """Nothing on stdout but what is wrong with the dump, and what to do about it, exit code 2."""
    (bench / "noise.bin").write_bytes(random.Random(1).randbytes(4096))
    result = run(*words)
    assert (2, "noise.bin" in words) == (result.exit_code, "error PS605" in result.stdout)
    assert "noise.bin" in words or "" == result.stdout
    assert said in result.stderr and "mend" in result.stderr
    as_json = run(*words, "--json")
    assert (2, result.stderr) == (as_json.exit_code, as_json.stderr)
    assert "noise.bin" in words or "" == as_json.stdout
    if as_json.stdout:
        assert "PS605" == json.loads(as_json.stdout)["findings"][0]["code"]


def test_migrate_refuses_another_dump_in_json_too(bench: Path) -> None:
    """An image of no release of the schema: its findings are JSON, the reason is on stderr."""
    (bench / "noise.bin").write_bytes(random.Random(1).randbytes(4096))
    assert 0 == run("freeze", "bench_unit.toml").exit_code
    result = run("migrate", "bench_unit.toml", "noise.bin", "-o", "new.bin", "--json")
    assert 2 == result.exit_code and "mend" in result.stderr
    assert "PS605" in {f["code"] for f in json.loads(result.stdout)["findings"]}
    assert not (bench / "new.bin").exists()


def test_records_of_an_earlier_release_are_read_as_what_they_held(tmp_path: Path) -> None:
    """What is stored anew since is converted in the history, and is room in the old record."""
    schema, image, older = (tmp_path / name for name in ("s.toml", "s.bin", "older.bin"))
    text = ('[store]\nname = "s"\npart = "AT24C02D"\n[group.g]\nrole = "setting"\n'
            'writes = "1 per day"\nroom = 8\n[group.g.parameter]\n%s\n'
            'b = { type = "u8", default = 1 }\n')
    schema.write_text(text % 'a = { type = "u16", unit = "V" }', "utf-8")
    assert 0 == run("freeze", schema).exit_code
    assert 0 == run("pack", schema, "-o", older, "--set", "g.a=7", "--set", "g.b=3").exit_code
    schema.write_text(text % 'a = { type = "u32", unit = "mV", convert = { factor = 1000 } }'
                      + 'c = { type = "u8", default = 9 }\n', "utf-8")
    assert 0 == run("freeze", schema).exit_code
    assert 0 == run("migrate", schema, older, "--to", "2", "-o", image).exit_code
    report = run("examine", schema, image).stdout
    assert "Slots that are of another revision\n  g, slot 0 at" in report
    assert "record 2  no change\n" in report
    shown = run("bytes", schema, image).stdout.partition("g, slot 1")[0]
    assert "mV" not in shown and "c  255" not in shown and "reserved, once `a`" in shown
    places = run("bytes", schema, image, "--at", "g.a", "--at", "0x3A").stdout
    assert "FF FF FF FF  not in revision 1\n" in places and "7000 mV  <- newest" in places
    page = tmp_path / "page.html"
    run("examine", schema, image, "--html", page)
    assert "<bdi>4294967295 mV" not in page.read_text("utf-8")


def test_an_erased_slot_holds_no_value(bench: Path) -> None:
    """FF is what an erased page reads, and no number: neither by its place nor by its name."""
    ring = PLAN.ring("identity")
    erased = next(n for n in range(ring.slots)
                  if set(IMAGE[ring.address(n):ring.address(n) + ring.record_bytes]) == {0xFF})
    at = ring.address(erased) + 6
    shown = run("bytes", "bench_unit.toml", "sound.bin", "--at", f"0x{at:X}").stdout
    assert "holds 0xFF; erased\n" in shown and "nan" not in shown
