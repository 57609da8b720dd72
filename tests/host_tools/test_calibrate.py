"""The command `paramstore calibrate`, as a person calls it."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from xml.etree import ElementTree

import pytest
from click.testing import CliRunner, Result

from host_tools.main import main
from paramstore.production.records import Event, Records

SCHEMAS = Path(__file__).parents[2] / "schemas"
SCHEMA = str(SCHEMAS / "tank_probe.toml")
RECIPE = str(SCHEMAS / "tank_probe.calibration.toml")
VALUES = str(SCHEMAS / "tank_probe.values.toml")
ELECTRODE = f"electrode={SCHEMAS / 'tank_probe.electrode.csv'}"
CONDUCTIVITY = f"conductivity={SCHEMAS / 'tank_probe.conductivity.csv'}"
THERMISTOR = f"thermistor={SCHEMAS / 'tank_probe.thermistor.csv'}"
LINE = """[calibration.line]
model = "line"
reading_unit = "mV"
reference_unit = "mV"
gain = "factory.adc_gain"
"""


def run(*arguments: str | Path, stdin: str | None = None) -> Result:
    return CliRunner().invoke(main, [str(a) for a in ("calibrate", SCHEMA, *arguments)],
                              input=stdin)


def packed(tmp_path: Path, values: Path) -> str:
    """Pack a values file, and show what the image holds."""
    image = tmp_path / "unit.bin"
    made = CliRunner().invoke(main, ["pack", SCHEMA, "--values", str(values), "-o", str(image)])
    assert 0 == made.exit_code
    return CliRunner().invoke(main, ["unpack", SCHEMA, str(image)]).stdout


def test_from_measurements_to_an_image(tmp_path: Path) -> None:
    """Report on stdout, caution on stderr; the values file packs, and the image has the values."""
    unit, picture = tmp_path / "unit.toml", tmp_path / "errors.svg"
    result = run(RECIPE, ELECTRODE, "-o", unit, "--svg", picture, "--values", VALUES)
    assert 0 == result.exit_code, result.output
    assert result.stdout.startswith("electrode: 6 points")
    assert result.stderr.startswith("caution: wrong values can make a module heat")
    ElementTree.parse(picture)
    shown = packed(tmp_path, unit)
    assert "  ph_slope       -57.56 mV/pH\n" in shown
    assert '  serial    "TP-2601-0042"\n' in shown and "cell_constant  1.0264 1/cm" in shown


def test_one_file_for_each_unit(tmp_path: Path) -> None:
    """Several units go into a folder, each with its own values and its serial number, and with
    what was measured once for all of them; that is in a file of its own as well."""
    folder = tmp_path / "units"
    assert 0 == run(RECIPE, THERMISTOR, CONDUCTIVITY, "-o", folder).exit_code
    assert ["TP-2601-0042.toml", "TP-2601-0043.toml", "TP-2601-0044.toml", "_all_units.toml"
            ] == sorted(p.name for p in folder.iterdir())
    shown = packed(tmp_path, folder / "TP-2601-0043.toml")
    assert '"TP-2601-0043"' in shown and "0.0011219236" in shown
    common = tomllib.loads((folder / "_all_units.toml").read_text("utf-8"))
    assert {"factory": ["ec_curve"]} == {group: list(v) for group, v in common.items()}
    own = tomllib.loads((folder / "TP-2601-0043.toml").read_text("utf-8"))
    assert common["factory"]["ec_curve"] == own["factory"]["ec_curve"]


def test_the_electrode_of_one_unit_is_not_given_to_others(tmp_path: Path) -> None:
    """Its table names no unit, and three others were measured: nothing is written."""
    result = run(RECIPE, THERMISTOR, ELECTRODE, "-o", tmp_path / "units")
    assert (1, True) == (result.exit_code, "PS825" in result.stdout)
    assert [] == list(tmp_path.iterdir())
    named = run(RECIPE, ELECTRODE, "--serial", "TP-2601-0042", "-o", tmp_path / "units")
    assert (0, ["TP-2601-0042.toml"]) == (named.exit_code,
                                          [p.name for p in (tmp_path / "units").iterdir()])
    assert named.stdout.startswith("electrode of TP-2601-0042: 6 points")
    assert 2 == run(RECIPE, ELECTRODE, "--serial", "../x").exit_code


def test_outputs_that_do_not_match_the_units(tmp_path: Path) -> None:
    """Three units need a folder, a unit without a serial number needs a file."""
    several = run(RECIPE, THERMISTOR, "-o", tmp_path / "unit.toml")
    assert (2, "") == (several.exit_code, several.stdout)
    assert "3 units do not go into one values file" in several.output
    one = run(RECIPE, ELECTRODE, "-o", tmp_path / "units")
    assert (2, "") == (one.exit_code, one.stdout)
    assert "the tables have no serial numbers to name files by" in one.output
    assert [] == list(tmp_path.iterdir())


@pytest.mark.parametrize(("tables", "message"), [
    (("tank_probe.electrode.csv",), "does not say which calibration it is for"),
    (("electrodes=x.csv",), "does not say which calibration it is for"),
    ((ELECTRODE, ELECTRODE), "there are two tables for `electrode`"),
    (("electrode=nowhere.csv",), "cannot read `nowhere.csv`"),
])
def test_tables_are_named_by_calibration(tables: tuple[str, ...], message: str) -> None:
    """NAME=TABLE, each once."""
    result = run(RECIPE, *tables)
    assert (2, "") == (result.exit_code, result.stdout)
    assert message in result.output


def test_a_single_calibration_needs_no_name(tmp_path: Path) -> None:
    """With one calibration in the recipe, the table is enough, `-` included."""
    recipe = tmp_path / "line.toml"
    recipe.write_text(LINE)
    text = "reference [mV],reading [mV]\n100,99\n200,198.1\n"
    result = run(recipe, "-", "-o", "-", stdin=text)
    assert 0 == result.exit_code, result.output
    # (100 * 99 + 200 * 198.1) / (99^2 + 198.1^2) = 49520 / 49044.61
    assert result.stdout == ("# Values of the store tank_probe.\n\n[factory]\n"
                             "adc_gain = 1.009693\n")
    assert "line: 2 points, <stdin>\n" in result.output
    table = tmp_path / "a=b.csv"
    table.write_text(text)
    for _ in range(2):  # the second run overwrites what the first has written
        assert 0 == run(recipe, table, "-o", tmp_path / "unit.toml").exit_code


def test_mistakes_leave_no_file(tmp_path: Path) -> None:
    """Mistakes of recipe and table have their place, and nothing is written."""
    table = tmp_path / "electrode.csv"
    table.write_text('reference [pH],reading [mV],temperature [degC]\n"4,01",175,25\n7,=A1,25\n')
    outputs = ("-o", tmp_path / "unit.toml", "--svg", tmp_path / "errors.svg")
    result = run(RECIPE, f"electrode={table}", *outputs)
    assert (1, "") == (result.exit_code, result.stderr)
    for place, code in (("2:1", "PS818"), ("3:3", "PS821")):
        assert f"{table}:{place}" in result.output and code in result.output
    as_json = run(RECIPE, f"electrode={table}", *outputs, "--json")
    assert 1 == as_json.exit_code
    assert ["PS818", "PS821"] == [f["code"] for f in json.loads(as_json.stdout)["findings"]]
    assert [table] == list(tmp_path.iterdir())


def test_a_result_beyond_its_limit_leaves_no_file(tmp_path: Path) -> None:
    """The limit of the schema is told at the recipe's line."""
    table = tmp_path / "electrode.csv"
    table.write_text("reference [pH],reading [mV],temperature [degC]\n4,-175,25\n7,2,25\n")
    result = run(RECIPE, f"electrode={table}", "-o", tmp_path / "unit.toml")
    assert 1 == result.exit_code
    assert f"{RECIPE}:12:9" in result.output and "PS836" in result.output
    assert [table] == list(tmp_path.iterdir())


