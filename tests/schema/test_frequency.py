"""How often a group is written: what a person may write, and what it means."""

from __future__ import annotations

import pytest

from paramstore.core.errors import FindingsError, SourceText
from paramstore.schema.reader import read_schema

SCHEMA = """
[store]
name = "demo"
part = "24LC32A"
life_years = 8
[group.settings]
role = "setting"
writes = "{}"
[group.settings.parameter]
level = {{ type = "u8" }}
"""


def rate(writes: str) -> float:
    """Writes per day of a group with these words."""
    return read_schema(SourceText("t.toml", SCHEMA.format(writes)))[0].groups[0].writes_per_day


@pytest.mark.parametrize(("writes", "per_day"), [
    ("3 per second", 259200), ("1 per minute", 1440), ("every minute", 1440), ("2 per hour", 48),
    ("every 10 minutes", 144), ("every 2 days", 0.5), ("every 1 day", 1), ("1.5 per day", 1.5),
    ("every 0.5 hour", 48), ("7  per  week", 1), ("48 per month", 48 / 30.4375),
    ("4 per year", 4 / 365.25), ("every life", 1 / 2922), ("2 per life", 2 / 2922),
])
def test_a_rate_is_writes_per_day(writes: str, per_day: float) -> None:
    """Second to year are what they are on average; a life is that of the store."""
    assert pytest.approx(per_day) == rate(writes)


@pytest.mark.parametrize(("writes", "help"), [
    ("1 per min", 'write "1 per minute"'), ("5/h", 'write "5 per hour"'),
    ("2 times a day", 'write "2 per day"'), ("1e3 per day", 'write "1000 per day"'),
    ("1_000 per Weeks", 'write "1000 per week"'), ("1 per fortnight", "the times are "),
    ("1 per dya", "did you mean `day`?"), ("0 per day", 'write at least "1 per life"'),
    ("every 0 days", 'write a time, as in "every minute"'),
    ("once", 'write "1 per life"'), ("every 10 min", 'write "every 10 minutes"'),
    ("Every 2h", 'write "every 2 hours"'), ("every hr", 'write "every 1 hour"'),
    ("daily", 'write "1 per day"'), ("twice a day", 'write "2 per day"'),
    ("often", 'write a number and a time, such as "2 per year"'),
])
def test_what_is_no_rate_is_told_how_to_write_it(writes: str, help: str) -> None:
    """Short forms, other spellings and impossible rates each get a way to mend them."""
    with pytest.raises(FindingsError) as caught:
        rate(writes)
    (finding,) = caught.value.findings
    assert "PS307" == finding.code
    assert finding.help.startswith(help), finding.help
