"""Deliberate mistakes in the twin, and in what a comparison of releases announces."""

from __future__ import annotations

from paramstore.verify.cuts.results import Verdict
from tests.verify.cuts.mutants import (
    BAD_READS,
    BRANCHES,
    CHANGES,
    MOUNT,
    RULES,
    TROUBLE,
    TWIN,
    VALUES,
    Mutant,
)

__all__ = ["IN_CHANGES", "IN_TWIN"]

NEWEST = "paramstore/verify/twin/newest.py"
RECORD = "paramstore/record/record.py"
WIRE = "paramstore/verify/twin/wire.py"
LABEL = "paramstore/verify/twin/label.py"
STORE = "paramstore/verify/twin/store.py"
ACCESS = "paramstore/verify/twin/access.py"
GROUP = "paramstore/verify/twin/group.py"
FORMAT = "paramstore/core/format.py"
WIRES = "tests/verify/twin/test_wire.py::"
CUTS = "tests/verify/twin/test_power_cuts.py::"
FINDING = "tests/verify/twin/test_newest.py::"

IN_TWIN = (
    # ---- Finding and reading records ----
    Mutant("CRC of a record not checked",
           "if not crc_holds(self._plan, ring, data): return None", "",
           MOUNT + "test_damaged_record_gives_way_to_the_one_before", NEWEST, of_test="I1"),
    Mutant("CRC of no store", "_crc_prefix(plan.store_id, ring.group.id) + front",
           "_crc_prefix(0, ring.group.id) + front",
           MOUNT + "test_damaged_record_gives_way_to_the_one_before", RECORD, of_test="I13"),
    Mutant("number of a record not compared when it is read",
           "if sequence_of(data) != sequence:", "if False:",
           BAD_READS, NEWEST, of_test="I8"),
    Mutant("erased slot taken for a damaged one", "if number == ERASED_SEQUENCE: return NO_RECORD",
           "", FINDING + "test_bisection_finds_the_newest_in_an_undamaged_ring", NEWEST,
           of_test="I8"),
    Mutant("damage not told", "found.damage = True", "pass",
           MOUNT + "test_damaged_record_gives_way_to_the_one_before", NEWEST, of_test="I8"),
    Mutant("scan takes the last valid record", "best < number < limit", "number < limit",
           MOUNT + "test_both_engines_find_the_same_record_in_a_damaged_ring", NEWEST,
           of_test="I3"),
    Mutant("scan stops after one slot", "for back in range(1, slots + 1):",
           "for back in range(1, 2):",
           MOUNT + "test_both_engines_find_the_same_record_in_a_damaged_ring", NEWEST,
           of_test="I5"),
    Mutant("second lap begins one record late", "if sequence > self.ring.slots else",
           "if sequence > self.ring.slots + 1 else",
           FINDING + "test_bisection_finds_the_newest_in_an_undamaged_ring", NEWEST,
           of_test="I8"),
    Mutant("slot chosen one too far", "return (sequence - 1) % slots", "return sequence % slots",
           MOUNT + "test_damaged_record_gives_way_to_the_one_before", FORMAT, of_test="I3"),
    Mutant("revision ignored", "if placed.since <= revision:", "if True:",
           "tests/releases/test_matrix.py", VALUES, of_test="I11"),
    Mutant("defaults without a flag", "self.health = Health.DEFAULTS", "self.health = Health(0)",
           MOUNT + "test_group_without_a_readable_record_has_defaults", GROUP, of_test="I8"),
    Mutant("limits not checked by mount", "if repair: self.reset_parameter(name)", "pass",
           MOUNT + "test_values_outside_limits_become_defaults", VALUES, of_test="I8"),

    # ---- Writing ----
    Mutant("skip reaches the newest record", "min(SKIP_LIMIT, slots - 2)",
           "min(SKIP_LIMIT, slots - 1)", TROUBLE + "test_newest_record_is_never_written_over",
           FORMAT, of_test="I5"),
    Mutant("commit over the newest record", "group.sequence + 1 + group.skipped",
           "max(group.sequence, 1) + group.skipped",
           CUTS + "test_cut_in_any_page_write_leaves_old_or_new", STORE, of_test="I5"),
    Mutant("worn slot tried again", "group.sequence + 1 + group.skipped", "group.sequence + 1",
           TROUBLE + "test_worn_slot_is_passed_over", STORE, of_test="I10"),
    Mutant("copies left out", "self._begin_record(group, group.ring.group.copies)",
           "self._begin_record(group, 1)",
           TWIN + "test_copies_carry_consecutive_numbers_and_the_same_body", STORE,
           of_test="I5"),
    Mutant("read-back left out", "if data != part:", "if False:",
           WIRES + "test_page_that_reads_back_otherwise_fails_at_the_first_difference", WIRE,
           of_test="I2"),
    Mutant("acknowledged before the write ends",
           "self._since_us, self._due_us = 0, self._wire.part.poll_us return Status.PENDING",
           "return Status.OK", TROUBLE + "test_write_protect_is_noticed_and_costs_nothing", WIRE,
           of_test="I2"),
    Mutant("page crossed", "for offset in range(0, len(content), page): job",
           "for offset in range(0, len(content), 2 * page):\n            page *= 2\n"
           "            job",
           TWIN + "test_format_writes_copy_1_before_copy_0", WIRE, of_test="I7"),
    Mutant("busy part not asked again",
           "if status is not Status.ERR_NACK or self._left_us <= 0:", "if True:",
           TROUBLE + "test_mount_waits_for_a_write_from_before_a_reset", WIRE,
           of_test="I13"),
    Mutant("part polled ten times too long", "self._left_us = self.part.timeout_us",
           "self._left_us = 10 * self.part.timeout_us",
           WIRES + "test_read_gives_up_after_the_timeout", WIRE, of_test="I9"),
    Mutant("supply ignored", "status, _ = yield AskSupply()",
           "yield AskSupply()\n        status = Status.OK",
           TROUBLE + "test_bad_supply_stops_before_the_next_page", WIRE, of_test="I5"),

    # ---- Labels and locks ----
    Mutant("label of another branch taken", "label.follows(plan.release, plan.layout_id)",
           "True", BRANCHES + "test_a_release_of_another_branch_is_refused", LABEL, of_test="I13"),
    Mutant("label of another store taken",
           "if label.store_id != plan.store_id: return Status.ERR_FOREIGN", "",
           MOUNT + "test_part_that_is_not_ours_is_left_alone", LABEL, of_test="I13"),
    Mutant("size of the part not checked",
           "Status.ERR_PART if too_small and not label.failed else label", "label",
           MOUNT + "test_part_of_half_the_size_is_recognised", LABEL, of_test="I13"),
    Mutant("label copy 0 first", "status = yield from self._write_label(1)",
           "status = yield from self._write_label(0)",
           TWIN + "test_format_writes_copy_1_before_copy_0", STORE,
           of_test="I13"),
    Mutant("lock ignored",
           "g.ring.group.role.protected and Health.UNLOCKED not in g.health", "False",
           TWIN + "test_protected_group_is_locked_but_for_one_commit", ACCESS),
)

IN_CHANGES = (
    Mutant("default against a stored value not announced", "yield from losses.of(start, None)",
           "pass", Verdict.UNTOLD, RULES),
    Mutant("default of what a unit does not hold not announced",
           "if late and any(a != b for", "if not late and any(a != b for", Verdict.UNTOLD, RULES),
    Mutant("new rule announced as safe",
           "return low is not None and high is not None and low[1] >= high[0]", "return False",
           Verdict.UNTOLD, RULES),
    Mutant("narrower limits not announced", "if not inside and not _both_boundless(old, new):",
           "if False:", Verdict.UNTOLD, CHANGES),
    Mutant("member that is gone not announced",
           "if gone := [name for name in before if name not in now]:", "if gone := list[str]():",
           Verdict.UNTOLD, CHANGES),
    Mutant("fewer elements announced as safe", 'return Change("PS765", Impact.MIGRATES,',
           'return Change("PS765", Impact.SAFE,', Verdict.UNTOLD, CHANGES),
    Mutant("retired parameter not announced", "if (name, parameter.name) not in kept:",
           "if False:", Verdict.UNTOLD, CHANGES),
)
"""All caught on the releases of `tests.verify.cuts.releases`."""