def test_json_has_findings_and_numbers() -> None:
    """One document: findings, then units."""
    data = json.loads(run(RECIPE, ELECTRODE, "--json").stdout)
    assert (0, 0, []) == (data["errors"], data["warnings"], data["findings"])
    (unit,) = data["units"]
    assert unit["serial"] is None
    assert ["electrode.ph_slope", "electrode.ph_zero", "electrode.buffer_temp"] == [
        p["name"] for p in unit["calibrations"][0]["parameters"]]


@pytest.mark.parametrize("option", ["-o", "--svg"])
def test_inputs_stay_as_they_are(option: str, tmp_path: Path) -> None:
    """No output is written over an input."""
    table = tmp_path / "electrode.toml"
    table.write_text((SCHEMAS / "tank_probe.electrode.csv").read_text("utf-8"), "utf-8")
    before = table.read_bytes()
    result = run(RECIPE, f"electrode={table}", option, table)
    assert 2 == result.exit_code and "is an input and stays as it is" in result.output
    assert before == table.read_bytes()


# ---- As found, and what is accepted -------------------------------------------------------------

ONE = ("--serial", "TP-2601-0042")


def image_of(tmp_path: Path, *settings: str) -> Path:
    """Pack the shipped values, with some others."""
    image = tmp_path / "before.bin"
    given = [a for s in settings for a in ("--set", s)]
    made = CliRunner().invoke(main, ["pack", SCHEMA, "--values", VALUES, *given, "-o", str(image)])
    assert 0 == made.exit_code, made.output
    return image


