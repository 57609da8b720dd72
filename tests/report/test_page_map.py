"""The picture of the pages shows every page as what it is."""

from hypothesis import given, settings

from paramstore.core.errors import FindingsError
from paramstore.inspect.regions import RegionKind
from paramstore.inspect.store_places import StorePlaces
from paramstore.layout.place import make_plan
from paramstore.report.page_map import cells, letter, map_lines
from paramstore.schema.model import Schema
from tests.layout.builders import group, schema, sized
from tests.strategies import schemas

FOUR = schema(group("a", 1), group("b", 2, sized("p", 50)), group("hot", 3, per_day=1440))


def test_small_map() -> None:
    """Letters begin slots, `-` goes on, `=` is the label, `.` is free, eight pages to a block."""
    assert [
        "  0x0000  ==AAAB-B -B-..... ........ ........",
        "  0x0400  ........ ........ ........ ........",
        "  0x0800  ........ ........ ........ ........",
        "  0x0C00  ........ ........ ........ ..CCCCCC",
    ] == map_lines(make_plan(FOUR))


def test_sixteen_pages() -> None:
    """The smallest parts have 16 pages of 8 bytes and a label of three pages a copy."""
    plan = make_plan(schema(group("g", 1, sized("p", 7)), part="24AA01"))
    assert ["  0x0000  =--=--A- A-A-...."] == map_lines(plan)


def test_equal_rows_are_shown_once() -> None:
    """512 pages take rows of 64; a run of rows that are alike is shown by its first and last."""
    plan = make_plan(schema(group("g", 1), part="24LC256"))
    empty = " ".join(["........"] * 8)
    assert [
        "  0x0000  ==AAA..." + " ........" * 7,
        "  0x1000  " + empty,
        "  :",
        "  0x7000  " + empty,
    ] == map_lines(plan)


@given(schemas())
@settings(max_examples=40)
def test_cells_are_the_plan(drawn: Schema) -> None:
    """Counting cells gives back the pages of every ring and of the label, and slots in order."""
    try:
        plan = make_plan(drawn)
    except FindingsError:
        return
    pages = cells(StorePlaces(plan))
    assert plan.part.pages == len(pages)
    assert 2 * plan.label_pages == sum(c.region.kind is RegionKind.LABEL for c in pages)
    for index, ring in enumerate(plan.rings):
        mine = [(page, c) for page, c in enumerate(pages) if c.ring == index]
        starts = [page * plan.part.page for page, c in mine if c.begins]
        assert ring.pages == len(mine)
        assert [ring.address(slot) for slot in range(ring.slots)] == starts


def test_paint() -> None:
    """Each run of pages of one group is handed over to be painted, with the index of the group."""
    seen: list[tuple[str, int]] = []

    def style(text: str, ring: int) -> str:
        seen.append((text, ring))
        return f"<{text}>"

    lines = map_lines(make_plan(schema(group("a", 1), group("b", 2, sized("p", 50)))), style)
    assert "  0x0000  ==<AAA><B-B> <-B->..... ........ ........" == lines[0]
    assert {("AAA", 0), ("B-B", 1), ("-B-", 1)} == set(seen)


def test_letters_repeat() -> None:
    """After 62 groups letters come round again."""
    assert ["A", "a", "9", "A"] == [letter(n) for n in (0, 26, 61, 62)]
