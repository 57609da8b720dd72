"""Records that something happened to: a message that names the file, whatever stands in it."""

from __future__ import annotations

import random
import sqlite3
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from host_tools.main import main
from paramstore.core.errors import ToolError
from paramstore.production.database import COLUMNS, row_crc
from paramstore.production.records import Records
from tests.production.jobs import SCHEMA, job_of, made

JUNK: tuple[object, ...] = (
    None, -1, 1 << 62, 1.5, b"\xff\x00", "", "x", "{}", "[]", "null", "../../x", "\x1b[2J\n",
    "[trim]\nflow = 'a'", "[trim]\nflow = 1e999", "[trim]\nflow = [1]", "[nothing]\nx = 1",
    "[trim]\nnothing = 1", "trim = 1", "[trim]\nlift = [[1, 2]]", "[identity]\nmade = 1",
    '{"part": 1}', '{"part": {"name": "x"}}', "identity.nothing", "trim.flow")


def run(*arguments: object) -> Result:
    result = CliRunner().invoke(main, [str(a) for a in arguments])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result


@pytest.fixture
def records(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Two units on record, one of them written."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "pump.toml").write_text(SCHEMA, "utf-8")
    (tmp_path / "units.csv").write_text("trim.flow [ml/turn],settings.label\n1,a\n2,b\n", "utf-8")
    path = tmp_path / "pump.units.db"
    made(job_of(tmp_path / "units.csv"), path, tmp_path / "images")
    (tmp_path / "unit.bin").write_bytes((tmp_path / "images" / "DP-0001.bin").read_bytes())
    assert 0 == run("write", "pump.toml", "unit.bin", "--part-file", "part.bin", "--yes",
                    "--records", path).exit_code
    with sqlite3.connect(path) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return path


def seal(db: sqlite3.Connection) -> None:
    """Give every row the checksum that it should have: what is wrong in it was written so."""
    db.create_function("row_crc", -1, row_crc)
    for table, columns in COLUMNS.items():
        db.execute(f"UPDATE {table} SET crc = row_crc({', '.join(columns)})")


def use(records: Path, some: random.Random) -> None:
    """Three of the commands that read records; a batch may be one that goes on."""
    for arguments in some.sample((
        ("units", "--records", records), ("units", "--records", records, "--json"),
        ("units", "--records", records, "--csv", "u.csv"),
        ("units", "--records", records, "DP-0001", "--unit-record", "u.html"),
        ("units", "--records", records, "--labels", "u.txt", "--label-text",
         "{serial} {trim.flow} {sha256}"),
        ("batch", "pump.toml", "units.csv", "--new-serials", "DP-####", "--batch", "lot1",
         "--records",
         records, "-o", "out"),
        ("batch", "pump.toml", "units.csv", "--new-serials", "DP-####", "--batch", "lot2",
         "--records",
         records, "-o", "out2", "--again"),
        ("differ", "pump.toml", "unit.bin", "--records", records),
        ("differ", "pump.toml", "unit.bin", "--records", records, "--serial", "DP-0001"),
        ("verify", "pump.toml", "unit.bin", "--part-file", "part.bin", "--records", records),
    ), 3):
        result = run(*arguments)
        assert result.exit_code in (0, 1, 2)
        assert result.stdout.replace("\n", "").isprintable()


@pytest.mark.parametrize("table", COLUMNS)
def test_any_value_in_any_column(records: Path, table: str, tmp_path: Path) -> None:
    """What no run would have written there is an error of one message, or does not matter."""
    sound, chance = records.read_bytes(), random.Random(table)
    for column in COLUMNS[table]:
        for junk in JUNK:
            records.write_bytes(sound)
            with sqlite3.connect(records) as db:
                try:
                    db.execute(f"UPDATE {table} SET {column} = ?", (junk,))
                    seal(db)
                except (sqlite3.IntegrityError, sqlite3.OperationalError):
                    continue
            db.close()
            use(records, chance)
    # Nothing was written beside the folders that were named.
    assert not [p for p in tmp_path.parent.iterdir() if p.suffix == ".bin"]


@pytest.mark.parametrize("table", COLUMNS)
def test_another_value_is_not_served(records: Path, table: str) -> None:
    """One that could be, in any column of any table: its checksum tells. (Of a serial number that
    leads to a unit, an index does: see below.)"""
    sound = records.read_bytes()
    for column in COLUMNS[table][table in ("image", "event"):]:
        records.write_bytes(sound)
        with sqlite3.connect(records) as db:
            (old,) = db.execute(f"SELECT {column} FROM {table} LIMIT 1").fetchone()
            new = old ^ 1 if isinstance(old, int) else "A" + (old or "A")[1:]
            db.execute(f"UPDATE {table} SET {column} = ? WHERE rowid = "
                       f"(SELECT min(rowid) FROM {table})", (new,))
        db.close()
        result = run("units", "--records", records, "--json")
        assert (2, "") == (result.exit_code, result.stdout), column
        assert "are damaged" in result.stderr or "FOREIGN KEY" in result.stderr, column


def test_no_flipped_bit_is_served(records: Path) -> None:
    """Wherever it is, in an index too: the records are refused, or all is as it was written."""
    sound, chance = records.read_bytes(), random.Random(7)
    truth = run("units", "--records", records, "--json").stdout
    refused = 0
    for at in chance.sample([n for n, byte in enumerate(sound) if byte], 150):
        data = bytearray(sound)
        data[at] ^= 1 << chance.randrange(8)
        for more in ("-wal", "-shm"):
            Path(f"{records}{more}").unlink(missing_ok=True)
        records.write_bytes(data)
        result = run("units", "--records", records, "--json")
        assert result.stdout in ("", truth), at
        refused += result.exit_code == 2
    assert refused > 50


def test_any_byte(records: Path) -> None:
    """Bytes are changed, lost and doubled anywhere in the file."""
    sound = records.read_bytes()
    chance = random.Random(1)
    for _ in range(40):
        data = bytearray(sound)
        for _ in range(chance.choice((1, 1, 3, 30))):
            at = chance.randrange(len(data))
            match chance.randrange(3):
                case 0:
                    data[at] ^= 1 << chance.randrange(8)
                case 1:
                    data[at:at + chance.randrange(1, 60)] = b""
                case _:
                    data[at:at + 8] = chance.randbytes(8)
        records.write_bytes(data)
        for more in ("-wal", "-shm"):
            Path(f"{records}{more}").unlink(missing_ok=True)
        use(records, chance)


def test_damage_names_the_file_and_the_way_out(records: Path) -> None:
    """A person can act on it."""
    with sqlite3.connect(records) as db:
        db.execute("UPDATE batch SET plan = 'null'")
        seal(db)
    db.close()
    result = run("units", "--records", records, "--json")
    assert (2, "") == (result.exit_code, result.stdout)
    assert (f"error: the records in `{records}` are damaged: the plan of batch `lot1` cannot be "
            "read\n  mend  bring the file back from a copy\n") == result.stderr


def test_a_serial_number_on_record_is_no_path(records: Path, tmp_path: Path) -> None:
    """A batch that goes on writes no file elsewhere."""
    with sqlite3.connect(records) as db:
        db.execute("PRAGMA foreign_keys = OFF")
        db.execute("UPDATE unit SET serial = '../outside' WHERE row = 1")
        seal(db)
    db.close()
    result = run("batch", "pump.toml", "units.csv", "--new-serials", "DP-####", "--batch", "lot1",
                 "--records", records, "-o", tmp_path / "out")
    assert 2 == result.exit_code
    assert "are damaged: `../outside` is no serial number" in result.stderr
    assert not (tmp_path / "outside.bin").exists()


@pytest.mark.parametrize("name", [":memory:", "file:x?mode=memory", "file::memory:",
                                  "file:x.db?mode=memory&cache=shared", "file:///tmp/x"])
def test_the_name_of_the_records_is_that_of_a_file(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever SQLite would make of it: serial numbers are kept, or nothing is made."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "pump.toml").write_text(SCHEMA, "utf-8")
    (tmp_path / "units.csv").write_text("settings.label\na\n", "utf-8")
    batch = ("batch", "pump.toml", "units.csv", "--new-serials", "DP-####", "--records", name, "-o")
    assert 0 == run(*batch, "out").exit_code
    assert (tmp_path / name).is_file()
    assert "DP-0001" in run("units", "--records", name).stdout
    (tmp_path / "units.csv").rename("more.csv")
    assert 0 == run(*batch[:2], "more.csv", *batch[3:], "out2").exit_code
    assert ["DP-0002.bin"] == [p.name for p in (tmp_path / "out2").iterdir()]


def test_an_empty_name_is_refused() -> None:
    """SQLite would take it for a file of its own, which it deletes."""
    with pytest.raises(ToolError):
        Records("", create=True)


def test_a_damaged_definition_that_is_no_text(records: Path) -> None:
    """SQLite quotes it in its message, which is none then."""
    data = records.read_bytes()
    at = data.index(b"CREATE TABLE event")
    records.write_bytes(data[:at + 13] + b"\xf5(" + data[at + 15:])
    result = run("units", "--records", records)
    assert (2, "") == (result.exit_code, result.stdout)
    assert f"the records in `{records}`" in result.stderr


def test_a_damaged_definition_of_a_table(records: Path) -> None:
    """A column that is a comment now is not there."""
    data = records.read_bytes()
    at = data.index(b"begun TEXT NOT NULL")
    comma = data.rindex(b",", 0, at)
    records.write_bytes(data[:comma] + b"-" * (at - comma) + data[at:])
    result = run("units", "--records", records)
    assert (2, "") == (result.exit_code, result.stdout)
    assert f"the records in `{records}`" in result.stderr


def test_a_file_is_checked_as_a_whole_once_in_a_run(records: Path,
                                                    monkeypatch: pytest.MonkeyPatch) -> None:
    """A command opens the records several times, to write too. What another program wrote since
    is checked."""
    checks: list[str] = []
    check = Records._check
    monkeypatch.setattr("paramstore.production.database._CHECKED", {})
    monkeypatch.setattr(Records, "_check", lambda self: (checks.append(self.path), check(self))[1])
    assert 0 == run("write", "pump.toml", "--set", "settings.label=c", "--part-file", "part.bin",
                    "--yes", "--records", records).exit_code
    assert 0 == run("units", "--records", records).exit_code
    assert [str(records)] == checks
    with sqlite3.connect(records) as db:
        db.execute("CREATE TABLE other (x)")
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    assert 0 == run("units", "--records", records).exit_code
    assert [str(records)] * 2 == checks