def test_errors_as_found_come_from_a_dump(tmp_path: Path) -> None:
    """The unit held -58.2 mV/pH and 4.7 mV: by hand, 7 + (175.2 - 4.7) / (-58.2 * 294.45/298.15)
    - 4 = +0.0336 pH at the first point."""
    data = json.loads(run(RECIPE, ELECTRODE, *ONE, "--as-found", image_of(tmp_path),
                          "--json").stdout)
    (of,) = data["units"][0]["calibrations"]
    assert 7 + (175.2 - 4.7) / (-58.2 * 294.45 / 298.15) - 4 == pytest.approx(
        of["points"][0]["error_as_found"], abs=1e-6)
    assert ("2026-02-17", False) == (of["as_found"]["since"], of["as_found"]["defaults"])
    assert ["electrode.ph_slope", "electrode.ph_zero", "electrode.buffer_temp"] == [
        n["name"] for n in of["as_found"]["drift"]]


def test_a_folder_of_dumps_has_one_for_each_unit(tmp_path: Path) -> None:
    """Named by serial number; one that lacks, or is of another unit, is refused."""
    folder = tmp_path / "dumps"
    folder.mkdir()
    for n in (2, 3, 4):
        serial = f"TP-2601-004{n}"
        (folder / f"{serial}.bin").write_bytes(
            image_of(tmp_path, f"identity.serial={serial}").read_bytes())
    found = json.loads(run(RECIPE, THERMISTOR, "--as-found", folder, "--json").stdout)
    assert all(u["calibrations"][0]["as_found"] for u in found["units"])
    (folder / "TP-2601-0043.bin").write_bytes(image_of(tmp_path).read_bytes())
    other = run(RECIPE, THERMISTOR, "--as-found", folder)
    assert (2, True) == (other.exit_code, "unit TP-2601-0043 is of unit TP-2601-0042"
                         in other.stderr)
    (folder / "TP-2601-0043.bin").unlink()
    none = run(RECIPE, THERMISTOR, "--as-found", folder)
    assert (2, True) == (none.exit_code, "no dump of unit TP-2601-0043" in none.stderr)
    one = run(RECIPE, THERMISTOR, "--as-found", folder / "TP-2601-0042.bin")
    assert (2, True) == (one.exit_code, "3 units are calibrated" in one.stderr)


def test_what_cannot_be_read_is_not_as_found(tmp_path: Path) -> None:
    """Another store, a blank part, a damaged group: no errors are made up from defaults."""
    image = image_of(tmp_path)
    blank, damaged = tmp_path / "blank.bin", tmp_path / "damaged.bin"
    blank.write_bytes(b"\xff" * 4096)
    made = json.loads(CliRunner().invoke(main, ["plan", SCHEMA, "--json"]).stdout)
    ring = next(g for g in made["groups"] if g["name"] == "electrode")
    data = bytearray(image.read_bytes())
    for slot in range(2):  # both copies
        data[ring["address"] + slot * ring["slot_bytes"] + 12] ^= 0x55
    damaged.write_bytes(data)
    for dump in (blank, damaged, tmp_path / "nowhere.bin"):
        result = run(RECIPE, ELECTRODE, *ONE, "--as-found", dump)
        assert (result.exit_code in (1, 2), False) == (True, "6 points" in result.stdout), dump


