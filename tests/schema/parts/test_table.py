"""The table that describes a part: what it accepts, and what it says about what it does not."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from paramstore.core.errors import ToolError
from paramstore.schema.part import WriteProtect
from paramstore.schema.part_table import KEYS, part_from_table, problems

SMALL: dict[str, Any] = {
    "name": "X24", "capacity": 4096, "page": 32, "address_bytes": 2, "write_ms": 5,
    "endurance": [[25, 1_000_000]], "clocks": [[Decimal("1.7"), 400]],
}  # fmt: skip


def test_least_table() -> None:
    """The required keys alone make a part; the rest is filled in cautiously."""
    p = part_from_table(SMALL)
    assert (p.name, p.capacity, p.page, p.block_bits) == ("X24", 4096, 32, 0)
    assert ((1.7, 400),) == p.clocks
    assert ((25.0, 1e6),) == p.endurance
    assert p.write_protect is WriteProtect.NONE
    assert (p.write_ma, p.supply_max_v, p.sources) == (5.0, 5.5, ())


def test_required_keys() -> None:
    """A table without one of the required keys is told which; any other key may be missing."""
    required = [k.name for k in KEYS.values() if k.required]
    assert list(SMALL) == required
    for name in required:
        table = {k: v for k, v in SMALL.items() if k != name}
        (found,) = problems(table)
        assert found.path == ()
        assert f"no `{name}`" in found.message


def test_block_bits_follow_from_the_capacity() -> None:
    """Address bits beyond the address bytes go into the device address."""
    p = part_from_table(SMALL | {"capacity": 131072, "page": 128, "block_shift": 2})
    assert (p.block_bits, p.block_shift) == (1, 2)


def test_sources_are_turned_round() -> None:
    """Sources list keys in the table; a part tells the source of each key, in key order."""
    p = part_from_table(SMALL | {"sources": {"sheet": ["page", "capacity"], "bench": ["write_ms"]}})
    assert (("capacity", "sheet"), ("page", "sheet"), ("write_ms", "bench")) == p.sources


@pytest.mark.parametrize(
    ("change", "path", "message"),
    [
        ({"pge": 3}, ("pge",), "the part has no key `pge`"),
        ({"name": 5}, ("name",), "`name` must be a text, not a whole number"),
        ({"name": ""}, ("name",), "`name` is empty"),
        ({"capacity": 4000}, ("capacity",), "`capacity` cannot be 4000"),
        ({"page": True}, ("page",), "`page` must be a whole number, not true or false"),
        ({"page": 32.0}, ("page",), "`page` must be a whole number, not a decimal number"),
        ({"write_ms": "5 ms"}, ("write_ms",), "`write_ms` must be a number, not a text"),
        ({"write_ms": Decimal("0.005")}, ("write_ms",),
         "`write_ms` = 0.005 is not within 0.1 to 30"),
        ({"write_ms": 10**400}, ("write_ms",), "`write_ms` = 1e400 is not within 0.1 to 30"),
        ({"write_ms": Decimal("nan")}, ("write_ms",), "`write_ms` = nan is not within 0.1 to 30"),
        ({"write_ms": float("inf")}, ("write_ms",), "`write_ms` = inf is not within 0.1 to 30"),
        ({"endurance": 1_000_000}, ("endurance",),
         "`endurance` must be an array of pairs of numbers, not a whole number"),
        ({"endurance": []}, ("endurance",), "`endurance` has no pairs"),
        ({"endurance": [[25, 1e6], [85]]}, ("endurance", 1),
         "this item of `endurance` is not a pair of numbers"),
        ({"endurance": [[25, "many"]]}, ("endurance", 0),
         "this item of `endurance` is not a pair of numbers"),
        ({"endurance": [["room", 1e6]]}, ("endurance", 0),
         "this item of `endurance` is not a pair of numbers"),
        ({"endurance": [[25, 1e6], [25, 1e5]]}, ("endurance", 1),
         "the first numbers of `endurance` do not rise"),
        ({"endurance": [[Decimal("nan"), 1e6]]}, ("endurance", 0, 0),
         "`endurance` = nan is not within -55 to 175"),
        ({"clocks": [[1.7, 1]]}, ("clocks", 0, 1), "`clocks` = 1 is not within 10 to 5000"),
        ({"write_protect": "half"}, ("write_protect",), "`write_protect` cannot be half"),
        ({"sources": []}, ("sources",), "`sources` must be a table of arrays, not an array"),
        ({"sources": {"s": "page"}}, ("sources", "s"), "a source does not list keys"),
        ({"sources": {"s": ["pag"]}}, ("sources", "s", 0), "unknown key `pag` in a source"),
        ({"sources": {"s": [[]]}}, ("sources", "s", 0), "unknown key `[]` in a source"),
        ({"address_bytes": 1}, ("address_bytes",),
         "4096 bytes need 4 address bits beyond 8, the device address has room for 3"),
        ({"capacity": 524288, "page": 256, "block_shift": 1}, ("address_bytes",),
         "524288 bytes need 3 address bits beyond 16, the device address has room for 2 of them "
         "from bit 1 up"),
        ({"capacity": 128, "page": 64}, ("page",),
         "a part of 128 bytes cannot have pages of 64"),
        ({"supply_max_v": 1.7}, ("supply_max_v",),
         "the lowest supply, 1.7 V, is not below the highest, 1.7 V"),
        ({"clocks": [[5.5, 400]]}, ("clocks", 0, 0),
         "the lowest supply, 5.5 V, is not below the highest, 5.5 V"),
    ],
)
def test_problem(change: dict[str, Any], path: tuple[str | int, ...], message: str) -> None:
    """Each mistake is found once, with the way to it, its message and how to mend it."""
    (found,) = problems(SMALL | change)
    assert (path, message) == (found.path, found.message)
    assert found.help
    with pytest.raises(ToolError):
        part_from_table(SMALL | change)


def test_all_problems_at_once() -> None:
    """Several mistakes are told together."""
    found = problems(SMALL | {"page": 33, "write_ms": -1, "pge": 1})
    assert [("page",), ("write_ms",), ("pge",)] == [p.path for p in found]


def test_suggestion() -> None:
    """A misspelt key is answered with the nearest ones, the nearest first."""
    (found,) = problems(SMALL | {"write_protct": "none"})
    assert found.help == "did you mean `write_protect` or `write_ma`?"


def test_every_choice_and_range_is_accepted() -> None:
    """Each value that a key offers passes its own check."""
    for key in KEYS.values():
        for value in (*key.choices, *(end for end in (key.low, key.high) if end is not None)):
            paths = [p.path for p in problems(SMALL | {key.name: value})
                     if "cannot be" in p.message or "not within" in p.message]
            assert [] == paths


@pytest.mark.parametrize("name", [n for n, k in KEYS.items() if k.low is not None])
@pytest.mark.parametrize("end", ["low", "high"])
def test_the_bounds_of_a_number_are_within(name: str, end: str) -> None:
    """Written in decimal, as in a file."""
    bound = Decimal(repr(getattr(KEYS[name], end)))
    assert not [p for p in problems({name: bound})
                if p.path == (name,) and "not within" in p.message]


@pytest.mark.parametrize(("change", "beyond"), [
    ({"write_ms": Decimal("0.1")}, {"write_ms": Decimal("0.09")}), ({"write_ms": 0}, {}),
    ({"write_ms": 30}, {"write_ms": Decimal("30.1")}), ({}, {"write_ms": -1}),
    ({"retention_years": 1}, {"retention_years": Decimal("0.9")}),
    ({"retention_years": 1000}, {"retention_years": 1001}),
    ({"write_ma": Decimal("0.01")}, {"write_ma": Decimal("0.009")}),
    ({"write_ma": 100}, {"write_ma": Decimal("100.1")}),
    ({"read_ma": Decimal("0.01")}, {"read_ma": Decimal("0.009")}),
    ({"read_ma": 100}, {"read_ma": Decimal("100.1")}),
    ({"standby_ua": Decimal("0.001")}, {"standby_ua": Decimal("0.0009")}),
    ({"standby_ua": 1000}, {"standby_ua": Decimal("1000.1")}),
    ({"supply_max_v": 6}, {"supply_max_v": Decimal("6.1")}),
    ({}, {"supply_max_v": Decimal("0.79")}),
    ({"clocks": [[Decimal("0.8"), 10]]}, {"clocks": [[Decimal("0.79"), 10]]}),
    ({"clocks": [[5, 5000]]}, {"clocks": [[5, 5001]]}), ({}, {"clocks": [[5, 9]]}),
    ({"clocks": [[Decimal("1.7"), 400], [6, 1000]]}, {"clocks": [[Decimal("6.1"), 400]]}),
    ({"endurance": [[-55, 1000]]}, {"endurance": [[-56, 1000]]}),
    ({"endurance": [[175, 10**16]]}, {"endurance": [[176, 10**16]]}),
    ({}, {"endurance": [[25, 999]]}), ({}, {"endurance": [[25, 2 * 10**16]]}),
    ({"capacity": 128, "address_bytes": 1, "page": 32}, {"capacity": 64}),
    ({"capacity": 524288, "page": 256}, {"capacity": 1048576}),
    ({"page": 8}, {"page": 4}), ({"page": 256}, {"page": 512}),
    ({"block_shift": 2}, {"block_shift": 3}), ({"serial_bits": 128}, {"serial_bits": 1}),
    ({"lockable_bytes": 16}, {"lockable_bytes": 1}),
])
def test_numbers_that_a_part_can_have(change: dict[str, Any], beyond: dict[str, Any]) -> None:
    """Bounds as they were set for I2C parts of the trade, with room beyond all of the catalogue:
    the last number within is taken, the next one is not."""
    assert () == problems(SMALL | change)
    if beyond:
        (found,) = problems(SMALL | beyond)
        assert next(iter(beyond)) == found.path[0]
        assert "not within" in found.message or "cannot be" in found.message


def test_what_a_table_does_not_say() -> None:
    """Cautious numbers: the currents, the supply and the years of usual EEPROMs, nothing beside the
    array."""
    p = part_from_table(SMALL)
    assert (10, 5, 3, 50, 5.5) == (p.retention_years, p.write_ma, p.read_ma, p.standby_ua,
                                   p.supply_max_v)
    assert (0, 0, 0, "", "") == (p.block_shift, p.serial_bits, p.lockable_bytes, p.maker, p.note)


@pytest.mark.parametrize(("change", "plain"), [
    ({}, True), ({"write_ms": 0}, False), ({"write_ms": Decimal("0.1")}, True),
    ({"serial_bits": 128}, False), ({"lockable_bytes": 64}, False)])
def test_what_is_a_plain_part(change: dict[str, Any], plain: bool) -> None:
    """An EEPROM with its array, and nothing else."""
    assert plain is part_from_table(SMALL | change).plain


def test_the_first_mistake_stops_a_part() -> None:
    """The error of a part that cannot be made names the first one."""
    wrong = {"page": 33, "write_ms": -1}
    with pytest.raises(ToolError, match="part X24: `page` cannot be 33") as caught:
        part_from_table(SMALL | wrong)
    first, last = problems(SMALL | wrong)
    assert first.help == caught.value.help != last.help


@pytest.mark.parametrize(("write_ms", "poll_us"), [(5, 250), (10, 500), (Decimal("0.1"), 10),
                                                   (0, 10)])
def test_a_busy_part_is_asked_twenty_times_in_its_write_cycle(write_ms: Any, poll_us: int) -> None:
    """Not more often than every 10 us."""
    assert poll_us == part_from_table(SMALL | {"write_ms": write_ms}).poll_us


@pytest.mark.parametrize(("write_ms", "timeout_us"), [(5, 10_000), (10, 20_000)])
def test_a_busy_part_is_given_up_after_twice_its_write_cycle(write_ms: int,
                                                             timeout_us: int) -> None:
    """Which is longer than a part without one may take."""
    assert timeout_us == part_from_table(SMALL | {"write_ms": write_ms}).timeout_us
