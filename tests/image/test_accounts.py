"""What is told of each value on its way from release to release: rounded or not, and why not taken;
in place, back, and laid out anew."""

from __future__ import annotations

from pathlib import Path

import pytest

from paramstore.core.errors import SourceText
from paramstore.image.contents import unpack
from paramstore.image.migrate import MigratedValue, ValueOutcome, migrate
from paramstore.image.pack import pack
from paramstore.image.relayout import relayout
from paramstore.releases.history import load_history
from paramstore.releases.project import freeze, open_project
from paramstore.schema.to_raw import parameter_to_raw

STORE = """[store]
name = "demo"
part = "24LC04B"
series = {series}

[group.settings]
role = "setting"
writes = "1 per day"
room = 60

[group.settings.parameter]
"""


def moved(folder: Path, value: object, *lines: str, series: tuple[int, ...] = (),
          back: bool = False) -> MigratedValue:
    """What becomes of the value of `v` from the first of several releases to the last, or back."""
    path = folder / "demo.toml"
    for number, line in enumerate(lines):
        text = STORE.format(series=series[number] if series else 0) + line + "\n"
        source = SourceText(str(path), text)
        freeze(source, open_project(source))
    plans = load_history(path).plans
    first, last = (plans[-1], plans[0]) if back else (plans[0], plans[-1])
    group = first.schema.group("settings")
    values = {f.name: f.default for f in group.fields}
    values |= {name: c.raws for name, c in parameter_to_raw(group.parameter("v"), value).items()}
    contents = unpack(first, pack(first, {"settings": values}, defaults=True))
    way = relayout if first.series != last.series else migrate
    items = way(contents, last, plans).items
    return next(i for i in items if i.where == "settings.v")


S = 'v = { type = "u16", unit = "s" }'
MIN = ('v = { type = "u8", unit = "min", min = 1, max = 100, default = 5, '
       'convert = { divisor = 60 } }')
OLD_RULE = 'v = { type = "u8" }\nw = { type = "u8", default = 9 }'
NEW_RULE = 'v = { type = "u8", below = "w" }\nw = { type = "u8", default = 9 }'


@pytest.mark.parametrize("series", [(0, 0), (0, 1)], ids=["in place", "anew"])
@pytest.mark.parametrize(("old", "new", "value", "outcome", "after", "reason"), [
    (S, MIN, 600, ValueOutcome.CONVERTED, "10 min", ""),
    (S, MIN, 610, ValueOutcome.ROUNDED, "10 min", ""),
    (S, MIN, 7200, ValueOutcome.UNFIT, "5 min", "outside 1 to 100 min"),
    (S, MIN, 60000, ValueOutcome.UNFIT, "5 min", "outside 1 to 100 min"),
    ('v = { type = "f64" }', 'v = { type = "f32" }', 0.3, ValueOutcome.CONVERTED, "0.3", ""),
    ('v = { type = "f64" }', 'v = { type = "f32" }', 1.23456789012, ValueOutcome.ROUNDED,
     "1.2345679", ""),
    ('v = { type = "f64" }', 'v = { type = "f32" }', 1e300, ValueOutcome.UNFIT, "0",
     "outside any finite f32"),
    ('v = { type = "u32" }', 'v = { type = "f32" }', 16777217, ValueOutcome.ROUNDED,
     "16777216", ""),
    ('v = { type = "u8", max = 99 }', 'v = { type = "u8", max = 90 }', 95, ValueOutcome.UNFIT, "0",
     "outside 0 to 90"),
    ('v = { type = "enum", members = ["a", "b"] }', 'v = { type = "enum", members = ["a"] }', "b",
     ValueOutcome.UNFIT, "a", "no such member"),
    ('v = { type = "flags", members = ["a", "b"] }',
     'v = { type = "flags", storage = "u16", members = ["a"] }', ["b"], ValueOutcome.UNFIT, "none",
     "no such member"),
    ('v = { type = "u8", count = 3 }', 'v = { type = "u8", count = 2 }', [1, 2, 3],
     ValueOutcome.CUT, "[1, 2]", ""),
    ('v = { type = "u8", count = 3 }', 'v = { type = "u8", count = 2 }', [1, 2, 0],
     ValueOutcome.CONVERTED, "[1, 2]", ""),
    ('v = { type = "curve", points = 2, x = { type = "u8" }, y = { type = "u8" }, '
     'default = [[0, 0], [50, 9]] }',
     'v = { type = "curve", points = 2, x = { type = "u8", scale = 10 }, y = { type = "u8" }, '
     'default = [[0, 0], [50, 9]] }', [[1, 2], [4, 3]], ValueOutcome.UNFIT, "[0, 50], [0, 9]",
     "it does not rise"),
    (OLD_RULE, NEW_RULE, 10, ValueOutcome.UNFIT, "0", "`v` = 10 must be below `w` = 9"),
])
def test_up(tmp_path: Path, series: tuple[int, ...], old: str, new: str, value: object,
            outcome: ValueOutcome, after: str, reason: str) -> None:
    """A number that is another one now is rounded; a value that is not taken says why."""
    item = moved(tmp_path, value, old, new, series=series)
    assert (outcome, after, reason) == (item.outcome, item.after, item.reason)


@pytest.mark.parametrize(("old", "new", "value", "outcome", "after", "reason"), [
    ('v = { type = "u8", unit = "s" }', 'v = { type = "u16", unit = "ms", '
     'convert = { factor = 1000 } }', 1400, ValueOutcome.ROUNDED, "1 s", ""),
    ('v = { type = "u8", max = 9 }', 'v = { type = "u16" }', 300, ValueOutcome.UNFIT, "0",
     "outside 0 to 9"),
    ('v = { type = "text", size = 2 }', 'v = { type = "text", size = 4 }', "abc",
     ValueOutcome.UNFIT, '""', "longer than 2 bytes"),
    ('v = { type = "u8", max = 9 }', 'v = { type = "u8" }', 10, ValueOutcome.UNFIT, "0",
     "outside 0 to 9"),
    # Back, this needs more than the 64 bits that firmware has.
    ('v = { type = "u32", scale = 1e-10 }', 'v = { type = "u32" }', 0,
     ValueOutcome.CONVERTED, "0", ""),
    ('v = { type = "u32", scale = 1e-10 }', 'v = { type = "u32" }', 5, ValueOutcome.UNFIT, "0",
     "outside 0 to 0.4294967295"),
])
def test_down(tmp_path: Path, old: str, new: str, value: object, outcome: ValueOutcome, after: str,
              reason: str) -> None:
    """The same on the way back."""
    item = moved(tmp_path, value, old, new, back=True)
    assert (outcome, after, reason) == (item.outcome, item.after, item.reason)


def test_a_number_given_away_in_a_new_series(tmp_path: Path) -> None:
    """A new series may give the number of a member that is gone to another one: no unit of it has
    the old meaning, and no unit that is laid out anew gets the new one."""
    def members(text: str) -> str:
        return f'v = {{ type = "enum", members = {{ {text} }} }}'

    lines = members("a = 0, b = 1"), members("a = 0"), members("a = 0, c = 1")
    item = moved(tmp_path / "1", "b", *lines, series=(0, 1, 1))
    assert (ValueOutcome.UNFIT, "a", "no such member") == (item.outcome, item.after, item.reason)
    item = moved(tmp_path / "2", "c", *lines, series=(0, 1, 1), back=True)
    assert (ValueOutcome.UNFIT, "a", "no such member") == (item.outcome, item.after, item.reason)