def test_a_unit_that_is_not_accepted_has_no_values_file(tmp_path: Path) -> None:
    """A tolerance as large as the uncertainty is not decidable; a small one without a guard band
    fails. Both end with exit code 1, and the report is there all the same."""
    text = Path(RECIPE).read_text("utf-8")
    for limit, code, said in (("0.01", "PS842", "not decidable"), (
            "0.001, guard_band = 0", "PS841", "FAIL")):
        recipe, unit = tmp_path / "strict.toml", tmp_path / "unit.toml"
        recipe.write_text(text.replace("limit = 0.05 }  # pH", f"limit = {limit} }}  #"), "utf-8")
        result = run(recipe, ELECTRODE, *ONE, "-o", unit)
        assert (1, False) == (result.exit_code, unit.exists())
        assert code in result.stdout and f"as left       {said}" in result.stdout
        assert "unit TP-2601-0042: no values file, for it is not accepted" in result.stderr
        as_json = run(recipe, ELECTRODE, *ONE, "--json")
        assert 1 == as_json.exit_code
        assert said.lower() == json.loads(as_json.stdout)["units"][0]["result"]


def test_date_and_person_of_a_run(tmp_path: Path) -> None:
    """They stand in place of those of the recipe, and no text is obeyed."""
    unit = tmp_path / "unit.toml"
    result = run(RECIPE, ELECTRODE, *ONE, "--date", "2026-03-03", "--person", "early shift",
                 "-o", unit, "--json")
    (of,) = json.loads(result.stdout)["units"][0]["calibrations"]
    assert ("2026-03-03", "2026-03-17", "early shift") == (of["date"], of["due"], of["person"])
    values = tomllib.loads(unit.read_text("utf-8"))["electrode"]
    assert ("2026-03-03", ["ph4", "ph7", "ph10"]) == (str(values["calibrated"]), values["buffers"])
    assert 2 == run(RECIPE, ELECTRODE, "--person", "A\x1b[2J").exit_code
    assert 2 == run(RECIPE, ELECTRODE, "--date", "17.2.2026").exit_code


def test_errors_as_found_come_from_the_records(tmp_path: Path,
                                               monkeypatch: pytest.MonkeyPatch) -> None:
    """What a unit was made with is what it holds, until its part was read; no other unit does."""
    monkeypatch.chdir(tmp_path)
    Path("lot.csv").write_text("identity.serial,electrode.ph_slope [mV/pH],electrode.calibrated\n"
                               "TP-2601-0042,-57,2025-05-01\n")
    kept = ("--records", "units.db")
    made = CliRunner().invoke(main, ["batch", SCHEMA, "lot.csv", *kept, "-o", "images"])
    assert 0 == made.exit_code, made.output
    data = json.loads(run(RECIPE, ELECTRODE, *ONE, *kept, "--json").stdout)
    found = data["units"][0]["calibrations"][0]["as_found"]
    assert ("2025-05-01", -57.0) == (found["since"], found["drift"][0]["found"])
    assert "on record, the image of batch lot" == found["source"]
    with Records("units.db") as records:
        records.add_event("TP-2601-0042", Event(
            "2026-03-02T09:00:00Z", "verify", True, "", "", json.dumps({
                "electrode": {"copies": 1, "wanted": 1, "raws": {
                    "ph_slope": [-56.0], "ph_zero": [0.0], "cell_constant": [1.0],
                    "buffer_temp": [2500], "buffers": [3], "calibrated": [9600]}}})))
    data = json.loads(run(RECIPE, ELECTRODE, *ONE, *kept, "--json").stdout)
    found = data["units"][0]["calibrations"][0]["as_found"]
    assert ("on record, read from the part 2026-03-02T09:00:00Z", -56.0) == (
        found["source"], found["drift"][0]["found"])
    unknown = run(RECIPE, ELECTRODE, "--serial", "TP-1", *kept)
    assert (2, True) == (unknown.exit_code, "unit TP-1 is not on record" in unknown.stderr)


