"""The command `paramstore batch`, as a person calls it."""

from __future__ import annotations

import json
import re
from decimal import Decimal
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from host_tools.main import main
from paramstore.production.export import Exporter
from paramstore.production.records import Records
from tests.host_tools.copies import copied_schema

SCHEMAS = Path(__file__).parents[2] / "schemas"
TABLE = SCHEMAS / "tank_probe.units.csv"
WITHOUT = ("electrode: no values given; left without a record, the firmware serves defaults and "
           "says so\n"
           "factory: ntc_pullup, ec_tempco, ec_curve, adjusted: no values given; the record holds "
           "their defaults\n")
FIVE = [f"TP-26-{n:04}.bin" for n in range(1, 6)]


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, [str(a) for a in arguments])


@pytest.fixture
def schema(tmp_path: Path) -> Path:
    """The shipped schema in a folder of its own, as the records lie beside it."""
    return copied_schema(tmp_path)


def batch(schema: Path, *more: str | Path, table: Path = TABLE) -> Result:
    return run("batch", schema, table, "--new-serials", "TP-26-####", *more)


def test_shipped_table_is_made(schema: Path, tmp_path: Path) -> None:
    """Five images, told in three lines, and the caution. They are calibrated but for the electrode,
    and for what the table has no column of: that is told, too."""
    out = tmp_path / "images"
    result = batch(schema, "-o", out)
    assert 0 == result.exit_code
    assert (f"{TABLE}: 5 units of tank_probe\n{WITHOUT}"
            f"{out}: 5 images, raw binary; 5 new serial numbers\n"
            f"{tmp_path / 'tank_probe.units.db'}: batch `tank_probe.units`\n") == result.stdout
    assert "caution: wrong values" in result.stderr
    assert FIVE == sorted(p.name for p in out.iterdir())
    shown = run("unpack", schema, out / FIVE[4])
    assert (0, ["PS613"]) == (shown.exit_code, re.findall("PS[0-9]+", shown.stdout))
    assert "electrode: blank, never written or erased; these are the defaults" in shown.stdout
    assert '"TP-26-0005"' in shown.stdout and "variant   sea" in shown.stdout


def test_run_again_goes_on(schema: Path, tmp_path: Path) -> None:
    """Nothing new, and what is missing comes back."""
    out = tmp_path / "images"
    batch(schema, "-o", out)
    (out / FIVE[2]).unlink()
    result = batch(schema, "-o", out)
    assert f"{TABLE}: 5 units of tank_probe, 5 on record already\n" in result.stdout
    assert "5 images, raw binary; 0 new serial numbers, 4 files there already\n" in result.stdout
    assert FIVE == sorted(p.name for p in out.iterdir())


def test_without_output_the_table_is_checked(schema: Path, tmp_path: Path) -> None:
    """Neither records nor images appear."""
    result = batch(schema)
    assert (0, f"{TABLE}: 5 units of tank_probe\n{WITHOUT}") == (result.exit_code, result.stdout)
    assert [] == [p for p in tmp_path.iterdir() if not p.name.startswith("tank_probe.")
                  or p.suffix == ".db"]


def test_nothing_is_written_on_a_mistake(schema: Path, tmp_path: Path) -> None:
    """Unless asked: then the good rows are made, and the exit code still tells."""
    table, out = tmp_path / "lot.csv", tmp_path / "images"
    table.write_text(TABLE.read_text("utf-8").replace("1.00043", "7.00043"), "utf-8")
    result = batch(schema, "-o", out, table=table)
    assert 1 == result.exit_code
    assert f"{table}:6:32: error PS943: `adc_gain` = 7.00043 is above its maximum" in result.output
    assert "nothing was written" in result.stderr
    assert not out.exists() and not (tmp_path / "tank_probe.units.db").exists()
    result = batch(schema, "-o", out, "--skip-bad", table=table)
    assert 1 == result.exit_code
    assert f"{table}: 5 units of tank_probe, 4 without mistakes\n" in result.stdout
    assert FIVE[:4] == sorted(p.name for p in out.iterdir())


def test_values_and_settings_are_constants(schema: Path, tmp_path: Path) -> None:
    """What the table does not name comes from them."""
    values = tmp_path / "lot.toml"
    values.write_text('[settings]\ninterval = 30\nlabel = "lot 3"\n')
    result = batch(schema, "--values", values, "--set", "settings.interval=45", "-o",
                   tmp_path / "images")
    assert 0 == result.exit_code
    shown = run("unpack", schema, tmp_path / "images" / FIVE[0]).stdout
    assert '"lot 3"' in shown and "45 s" in shown


RULED = "identity.serial,settings.ph_high [pH]\nA1,9.5\nA2,8\n"


def test_rules_are_between_the_values_that_a_unit_gets(schema: Path, tmp_path: Path) -> None:
    """Of a constant and a column each row is checked, not the constant and a default that no unit
    has; of two constants, and of one and a default, the constants are."""
    table = tmp_path / "lot.csv"
    table.write_text(RULED)
    result = run("batch", schema, table, "--set", "settings.ph_low=8.6")
    assert (1, 1) == (result.exit_code, result.stdout.count(": error "))
    assert f"{table}:3:4: error PS947: `ph_low` = 8.6 pH must be below `ph_high`" in result.output
    table.write_text(RULED.replace("8\n", "8.7\n"))
    assert 0 == run("batch", schema, table, "--set", "settings.ph_low=8.6").exit_code
    table.write_text("identity.serial\nA1\nA2\n")
    for settings in (("settings.ph_low=8.6",), ("settings.ph_low=6", "settings.ph_high=5")):
        result = run("batch", schema, table, *(a for s in settings for a in ("--set", s)))
        assert (1, 1) == (result.exit_code, result.output.count(": error PS510: "))


