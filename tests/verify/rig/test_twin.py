"""Values and commits, call by call: the same in Python and in C.

Every call goes to both engines, which must not be told apart by anything (see `engines`).
"""

import pytest

from paramstore.core.scalars import Raw
from paramstore.core.status import Health, Status
from paramstore.record import build_record, encode_body
from paramstore.verify.eeprom.bench import Asked, Transferred, Waited
from paramstore.verify.rig.twin import TwinRig
from tests.engines import PLANS, Engines, bench_for
from tests.record.plans import EXAMPLE
from tests.verify.rig.stores import LIMITS, USED, image, mounted


def changed_pages(engines: Engines, before: bytes) -> set[int]:
    page = EXAMPLE.part.page
    after = engines.device.memory
    return {at // page for at in range(len(after)) if after[at] != before[at]}


# ---- From blank to committed ----


def test_blank_part_has_defaults_until_it_is_formatted() -> None:
    """BLANK, defaults flagged as such, commits refused; after format they are taken."""
    engines = mounted(b"", Status.BLANK)
    assert (2500,) == engines.twin.values("limits")["current"]
    assert Health.DEFAULTS == engines.twin.health("user")
    assert Status.OK is engines.call("set", "user", "low", 0, [2])
    assert Status.ERR_STATE is engines.call("commit", "user")
    assert Status.OK is engines.call("format")
    assert Status.OK is engines.call("commit", "user")
    engines.restart(power=True)
    assert Status.FLAGGED is engines.call("mount")
    assert (2,) == engines.twin.values("user")["low"]
    assert Health(0) == engines.twin.health("user")
    assert Health.DEFAULTS == engines.twin.health("limits")


def test_format_writes_copy_1_before_copy_0() -> None:
    """A cut format never leaves a label that counts without the other one (FORMAT.md, 2)."""
    engines = mounted(b"", Status.BLANK)
    twin = TwinRig(EXAMPLE, bench_for(EXAMPLE))
    twin.mount()
    twin.bench.log.clear()
    assert Status.OK is twin.format()
    writes = [int.from_bytes(e.out[:2], "big") for e in twin.bench.log
              if isinstance(e, Transferred) and len(e.out) > 2]
    assert [32, 48, 0, 16] == writes
    assert Status.OK is engines.call("format")


@pytest.mark.parametrize(("group", "writes"), [("limits", 2 * 2), ("user", 1 * 2)])
def test_commit_costs_copies_times_pages(group: str, writes: int) -> None:
    """copies x ceil(record / page) page writes, all of them in pages of the group's own ring."""
    engines = mounted()
    before = bytes(engines.device.memory)
    ring = EXAMPLE.ring(group)
    assert writes == ring.group.copies * -(-ring.record_bytes // EXAMPLE.part.page)
    engines.call("unlock", group)
    engines.call("touch", group)
    assert Status.OK is engines.call("commit", group)
    assert writes == engines.device.cycles
    assert changed_pages(engines, before) <= set(
        range(ring.first_page, ring.first_page + ring.pages))


def test_commit_of_what_did_not_change_writes_nothing() -> None:
    """Setting a value to what it is leaves the group clean."""
    engines = mounted()
    assert Status.OK is engines.call("set", "user", "low", 0, [1])
    assert Status.OK is engines.call("commit", "user")
    assert 0 == engines.device.cycles


def test_first_value_is_committed_even_if_it_is_the_default() -> None:
    """A group that has no record yet is changed by any set."""
    engines = mounted(image(), Status.FLAGGED)
    engines.call("set", "user", "low", 0, [-3])
    assert Status.OK is engines.call("commit", "user")
    assert 1 == engines.twin.sequence("user")


def test_copies_carry_consecutive_numbers_and_the_same_body() -> None:
    """Two records of one commit differ in number and CRC only (FORMAT.md, 4)."""
    engines = mounted()
    engines.call("unlock", "limits")
    engines.call("set", "limits", "current", 0, [99])
    assert Status.OK is engines.call("commit", "limits")
    body = encode_body(LIMITS, {"current": (99,)})
    for sequence in (3, 4):
        at = LIMITS.address((sequence - 1) % 3)
        record = build_record(EXAMPLE, LIMITS, sequence, body)
        assert record == engines.device.memory[at:at + len(record)]
    assert 4 == engines.twin.sequence("limits")


# ---- Changes ----


def test_protected_group_is_locked_but_for_one_commit() -> None:
    """Nothing changes without unlock, and a commit locks again."""
    engines = mounted()
    for call, *arguments in (("set", "limits", "current", 0, [1]), ("reset", "limits"),
                             ("reset_field", "limits", "gain"), ("touch", "limits")):
        assert Status.ERR_LOCKED is engines.call(call, *arguments)
    engines.call("unlock", "limits")
    assert Status.OK is engines.call("set", "limits", "current", 0, [1])
    engines.call("lock", "limits")
    assert Status.ERR_LOCKED is engines.call("commit", "limits")
    engines.call("unlock", "limits")
    assert Status.OK is engines.call("commit", "limits")
    assert Status.ERR_LOCKED is engines.call("touch", "limits")


def test_set_is_all_or_nothing() -> None:
    """One element outside its limits, or past the end, and none is taken."""
    engines = mounted()
    engines.call("unlock", "limits")
    assert Status.ERR_LIMIT is engines.call("set", "limits", "current", 0, [4001])
    assert Status.ERR_ARGUMENT is engines.call("set", "limits", "flow.x", 1, [1, 2, 3])
    assert (0, 50, 100) == engines.twin.values("limits")["flow.x"]
    assert Health.DIRTY not in engines.twin.health("limits")


def test_text_fits_or_is_refused() -> None:
    """A text may fill all bytes, not one more; only text fields take text."""
    engines = mounted()
    assert Status.ERR_ARGUMENT is engines.call("set_text", "user", "name", "sevenby")
    assert Status.OK is engines.call("set_text", "user", "name", "sixbyt")
    assert Status.OK is engines.call("set_text", "user", "name", "µ")
    assert (*"µ".encode(), 0, 0, 0, 0) == engines.twin.values("user")["name"]
    assert Status.ERR_ARGUMENT is engines.call("set_text", "user", "low", "1")


def test_names_that_do_not_exist_are_refused() -> None:
    """In C an index past the tables is; the twin answers alike."""
    rig = TwinRig(EXAMPLE, bench_for(EXAMPLE, USED))
    rig.mount()
    for call in (rig.reset, rig.touch, rig.unlock, rig.lock, rig.commit, rig.commit_begin):
        assert Status.ERR_ARGUMENT is call("nobody")
    assert Status.ERR_ARGUMENT is rig.set("user", "nothing", 0, [1])
    assert Status.ERR_ARGUMENT is rig.set_text("user", "nothing", "")
    assert Status.ERR_ARGUMENT is rig.reset_field("user", "nothing")
    assert (Health.DEFAULTS, 0) == (rig.health("nobody"), rig.sequence("nobody"))


def test_reset_of_a_curve_resets_both_axes() -> None:
    """Either field of a curve stands for the parameter."""
    engines = mounted()
    engines.call("unlock", "limits")
    for field in ("flow.x", "flow.y"):
        engines.call("set", "limits", "flow.x", 0, [1, 2, 3])
        engines.call("set", "limits", "flow.y", 0, [4, 5, 6])
        assert Status.OK is engines.call("reset_field", "limits", field)
        values = engines.twin.values("limits")
        assert ((0, 50, 100), (-5, 300, 700)) == (values["flow.x"], values["flow.y"])


@pytest.mark.parametrize(
    ("group", "field", "raws", "expected"),
    [
        ("limits", "gain", [float("nan")], Status.ERR_LIMIT),
        ("limits", "gain", [float("-inf")], Status.ERR_LIMIT),
        ("limits", "gain", [10.000001], Status.ERR_LIMIT),
        ("limits", "flow.x", [5, 5, 6], Status.ERR_RULE),
        ("limits", "flow.x", [255, 0, 1], Status.ERR_RULE),
        ("user", "low", [4], Status.ERR_RULE),
        ("user", "high", [-128], Status.ERR_RULE),
    ],
)
def test_commit_refuses_what_breaks_limits_or_rules(
    group: str, field: str, raws: list[Raw], expected: Status
) -> None:
    """Values written past the setters are checked before anything goes to the part."""
    engines = mounted()
    engines.call("unlock", group)
    engines.poke(group, field, 0, raws)
    engines.call("touch", group)
    assert expected is engines.call("commit", group)
    assert 0 == engines.device.cycles


def test_negative_zero_is_zero() -> None:
    """-0.0 lies in a range that begins at 0 and is stored as it is."""
    engines = mounted()
    engines.call("unlock", "limits")
    assert Status.OK is engines.call("set", "limits", "gain", 0, [-0.0])
    assert Status.OK is engines.call("commit", "limits")


# ---- Addresses ----


@pytest.mark.parametrize("name", PLANS)
def test_every_way_of_addressing(name: str) -> None:
    """One address byte or two, with block-select bits or without: both engines find their own."""
    engines = Engines(PLANS[name])
    assert Status.BLANK is engines.call("mount")
    assert Status.OK is engines.call("format")
    for ring in engines.plan.rings:
        engines.call("unlock", ring.group.name)
        engines.call("touch", ring.group.name)
        assert Status.OK is engines.call("commit", ring.group.name)
    engines.restart(power=True)
    assert Status.OK is engines.call("mount")


# ---- Steps ----


def test_steps_do_one_page_at_a_time_and_never_wait() -> None:
    """Each step makes the transfers of at most one page; together they are a whole commit."""
    rig = TwinRig(EXAMPLE, bench_for(EXAMPLE, USED))
    rig.mount()
    rig.set("user", "low", 0, [2])
    assert Status.PENDING is rig.commit_begin("user")
    status, writes = Status.PENDING, 0
    while status is Status.PENDING:
        rig.bench.log.clear()
        status = rig.step(300)
        kinds = [type(event) for event in rig.bench.log]
        assert kinds in ([], [Asked, Transferred], [Transferred])
        writes += kinds == [Asked, Transferred]
        rig.bench.wait(300)
    assert (Status.OK, 2) == (status, writes)


def test_step_before_the_time_does_nothing() -> None:
    """A busy part is asked no more often than every poll time."""
    engines = mounted()
    engines.call("set", "user", "low", 0, [2])
    engines.call("commit_begin", "user")
    engines.call("step", 0)
    before = engines.twin.bench.bits
    for _ in range(4):
        assert Status.PENDING is engines.call("step", 62)
    assert before == engines.twin.bench.bits
    assert Status.PENDING is engines.call("step", 2)
    assert before + 11 == engines.twin.bench.bits


def test_commit_in_steps_keeps_others_out() -> None:
    """Until it ends: no other commit, no format, no wipe, no change to that group."""
    engines = mounted()
    engines.call("set", "user", "low", 0, [2])
    assert Status.PENDING is engines.call("commit_begin", "user")
    engines.call("unlock", "limits")
    assert Status.OK is engines.call("set", "limits", "current", 0, [99])
    for call in (("set", "user", "low", 0, [3]), ("touch", "user"), ("reset", "user"),
                 ("commit", "limits"), ("commit_begin", "limits"), ("commit_all",), ("format",),
                 ("wipe",)):
        assert Status.ERR_BUSY is engines.call(*call)
    while engines.call("step", 65535) is Status.PENDING:
        engines.each(lambda bench: bench.wait(5000))
    assert Status.OK is engines.call("step", 0)
    assert Status.OK is engines.call("commit", "limits")
    assert 2 == engines.twin.sequence("user")


def test_blocking_commit_waits_between_polls() -> None:
    """Waits are one poll time each, and only between questions to a busy part."""
    rig = TwinRig(EXAMPLE, bench_for(EXAMPLE, USED))
    rig.mount()
    rig.set("user", "low", 0, [2])
    rig.bench.log.clear()
    assert Status.OK is rig.commit("user")
    assert {Waited(EXAMPLE.part.poll_us)} == {e for e in rig.bench.log if isinstance(e, Waited)}
    refused = [e for e in rig.bench.log if isinstance(e, Transferred) and e.reply is None]
    assert len(refused) + 2 == sum(isinstance(e, Waited) for e in rig.bench.log)