def test_records_are_written(tmp_path: Path) -> None:
    """A page or JSON for one unit, a folder with both for several; for a unit that fails, too."""
    for name in ("record.html", "record.json"):
        assert 0 == run(RECIPE, ELECTRODE, *ONE, "--calibration-record", tmp_path / name).exit_code
    data = json.loads((tmp_path / "record.json").read_text("utf-8"))
    assert ("calibration", "TP-2601-0042", "pass") == (
        data["record"], data["serial"], data["result"])
    assert "Record of calibration" in (tmp_path / "record.html").read_text("utf-8")
    assert 0 == run(RECIPE, THERMISTOR, "--calibration-record", tmp_path / "all").exit_code
    assert sorted(f"TP-2601-004{n}.{end}" for n in (2, 3, 4) for end in ("html", "json")) == sorted(
        p.name for p in (tmp_path / "all").iterdir())
    recipe = tmp_path / "strict.toml"
    recipe.write_text(Path(RECIPE).read_text("utf-8").replace(
        "limit = 0.05 }  # pH", "limit = 0.001, guard_band = 0 }  #"), "utf-8")
    failed = run(recipe, ELECTRODE, *ONE, "--calibration-record", tmp_path / "failed.json")
    assert 1 == failed.exit_code
    assert "fail" == json.loads((tmp_path / "failed.json").read_text("utf-8"))["result"]
    for tables, path, said in (((THERMISTOR,), "x.html", "3 units do not go into one record"),
                               ((ELECTRODE,), "x", "no serial numbers to name files by")):
        result = run(RECIPE, *tables, "--calibration-record", tmp_path / path)
        assert (2, True) == (result.exit_code, said in result.stderr)
    assert not (tmp_path / "x").exists() and not (tmp_path / "x.html").exists()


def test_a_unit_of_an_earlier_release_is_read_as_firmware_reads_it(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Release 1 kept volts, release 2 keeps millivolts: 2 V were found, from a dump and on record,
    not 2 mV; and the records know the same unit in a dump of release 2."""
    monkeypatch.chdir(tmp_path)
    store = ('[store]\nname = "s"\npart = "24LC32A"\n[group.id]\nrole = "identity"\n'
             'writes = "1 per life"\n[group.id.parameter]\nserial = { type = "text", size = 4 }\n'
             '[group.cal]\nrole = "calibration"\nwrites = "1 per year"\nroom = 8\n'
             "[group.cal.parameter]\noffset = { %s }\n")
    Path("r.toml").write_text('[calibration.c]\nmodel = "line"\nreading_unit = "V"\n'
                              'reference_unit = "V"\noffset = "cal.offset"\n')
    Path("t.csv").write_text("reference [V],reading [V]\n1.0,0.9\n2.0,1.91\n3.0,2.9\n")
    Path("lot.csv").write_text("id.serial,cal.offset [V]\nA1,2\n")

    def done(*words: str) -> Result:
        result = CliRunner().invoke(main, words)
        assert 0 == result.exit_code, result.output
        return result

    Path("s.toml").write_text(store % 'type = "f32", unit = "V"')
    done("freeze", "s.toml")
    done("batch", "s.toml", "lot.csv", "--records", "units.db", "-o", "images")
    Path("s.toml").write_text(
        store % 'type = "i32", unit = "mV", convert = { factor = 1000 }')
    done("freeze", "s.toml")
    for given in (("--as-found", "images/A1.bin"), ("--records", "units.db")):
        data = json.loads(done("calibrate", "s.toml", "r.toml", "c=t.csv", "--serial", "A1", *given,
                               "--json").stdout)
        found = data["units"][0]["calibrations"][0]["as_found"]
        assert ([2000.0], False) == ([d["found"] for d in found["drift"]], found["defaults"]), given
    done("migrate", "s.toml", "images/A1.bin", "-o", "now.bin")
    assert "no difference\n" == done(
        "differ", "s.toml", "now.bin", "--records", "units.db").stdout
