"""Text tables line up whatever is in them."""

from hypothesis import given
from hypothesis import strategies as st

from paramstore.core.text import printable
from paramstore.report.tables import Column, display_width, table

COLUMNS = (Column("name", right=False), Column("size", "bytes"), Column("note", right=False))


def test_table() -> None:
    """Headings, units and a rule stand over cells that line up left or right."""
    rows = [("gain", "4", "a"), ("temperature", "128", "")]
    assert [
        "  name          size  note",
        "               bytes",
        "  -----------  -----  ----",
        "  gain             4  a",
        "  temperature    128",
    ] == table(COLUMNS, rows, indent=2)


def test_no_units_no_line() -> None:
    """Without units there is no line for them; without rows there are still headings."""
    assert ["a  b", "-  -"] == table([Column("a"), Column("b")], [])


@given(st.lists(st.tuples(*[st.text(max_size=6)] * 3), min_size=1, max_size=4))
def test_columns_start_where_they_should(rows: list[tuple[str, str, str]]) -> None:
    """No cell, however odd, breaks a line or moves the column after it."""
    lines = table(COLUMNS, rows)
    assert len(rows) + 3 == len(lines)
    assert all(line.isprintable() for line in lines)
    rule = lines[2]
    for line, row in zip(lines[3:], rows, strict=True):
        start = len(rule) - len(rule.rpartition("  ")[2])
        note = printable(row[2]).rstrip()
        padded = line + " " * (start + display_width(note) - display_width(line))
        assert padded.endswith(note)


def test_wide_and_narrow_letters() -> None:
    """Terminal cells are counted, not characters: wide letters take two, accents none."""
    assert [1, 2, 1, 0] == [display_width(c) for c in ("a", "水", "e\u0301", "\u0301")]


def test_printable() -> None:
    """What would move the cursor is shown as an escape."""
    assert "tab\\t esc\\x1b ø" == printable("tab\t esc\x1b ø")


def test_a_wide_table_folds_its_first_column() -> None:
    """Lines are as long as there is room; words stay whole, and no cell is lost."""
    rows = [("a page write takes long, or longer than is waited", "72", "x"), ("cut", "1,048", "")]
    assert [
        "  name                   size  note",
        "                        bytes",
        "  --------------------  -----  ----",
        "  a page write takes       72  x",
        "  long, or longer than",
        "  is waited",
        "  cut                   1,048",
    ] == table(COLUMNS, rows, indent=2, within=36)
    narrow = table(COLUMNS, rows, within=3)
    assert "longer" in [line.strip() for line in narrow] and "cut     1,048" in narrow
    assert table(COLUMNS, rows) == table(COLUMNS, rows, within=200)