def test_rules_hold_with_the_calibrations_of_units(schema: Path, tmp_path: Path) -> None:
    """One that has its own limit, and one that is left with the constant and a default."""
    table, calibrations = tmp_path / "lot.csv", tmp_path / "measured"
    calibrations.mkdir()
    table.write_text("identity.serial\nA1\nA2\n")
    (calibrations / "A1.toml").write_text("[settings]\nph_high = 9.5\n")
    (calibrations / "A2.toml").write_text("[factory]\nadc_gain = 1.01\n")
    result = run("batch", schema, table, "--calibrations", calibrations, "--set",
                 "settings.ph_low=8.6")
    assert (1, 1) == (result.exit_code, result.stdout.count(": error "))
    assert f"{table}:3:1: error PS947: `ph_low` = 8.6 pH must be below `ph_high`" in result.output


@pytest.mark.parametrize(("form", "name"), [("hex", FIVE[0].replace("bin", "hex")),
                                            ("srec", FIVE[0].replace("bin", "srec"))])
def test_images_in_other_forms(form: str, name: str, schema: Path, tmp_path: Path) -> None:
    """The same image, as programmers take it."""
    batch(schema, "--format", form, "-o", tmp_path / "a")
    batch(schema, "-o", tmp_path / "b")
    one, two = (run("unpack", schema, path).stdout.replace(str(path), "unit")
                for path in (tmp_path / "a" / name, tmp_path / "b" / FIVE[0]))
    assert one == two != ""


def test_json_tells_the_same(schema: Path, tmp_path: Path) -> None:
    """Counts and findings as data."""
    data = json.loads(batch(schema, "--json", "-o", tmp_path / "all.tar").stdout)
    assert {"units": 5, "new_serials": 5, "files_kept": 0} == data["made"]
    assert ("tank_probe", 5, 0, []) == (
        data["store"], data["rows"], data["bad_rows"], data["findings"])
    assert (tmp_path / "all.tar").is_file()


@pytest.mark.parametrize(("more", "told"), [
    (("--format", "uf2"), "not made as `uf2`"),
    (("--format", "hex", "-o", "all.bin"), "end to end are raw binary"),
    (("--calibrations", "nowhere"), "no folder `nowhere`"),
    (("-o", "u.hex"), "give a folder, an archive"),
    (("--batch", "a/b"), "cannot be the name of a batch"),
    (("--serial-parameter", "settings.lable"), "no parameter `settings.lable`"),
])
def test_what_cannot_be_done_is_told(more: tuple[str, ...], told: str, schema: Path) -> None:
    """Exit code 2, a message, and nothing begun."""
    result = batch(schema, *more)
    assert 2 == result.exit_code
    assert told in result.stderr


def test_missing_table(schema: Path) -> None:
    """A name that is not there, and a folder."""
    for table, told in {"nowhere.csv": "cannot read `nowhere.csv`: No such",
                        ".": "cannot read `.`: Is a directory"}.items():
        result = run("batch", schema, table)
        assert (2, True) == (result.exit_code, told in result.stderr)


def test_inputs_are_never_written_over(schema: Path, tmp_path: Path) -> None:
    """Whatever they are called: other files are replaced, as by every command."""
    table, records = tmp_path / "lot.bin", tmp_path / "units.tar"
    table.write_bytes(TABLE.read_bytes())
    assert 0 == batch(schema, "--records", records, "-o", tmp_path / "images").exit_code
    before = records.read_bytes()
    for name in (table, records):
        result = batch(schema, "--records", records, "-o", name, table=table)
        assert (2, True) == (result.exit_code, "is an input and stays as it is" in result.stderr)
    assert (TABLE.read_bytes(), before) == (table.read_bytes(), records.read_bytes())


def test_what_was_measured_once_is_not_said_to_be_of_this_unit(tmp_path: Path,
                                                              monkeypatch: pytest.MonkeyPatch
                                                              ) -> None:
    """Thermistors of three units and one conductivity curve for all: from the bench to records."""
    monkeypatch.chdir(tmp_path)
    schema = copied_schema(tmp_path)
    recipe, *tables = (SCHEMAS / f"tank_probe.{name}" for name in (
        "calibration.toml", "thermistor.csv", "conductivity.csv"))
    assert 0 == run("calibrate", schema, recipe, f"thermistor={tables[0]}",
                    f"conductivity={tables[1]}", "-o", "measured").exit_code
    serials = [f"TP-2601-004{n}" for n in (2, 3, 4)]
    Path("lot.csv").write_text("\n".join(["identity.serial", *serials]) + "\n")
    made = run("batch", schema, "lot.csv", "--calibrations", "measured", "-o", "images")
    assert 0 == made.exit_code, made.output
    with Records("tank_probe.units.db") as kept:
        (unit, *_) = (Exporter(kept).values(u) for u in kept.units())
    assert {("identity", "serial"), ("factory", "ntc"), ("factory", "adjusted")} == unit.own
    assert Decimal("0.0") != unit.values["factory"]["ec_curve"][0][1], "the curve that was measured"
    Path("measured/_all_units.toml").write_text("[factory]\nec_curve = 3\n")
    assert 1 == run("batch", schema, "lot.csv", "--calibrations", "measured").exit_code
    Path("measured/_all_units.toml").write_text("[factory]\nec_tempco = 1.9\n")
    clash = run("batch", schema, "lot.csv", "--calibrations", "measured", "--set",
                "factory.ec_tempco=2.1")
    assert (1, True) == (clash.exit_code, "PS957" in clash.stdout)
