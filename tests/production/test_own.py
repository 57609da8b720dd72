"""What a unit has of its own: texts of the records compared value by value."""

from __future__ import annotations

from paramstore.image.pack import complete
from paramstore.production.own import changed, lost, others, own_values
from tests.production.jobs import plan

GIVEN = '[identity]\nboard = 3\n[trim]\nflow = 2.5\nlift = [[0, 1], [2, 3]]'


def test_values_are_read_by_name() -> None:
    """Each as it is written, an equals sign in a text with it."""
    assert {"identity.board": "3", "trim.flow": "2.5", "trim.lift": "[[0, 1], [2, 3]]"} == (
        own_values(GIVEN))
    assert {"settings.label": '"a = b"'} == own_values('[settings]\nlabel = "a = b"')
    assert {} == own_values("")


def test_what_changed_is_told() -> None:
    """Of both sides; what is as it was is not."""
    assert () == changed(GIVEN, GIVEN)
    now = "[identity]\nboard = 4\n[trim]\nflow = 2.5\nlow = 9"
    assert ("identity.board: 3 on record, 4 here",
            "trim.lift: [[0, 1], [2, 3]] on record, not here",
            "trim.low: not on record, 9 here") == changed(GIVEN, now)


def test_what_batches_give_otherwise_is_named() -> None:
    """Given then, given now, or given with another value."""
    assert () == others(GIVEN, GIVEN)
    assert ("identity.board is given otherwise", "trim.lift was given then, and is not now",
            "trim.low was not given then, and is now") == others(
        GIVEN, "[identity]\nboard = 4\n[trim]\nflow = 2.5\nlow = 9")


def test_eight_are_told_and_the_others_counted() -> None:
    """However many there are."""
    def values(count: int) -> str:
        return "[g]\n" + "\n".join(f"p{n} = {n}" for n in range(count))

    assert 8 == len(changed("", values(8)))
    told = changed("", values(11))
    assert (9, "g.p7: not on record, 7 here", "and 3 more") == (len(told), told[7], told[8])


def test_what_a_new_image_loses() -> None:
    """A value of its own that is not given now: the common one stands there, or no record. What is
    as the common one is not lost."""
    of = plan()
    constants = complete(of, {})
    before = '[trim]\nflow = 2.5\nlow = 10\n[settings]\nlabel = "x"'

    def told(now: str, recorded: tuple[str, ...]) -> tuple[str, ...]:
        return lost(before, "lot1", now, of.schema, constants, recorded)

    label = 'settings.label: "x" in batch `lot1`, "pump" now'
    assert ("trim.flow: 2.5 in batch `lot1`, 2.0 now", label) == told("", ("trim", "settings"))
    assert ("trim.flow: 2.5 in batch `lot1`, no record now",
            "trim.low: 10 in batch `lot1`, no record now", label) == told("", ("settings",))
    assert ("trim.flow: 2.5 in batch `lot1`, 2.0 now", label) == told(
        "[trim]\nhigh = 95", ("settings",))
    assert () == told(before, ())


def test_a_value_that_is_the_common_one_is_not_lost() -> None:
    """However its digits are written; what is no value is told."""
    of = plan()
    constants = complete(of, {})
    for value, is_lost in (("2", False), ("2.0", False), ("2.5", True), ("2 2", True)):
        told = lost(f"[trim]\nflow = {value}", "lot1", "", of.schema, constants, ("trim",))
        assert is_lost == bool(told)
