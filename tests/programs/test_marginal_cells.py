"""The program that prints what weak cells do to a ring."""

from __future__ import annotations

import json

import pytest

from paramstore.verify.cuts.histories import EVERY_SETTING, Counts, Setting, Weakness
from tests.programs.marginal_cells import KINDS, data, main, report


def test_json_has_plain_counts(capsys: pytest.CaptureFixture[str]) -> None:
    """One ring, with and without settling, every weakness."""
    assert 0 == main(["--histories", "200", "--slots", "3", "--copies", "1", "--jobs", "1",
                      "--json"])
    found = json.loads(capsys.readouterr().out)
    assert 1 == found["schema_version"]
    assert [(settle, bits) for settle in (False, True) for bits in ("1", "2", "1/16", "1/64")] == [
        (s["settle"], s["weak_bits"]) for s in found["settings"]]
    assert all(200 == s["histories"] and s["cuts"] > 200 for s in found["settings"])


def test_the_table_shows_a_million_histories() -> None:
    """A line for each setting; counts are scaled."""
    found = {s: Counts(2000, *range(1, 7), 18_000, 8000) for s in EVERY_SETTING}
    lines = report(found, seed=5)
    assert ("2000 histories of each setting, seed 5: 9.0 boots and 4.0 cuts in each; "
            "histories of 10^6 in which it happened") == lines[0]
    assert len(EVERY_SETTING) + 4 == len(lines)
    assert ["1", "3", "no", "1", *(str(500 * n) for n in range(1, 7))] == lines[4].split()


def test_both_forms_have_every_kind() -> None:
    """What the table heads, the data name."""
    found = {Setting(3, 1, False, Weakness(bits=1)): Counts(10)}
    text = json.dumps(data(found, 1))
    assert all(f'"{kind}": 0' in text for kind in KINDS)
    assert all(kind in report(found, 1)[2] for kind in KINDS)


@pytest.mark.parametrize("arguments", [["--histories", "0"], ["--jobs", "0"], ["--seed", "-1"]])
def test_impossible_options_are_told(arguments: list[str],
                                     capsys: pytest.CaptureFixture[str]) -> None:
    """Exit code 2, no traceback."""
    with pytest.raises(SystemExit) as caught:
        main(arguments)
    assert 2 == caught.value.code
    assert "there must be at least one" in capsys.readouterr().err
