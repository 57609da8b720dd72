"""The command `paramstore units`, as a person calls it."""

from __future__ import annotations

import csv
import io
import json
import re
from html.parser import HTMLParser
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from host_tools.main import main
from paramstore.production.records import Event, Records
from tests.host_tools.copies import SCHEMAS, copied_schema

NASTY = '<b>"=1+1" & co</b>'


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, [str(a) for a in arguments])


@pytest.fixture
def records(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """The shipped units, made; one of them was written to its part."""
    monkeypatch.chdir(tmp_path)
    schema = copied_schema(tmp_path)
    assert 0 == run("batch", schema, SCHEMAS / "tank_probe.units.csv", "--new-serials",
                    "TP-26-####",
                    "--set", "settings.label=<b>=1&</b>", "-o", "images").exit_code
    with Records("tank_probe.units.db") as kept:
        kept.add_event("TP-26-0002", Event("2026-03-02T09:00:00Z", "write", True, "16 pages"))
        kept.add_event("TP-26-0002", Event("2026-03-02T09:01:00Z", "verify", False, NASTY))
    return "tank_probe.units.db"


def test_units_are_listed_and_searched(records: str) -> None:
    """By serial number, value or digest; how each one's part did."""
    lines = run("units", "--records", records).stdout.splitlines()
    assert ["TP-26-0001", "TP-26-0005", "5 units"] == [
        lines[3].split()[0], lines[7].split()[0], lines[8]]
    assert re.search(r"good 2026-03-02T09:00:00Z  failed 2026-03-02T09:01:00Z$", lines[4])
    for text, count in {"sea": 1, "tp-26": 5, "TP-26-0003": 1, "nothing": 0}.items():
        shown = run("units", "--records", records, text).stdout
        assert f"{count} unit{'' if count == 1 else 's'}" == shown.splitlines()[-1]
    missing = run("units", "--records", records, "--batch", "tank_probe.unit")
    assert (2, True) == (missing.exit_code, "did you mean `tank_probe.units`?" in missing.stderr)


def test_a_batch_shows_its_own_images_and_rows(records: str) -> None:
    """Also of a unit that another batch made again since, and in every form."""
    Path("service.csv").write_text("identity.serial\nTP-26-0005\nTP-26-0002\n", "utf-8")
    assert 0 == run("batch", "tank_probe.toml", "service.csv", "--again", "--set",
                    "settings.interval=99", "-o", "again").exit_code
    label = ("--labels", "-", "--label-text", "{serial} {batch} {settings.interval}")
    for batch, serials, rows, interval in (
            ("tank_probe.units", "12345", "12345", 10), ("service", "25", "21", 99)):
        only = ("--batch", batch)
        lines = run("units", "--records", records, *only).stdout.splitlines()[3:-1]
        assert [[f"TP-26-000{s}", batch, r] for s, r in zip(serials, rows, strict=True)] == [
            line.split()[:3] for line in lines]
        assert [f"TP-26-000{s} {batch} {interval} s" for s in serials] == run(
            "units", "--records", records, *only, *label).stdout.splitlines()
        units = json.loads(run("units", "--records", records, *only, "--json").stdout)["units"]
        assert [(batch, int(r), [batch]) for r in rows] == [
            (u["batch"], u["row"], [i["batch"] for i in u["images"]]) for u in units]
        exported = list(csv.DictReader(io.StringIO(
            run("units", "--records", records, *only, "--csv", "-").stdout)))
        assert [(batch, r) for r in rows] == [(u["#batch"], u["#row"]) for u in exported]
    with Records(records) as kept:
        unit = kept.unit("TP-26-0005", "tank_probe.units")
        assert unit is not None
        kept.add_event("TP-26-0005", Event("2026-03-03T09:00:00Z", "write", True, "16 pages",
                                           unit.image.sha256))
    for batch, told in {"tank_probe.units": False, "service": True}.items():
        run("units", "--records", records, "TP-26-0005", "--batch", batch, "--unit-record",
            "record.html")
        page = Path("record.html").read_text("utf-8")
        assert f"<td>{batch}</td>" in page
        assert told == ("another image of this unit" in page)
        assert "what the unit holds is not known" in page  # the event does not say it


def test_a_table_is_exported(records: str) -> None:
    """To a file or stdout; it is a table of units that the batch takes."""
    run("units", "--records", records, "--csv", "all.csv")
    text = Path("all.csv").read_text("utf-8")
    assert text == run("units", "--records", records, "--csv", "-").stdout
    rows = list(csv.DictReader(io.StringIO(text)))
    assert ["TP-26-0001", "2.4983"] == [rows[0]["identity.serial"],
                                        rows[0]["factory.adc_reference [V]"]]
    checked = run("batch", "tank_probe.toml", "all.csv", "--again")
    assert (0, "all.csv: 5 units of tank_probe, 5 on record already\nelectrode: no values given; "
            "left without a record, the firmware serves defaults and says so\n"
            "factory: ntc_pullup, ec_tempco, ec_curve, adjusted: no values given; the record holds "
            "their defaults\n") == (checked.exit_code, checked.stdout)
    assert "-" == rows[0]["electrode.ph_slope [mV/pH]"]


def test_a_table_that_is_made_again_gives_nothing_new(records: str) -> None:
    """The same images, and of each unit the same is told: what is its own, what is a default that
    nobody gave, which group has no record."""
    def told(batch: str) -> list[tuple[object, ...]]:
        only = ("--records", records, "--batch", batch)
        found = []
        for unit in json.loads(run("units", *only, "--json").stdout)["units"]:
            page = run("units", unit["serial"], *only, "--unit-record", "-").stdout
            (image,) = (i for i in unit["images"] if i["batch"] == batch)
            found.append((unit["serial"], unit["values"], unit["without_record"],
                          unit["defaults_among_values"], image["sha256"],
                          re.findall("this unit|not given|all units", page)))
        return found

    assert 0 == run("units", "--records", records, "--csv", "all.csv").exit_code
    assert 0 == run("batch", "tank_probe.toml", "all.csv", "--again", "--batch", "second", "-o",
                    "again").exit_code
    first, second = told("tank_probe.units"), told("second")
    assert first == second and 5 == len(first)
    assert all(without == ["electrode"] and "ec_curve" in defaults["factory"]
               for _, _, without, defaults, _, _ in first)
    assert all({"this unit", "not given"} <= set(whose) for *_, whose in first)


class Tags(HTMLParser):
    """Checks that every tag is closed, and keeps the text."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.seen: set[str] = set()
        self.links: list[str] = []
        self.text = ""

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        self.seen.add(tag)
        self.links += [name for name, _ in attributes if name in ("src", "href")]
        if tag != "meta":
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert tag == self.open.pop()

    def handle_data(self, data: str) -> None:
        self.text += f"{data} "


def test_the_record_of_a_unit_is_one_page_of_its_own(records: str) -> None:
    """Well-formed, nothing from outside, texts escaped, and it says what it is not."""
    assert 0 == run("units", "--records", records, "TP-26-0002", "--unit-record",
                    "record.html").exit_code
    page = Path("record.html").read_text("utf-8")
    tags = Tags()
    tags.feed(page)
    assert ([], []) == (tags.open, tags.links)
    assert not {"script", "link", "img", "b"} & tags.seen
    assert "url(" not in page and "http" not in page
    text = " ".join(tags.text.split())
    for part in ("tank_probe", "TP-26-0002", "2.5011 V", "0.99872", "written and read back",
                 NASTY, "adc_gain 0.99872 this unit",
                 "ntc_pullup not known; the default 10000.0 ohm is stored not given",
                 "It is no accredited calibration certificate"):
        assert part in text
    with Records(records) as kept:
        unit = kept.unit("TP-26-0002")
        assert unit is not None
        assert unit.images[0].sha256 in text


def test_a_record_is_of_one_unit(records: str) -> None:
    """None, or more than one: exit code 2."""
    for text, told in {"TP": "more than one", "nothing": "no unit"}.items():
        result = run("units", "--records", records, text, "--unit-record", "record.html")
        assert (2, True) == (result.exit_code, told in result.stderr)
    assert 0 == run("units", "--records", records, "sea", "--unit-record",
                    "record.html").exit_code


def test_labels(records: str) -> None:
    """One text for each unit, with a line break where it is asked for."""
    result = run("units", "--records", records, "TP-26-0005", "--labels", "-",
                 "--label-text", r"{store}\n{serial} {identity.variant}")
    assert "tank_probe\nTP-26-0005 sea\n" == result.stdout
    for label, told in {"{serail}": "a label cannot show `{serail}`", "{serial": "write `{serial}`",
                        "{serial {batch}": "`{serial` in the text of a label has no `}`"}.items():
        result = run("units", "--records", records, "--labels", "l.txt", "--label-text", label)
        assert (2, True) == (result.exit_code, told in result.stderr)
        assert not Path("l.txt").exists()
    result = run("units", "--records", records, "sea", "--labels", "-", "--label-text",
                 '{"sn": "{serial}"}')
    assert '{"sn": "TP-26-0005"}\n' == result.stdout


def test_records_are_never_written_over(records: str) -> None:
    """Whatever the option."""
    before = Path(records).read_bytes()
    for option in ("--csv", "--labels", "--unit-record"):
        result = run("units", "--records", records, "TP-26-0001", option, records)
        assert (2, True) == (result.exit_code, "stays as it is" in result.stderr)
    assert before == Path(records).read_bytes()


def test_json_has_findings_as_every_report(records: str) -> None:
    """So a program reads all of them alike."""
    data = json.loads(run("units", "--records", records, "--json").stdout)
    assert (0, 0, []) == (data["errors"], data["warnings"], data["findings"])


def test_json_has_the_values(records: str) -> None:
    """Units, images, events and all values."""
    (unit,) = json.loads(run("units", "--records", records, "TP-26-0002", "--json").stdout)["units"]
    assert ("TP-26-0002", 2, 2.5011, "brackish") == (
        unit["serial"], unit["row"], unit["values"]["factory"]["adc_reference"],
        unit["values"]["identity"]["variant"])
    assert [True, False] == [event["good"] for event in unit["events"]]


def test_missing_records_are_told(tmp_path: Path) -> None:
    """A name that is not there is not made."""
    result = run("units", "--records", tmp_path / "no.db")
    assert (2, True) == (result.exit_code, "there are no records" in result.stderr)
    assert not (tmp_path / "no.db").exists()


def test_a_dump_is_compared_with_its_record(records: str) -> None:
    """By the serial number that it holds, or that is given: what changed since the unit was made;
    a unit without a record is refused."""
    schema, image = "tank_probe.toml", sorted(Path("images").glob("*TP-26-0003*"))[0]
    same = run("differ", schema, image, "--records", records)
    assert (0, "no difference\n") == (same.exit_code, same.stdout)
    assert "unit TP-26-0003" in same.stderr
    other = run("differ", schema, image, "--records", records, "--serial", "TP-26-0001")
    assert 1 == other.exit_code
    assert '  identity.serial  "TP-26-0001" -> "TP-26-0003"' in other.stdout.splitlines()
    missing = run("differ", schema, image, "--records", records, "--serial", "TP-99")
    assert (2, True) == (missing.exit_code, "no unit `TP-99` is on record" in missing.stderr)
    assert 2 == run("differ", schema, image, "--records", records, "--bytes").exit_code


def test_what_does_not_print_is_shown_on_the_record(records: str) -> None:
    """Records are a file, and anything may stand in one."""
    with Records(records) as kept:
        kept.add_event("TP-26-0001", Event("\x1b[2J\u202e", "write", True, "\x9b2J"))
    page = run("units", "--records", records, "TP-26-0001", "--unit-record", "-").stdout
    assert "\\x1b[2J\\u202e" in page and "good: \\x9b2J" in page
    assert page.replace("\n", "").isprintable()
