"""Deliberate mistakes in the store and in what is announced, each of which something must notice.

Only data: what to change, and who notices. A mutant is a piece of text that its file has once (runs
of white space in it stand for any white space), what it becomes, and either the verdict of the
quick campaign on an example or the name of a test. When the code changes shape, give a mutant that
is not found any more its new text; the mistake itself stays worth making. See `mutation` for how
they are run.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from paramstore.verify.cuts.results import Verdict

__all__ = ["HISTORIES", "IN_C", "IN_CHANGES", "IN_TWIN", "MUTANTS", "NO_CRC", "RUNTIME", "Mutant",
           "changed"]

HISTORIES = "histories"
NO_CRC = ("++from; ++at; } } return store->crc == CRC_RESIDUE ?",
          "++from; ++at; } } return store->crc != 1u ?")
"""Records count whatever their CRC says."""
_NEXT = "return ring_of(store, store->group)->sequence + 1u + store->skipped;"
RUNTIME = "paramstore/firmware/runtime/paramstore.c"
NEWEST = "paramstore/verify/twin/newest.py"
RECORD = "paramstore/record/record.py"
WIRE = "paramstore/verify/twin/wire.py"
LABEL = "paramstore/verify/twin/label.py"
STORE = "paramstore/verify/twin/store.py"
ACCESS = "paramstore/verify/twin/access.py"
GROUP = "paramstore/verify/twin/group.py"
VALUES = "paramstore/verify/twin/values.py"
FORMAT = "paramstore/core/format.py"
CHANGES = "paramstore/releases/changes.py"
RULES = "paramstore/releases/rule_changes.py"

BRANCHES = "tests/releases/test_branches.py::"
MOUNT = "tests/verify/rig/test_mount.py::"
SERVED = "tests/verify/rig/test_served.py::"
BAD_READS = "tests/verify/rig/test_bad_reads.py"
TROUBLE = "tests/verify/rig/test_trouble.py::"
TWIN = "tests/verify/rig/test_twin.py::"
PROVISION = "tests/verify/rig/test_provision.py::"
WIRES = "tests/verify/twin/test_wire.py::"
CUTS = "tests/verify/twin/test_power_cuts.py::"
FINDING = "tests/verify/twin/test_newest.py::"


@dataclass(frozen=True, slots=True)
class Mutant:
    """One mistake. `caught_by`: the verdict of the quick campaign on `example` (of the random
    histories, if it is `HISTORIES`; of all cases of the class of faults `kind`, if any; of units of
    earlier releases, if it is in what is announced), or a test, which stands for the invariant
    `of_test`, if for any."""

    name: str
    old: str
    new: str
    caught_by: Verdict | str
    file: str = RUNTIME
    example: str = "minimal"
    of_test: str = ""
    kind: str = ""

    @property
    def explored(self) -> bool:
        """Whether an oracle of power cuts catches it."""
        return isinstance(self.caught_by, Verdict)

    @property
    def where(self) -> str:
        """C, twin or announcement."""
        if self.file in (CHANGES, RULES):
            return "announcement"
        return "C" if self.file == RUNTIME else "twin"

    @property
    def invariant(self) -> str:
        """The invariant broken, as whoever catches it names it."""
        return self.of_test if isinstance(self.caught_by, str) else self.caught_by.invariant

    def change(self, text: str) -> str:
        """Make the mistake in the text of the file; AssertionError unless it has `old` once."""
        return changed(text, self.old, self.new, f"{self.name}: {self.file}")


def changed(text: str, old: str, new: str, where: str) -> str:
    """Put `new` for `old`, whose white space stands for any; AssertionError unless it is there
    once."""
    pattern = r"\s+".join(map(re.escape, old.split()))
    found = len(re.findall(pattern, text))
    assert 1 == found, f"{where} has this {found} times: {old}"
    return re.sub(pattern, lambda _: new, text)


IN_C = (
    # ---- Records and their checks ----
    Mutant("CRC of a record not checked", *NO_CRC, Verdict.UNFLAGGED),
    Mutant("CRC of a record not checked, in histories", *NO_CRC, Verdict.MIXED,
           example=HISTORIES),
    Mutant("CRC leaves out the last byte of a page", "crc_update(store, from, n);",
           "crc_update(store, from, n - 1u);", Verdict.BACK),
    Mutant("CRC of no store", "store->crc = store->group->crc_start; while (at < end)",
           "store->crc = 0; while (at < end)", Verdict.BACK),
    Mutant("number of a record not compared when it is read", "if (load_u32_le(from) != sequence)",
           "if (false)", BAD_READS, of_test="I8"),
    Mutant("number of a record read without its top byte", "unsigned i = 4u;",
           "unsigned i = 3u;", Verdict.REFUSED),
    Mutant("values of a torn record left in RAM",
           "ring->revision = 0; default_group(store, store->group);", "ring->revision = 0;",
           Verdict.UNSTABLE),
    Mutant("served values flagged as defaults",
           "ring->sequence = newest; ring->health &= (uint8_t)~PS_HEALTH_DEFAULTS;",
           "ring->sequence = newest;", Verdict.BACK),
    Mutant("defaults without a flag", "ring->health = PS_HEALTH_DEFAULTS;", "ring->health = 0;",
           Verdict.EMPTY),
    Mutant("damage not told", "ring->health |= PS_HEALTH_DAMAGE;", "",
           MOUNT + "test_damaged_record_gives_way_to_the_one_before", of_test="I8"),
    Mutant("flags not told by mount", "(health != 0u || first != PS_OK) ? PS_FLAGGED",
           "first != PS_OK ? PS_FLAGGED", Verdict.UNFLAGGED),

    # ---- Finding the newest record ----
    Mutant("slot chosen one too far", "(sequence - 1u) % store->group->slots",
           "sequence % store->group->slots",
           Verdict.BACK),
    Mutant("every record in one slot", "(sequence - 1u) % store->group->slots",
           "(sequence - 1u) % 1u + 0u * store->group->slots", Verdict.EMPTY),
    Mutant("slot behind the ring", "(sequence - 1u) % store->group->slots",
           "(sequence - 1u) % (store->group->slots + 1u)", Verdict.OUTSIDE),
    Mutant("two records in one page", "(uint32_t)slot * store->group->slot_bytes",
           "(uint32_t)slot * (store->group->slot_bytes - 4u)", Verdict.WEAR),
    Mutant("page crossed", "(uint32_t)slot * store->group->slot_bytes",
           "(uint32_t)slot * store->group->slot_bytes + 1u", Verdict.BACK),
    Mutant("scan takes the last valid record, not the greatest", "s > *newest && s < limit",
           "s < limit", MOUNT + "test_both_engines_find_the_same_record_in_a_damaged_ring",
           of_test="I3"),
    Mutant("scan compares numbers the other way round", "s > *newest && s < limit",
           "(s < *newest || *newest == SEQ_NONE) && s != SEQ_NONE && s < limit", Verdict.LOST),
    Mutant("scan returns to the record that did not load", "s > *newest && s < limit",
           "s > *newest", MOUNT + "test_cell_that_reads_two_ways_is_told", of_test="I8"),
    Mutant("scan stops after one slot", "for (unsigned left = store->group->slots; left > 0u",
           "for (unsigned left = 1u; left > 0u", Verdict.EMPTY),
    Mutant("scan stops after one slot, in histories",
           "for (unsigned left = store->group->slots; left > 0u",
           "for (unsigned left = 1u; left > 0u", Verdict.RETURNED, example=HISTORIES),
    Mutant("scan trusts heads", "status = read_record(store, s); found = status == PS_OK;",
           "found = true;",
           MOUNT + "test_both_engines_find_the_same_record_in_a_damaged_ring", of_test="I2"),
    Mutant("no scan", "status = scan(store, newest, &newest);", "newest = SEQ_NONE;",
           Verdict.EMPTY),
    Mutant("bisection goes the wrong way", "low += half; s = head; span -= half;",
           "span = half;", Verdict.LOST),
    Mutant("slots passed over not looked at", "k <= skip_limit(store) + 1u", "k <= 1u",
           Verdict.LOST),
    Mutant("second lap begins one record late", "sequence > store->group->slots ?",
           "sequence > store->group->slots + 1u ?",
           MOUNT + "test_both_engines_find_the_same_record_in_a_damaged_ring", of_test="I8"),
    Mutant("skip reaches the newest record", "min(store->group->slots - 2u, SKIP_LIMIT)",
           "min(store->group->slots - 1u, SKIP_LIMIT)",
           TROUBLE + "test_newest_record_is_never_written_over", of_test="I5"),

    # ---- Writing ----
    Mutant("read-back left out", "if (compare_bytes(chunk, sent, n) != 0)", "if (false)",
           Verdict.LOST),
    Mutant("read-back of the first bytes only", "if (compare_bytes(chunk, sent, n) != 0)",
           "if (compare_bytes(chunk, sent, 4u) != 0)", TROUBLE + "test_read_back_sees_every_byte",
           of_test="I2"),
    Mutant("acknowledged before the write ends",
           "case PHASE_WRITE: if (status == PS_OK) { status = enter(store, PHASE_VERIFY);",
           "case PHASE_WRITE:\n"
           "if (status == PS_OK) { status = page_written(store, offset + count);", Verdict.LOST),
    Mutant("acknowledged after the first page", "if (end < record_bytes(store))",
           "if (false)", Verdict.LOST),
    Mutant("page read back twice",
           "status = page_confirm(store, address, count);",
           "(void)page_confirm(store, address, count);\n"
           "status = page_confirm(store, address, count);", Verdict.LONG),
    Mutant("commit over the newest record", _NEXT,
           "const ps_ring_t *ring = ring_of(store, store->group);\n"
           "return ring->sequence + (ring->sequence == SEQ_NONE) + store->skipped;", Verdict.BACK),
    Mutant("recovery rewrites in place", "return ring->health; }",
           """if ((ring->health & PS_HEALTH_DAMAGE) != 0u && ring->sequence > 1u) {
               --ring->sequence;
               store->copies = 1u;
               (void)commit_finish(store, page_begin(store, 0));
           }
           return ring->health; }""", Verdict.LOST),
    Mutant("commit reads the record back into the values", "store->skipped = 0; --store->copies;",
           """store->skipped = 0;
           if (ring->sequence > 1u) {
               (void)read_record(store, ring->sequence - 1u);
           }
           --store->copies;""", Verdict.CHANGED),
    Mutant("every record written twice", "store->copies = store->group->copies;",
           "store->copies = (uint8_t)(2u * store->group->copies);", Verdict.WEAR),
    Mutant("worn slot tried again", _NEXT,
           "return ring_of(store, store->group)->sequence + 1u;",
           TROUBLE + "test_worn_slot_is_passed_over", of_test="I10"),
    Mutant("slots passed over counted again by the next commit",
           "store->skipped = 0; --store->copies;", "--store->copies;",
           TROUBLE + "test_worn_slot_is_passed_over"),
    Mutant("copies left out", "store->copies = store->group->copies;",
           "store->copies = 1u;", TWIN + "test_copies_carry_consecutive_numbers_and_the_same_body",
           of_test="I5"),
    Mutant("copy written over its original", "ring->sequence = next_sequence(store);",
           "if (store->copies == 1u) { ring->sequence = next_sequence(store); }",
           TWIN + "test_copies_carry_consecutive_numbers_and_the_same_body", of_test="I5"),
    Mutant("failed commit forgotten", "if (status != PS_PENDING) { store->copies = 0; }",
           """if (status != PS_PENDING) {
               store->copies = 0;
               ring_of(store, store->group)->health &= (uint8_t)~PS_HEALTH_DIRTY;
           }""", TROUBLE + "test_write_protect_is_noticed_and_costs_nothing",
           of_test="I2"),
    Mutant("supply ignored", "return store->port->supply_good == NULL ||",
           "return store != NULL ||", TROUBLE + "test_bad_supply_stops_before_the_next_page",
           of_test="I5"),
    Mutant("poll of a read unbounded",
           "status != PS_ERR_NACK || store->left_us == 0u", "status != PS_ERR_NACK",
           TROUBLE + "test_part_that_is_gone_ends_every_call_in_time", of_test="I9"),
    Mutant("poll of a write unbounded", "status == PS_ERR_NACK && store->left_us != 0u",
           "status == PS_ERR_NACK", TROUBLE + "test_part_that_is_gone_ends_every_call_in_time",
           of_test="I9"),
    Mutant("busy part not asked again",
           "status != PS_ERR_NACK || store->left_us == 0u", "true",
           TROUBLE + "test_mount_waits_for_a_write_from_before_a_reset", of_test="I13"),
    Mutant("part asked before the time", "if (store->wait_us != 0u) { return PS_PENDING;",
           "if (false) { return PS_PENDING;", TWIN + "test_step_before_the_time_does_nothing",
           of_test="I9"),
    Mutant("block-select bits not sent", "layout->address | address << layout->block_shift",
           "layout->address", TWIN + "test_every_way_of_addressing[24LC16B]"),

    # ---- Labels ----
    Mutant("label copy 0 first", "status = write_label(store, store->layout->label_step);",
           "status = write_label(store, 0);", Verdict.UNSTABLE),
    Mutant("only whole label copy written over",
           "if (label == PS_OK || label == PS_OLDER) { step = 0; }", "",
           "tests/releases/test_cuts.py::test_the_only_whole_label_is_not_written_over",
           of_test="I13"),
    Mutant("second label copy not read", "if (is_unlabelled(label) && !ps_failed(halves))",
           "if (label == PS_BLANK && !ps_failed(halves))", Verdict.REFUSED),
    Mutant("label of another store taken",
           "compare_bytes(found + LABEL_STORE_ID, ours + LABEL_STORE_ID, ID_BYTES) != 0", "false",
           MOUNT + "test_part_that_is_not_ours_is_left_alone", of_test="I13"),
    Mutant("label of another part taken", "found[LABEL_GEOMETRY] != ours[LABEL_GEOMETRY]", "false",
           MOUNT + "test_part_that_is_not_ours_is_left_alone", of_test="I13"),
    Mutant("label of another branch taken",
           "found[LABEL_LINEAGE + gap - 1u] == layout->label[LABEL_LAYOUT_ID]", "true",
           BRANCHES + "test_a_release_of_another_branch_is_refused", of_test="I13"),
    Mutant("label of another format version taken",
           "found[LABEL_VERSION] != ours[LABEL_VERSION]", "false",
           BRANCHES + "test_another_format_version_is_refused_first", of_test="I13"),
    Mutant("size of the part not checked",
           "halves = compare_halves(store, 0, layout->label_bytes);", "",
           MOUNT + "test_part_of_half_the_size_is_recognised", of_test="I13"),
    Mutant("foreign part written", "return ps_failed((ps_status_t)store->state) ?",
           "return store->state == PS_ERR_STATE ?",
           MOUNT + "test_part_that_is_not_ours_is_left_alone", of_test="I13"),
    Mutant("format gives up at a torn label",
           "if (is_bus_error(label)) { return label; } if (label == PS_OK",
           "if (is_bus_error(label) || label == PS_FLAGGED) { return label; }\n"
           "if (label == PS_OK",
           Verdict.UNSTABLE, kind="BIT"),
    Mutant("wipe without a mark", "status = mark_for_wipe(store);", "status = PS_OK;",
           Verdict.EMPTY),
    Mutant("commit before a label", "labelled(store) ? check_writable(store, group)",
           "true ? check_writable(store, group)",
           TWIN + "test_blank_part_has_defaults_until_it_is_formatted", of_test="I13"),

    # ---- Reads that say FF, wipes, copies, values that cannot be ----
    Mutant("label that does not read well believed at once",
           "for (unsigned tries = READ_TRIES; tries > 0u && is_unlabelled(label);",
           "for (unsigned tries = 1u; tries > 0u && is_unlabelled(label);", Verdict.UNFLAGGED,
           kind="READ"),
    Mutant("head that does not lead on believed at once",
           "if (status == PS_OK && first != expected)", "if (false)", Verdict.LOST, kind="READ"),
    Mutant("record that reads wrong believed at once",
           "--tries) { default_group(store, store->group);",
           "tries = 0) { default_group(store, store->group);", Verdict.EMPTY, kind="READ"),
    Mutant("ring that begins erased believed at once",
           "if (head == SEQ_NONE) { status = read_head(store, 0, &head); }", "", Verdict.EMPTY,
           kind="READ"),
    Mutant("page that reads back wrong believed at once",
           "if (status == PS_ERR_VERIFY) { status = page_compare(store, address, count); "
           "if (status == PS_OK) { status = page_compare(store, address, count); } }", "",
           Verdict.UNSTABLE, kind="READ"),
    Mutant("bytes of a later release kept as one reading says",
           "status = enter(store, PHASE_CHECK);",
           "fill_page(store);\n"
           "status = enter(store, PHASE_WRITE);", Verdict.SPOILT,
           kind="READ_LATER"),
    Mutant("format believes the mount that found nothing", "status = begin_blank(store);", "",
           Verdict.SPOILT, kind="UNREAD"),
    Mutant("format over bytes of somebody else", "status = begin_blank(store);", "",
           Verdict.SPOILT, kind="BLOCK"),
    Mutant("blank part looked at before its first label only",
           "return status == PS_OK ? check_blank(store) : status;", "return status;",
           Verdict.SPOILT, kind="UNREAD"),
    Mutant("first page of each slot wiped only", "address += block_bytes(store);",
           "address += erase ? group->slot_bytes : block_bytes(store);", Verdict.REMAINS),
    Mutant("retired rings not wiped", "status == PS_OK && g < store->layout->ring_count",
           "status == PS_OK && g < store->layout->group_count", Verdict.REMAINS,
           example="tank_probe", kind="WIPED"),
    Mutant("piece believed to be wiped at once",
           "if (status == PS_OK) { status = read_block(store, address); }", "", Verdict.REMAINS,
           kind="READ_WIPE"),
    Mutant("copies not counted by mount", "status = check_copies(store, newest);", "",
           Verdict.UNFLAGGED, example="tank_probe", kind="COPY"),
    Mutant("copies whatever their body is", "return store->crc == CRC_RESIDUE ? body : PS_FLAGGED;",
           "return store->crc == CRC_RESIDUE ? PS_OK : PS_FLAGGED;",
           Verdict.UNFLAGGED, example="tank_probe", kind="COPY"),
    Mutant("refresh does nothing",
           "return PS_ERR_STATE; } return commit_finish(store, commit_start(store, group));",
           "return PS_ERR_STATE; } return PS_OK;", Verdict.UNFLAGGED, example="tank_probe",
           kind="COPY"),
    Mutant("values served as they are stored", "check_group(store, true) != PS_OK", "false",
           Verdict.DIFFERENT, example="tank_probe", kind="VALUES"),
    Mutant("broken rule resets the group", "default_parameter(store, rule->low);",
           "default_group(store, group);", Verdict.DIFFERENT, example="tank_probe",
           kind="VALUES"),
    Mutant("text that is not UTF-8 served", "values[i] != 0u || !utf8_ok(values, i)",
           "values[i] != 0u", Verdict.DIFFERENT, example="tank_probe", kind="VALUES"),
    Mutant("bytes behind the end of a text served", "values[i] = 0; } return true;",
           "} return true;", Verdict.DIFFERENT, example="tank_probe", kind="VALUES"),

    # ---- Values ----
    Mutant("lock ignored", "(group_at(store, g)->flags & PS_PROTECTED) != 0u", "false",
           TWIN + "test_protected_group_is_locked_but_for_one_commit"),
    Mutant("lock open after a commit", "PS_HEALTH_DIRTY | PS_HEALTH_UNLOCKED | PS_HEALTH_MIGRATED",
           "PS_HEALTH_DIRTY | PS_HEALTH_MIGRATED",
           TWIN + "test_protected_group_is_locked_but_for_one_commit"),
    Mutant("limits not checked by set", "!all_within_limits(f, (const uint8_t *)values, count)",
           "false", TWIN + "test_set_is_all_or_nothing"),
    Mutant("limits not checked by commit",
           "PS_ERR_FULL : check_group(store, false);", "PS_ERR_FULL : PS_OK;",
           TWIN + "test_commit_refuses_what_breaks_limits_or_rules"),
    Mutant("limits not checked by mount", "check_group(store, true) != PS_OK",
           "false", MOUNT + "test_values_outside_limits_become_defaults", of_test="I8"),
    Mutant("rules not checked", "if (!rule_ok(store, rule->low, rule->high))", "if (false)",
           TWIN + "test_commit_refuses_what_breaks_limits_or_rules"),
    Mutant("broken rule resets the lower parameter alone", "default_parameter(store, rule->high);",
           "", SERVED + "test_a_broken_rule_resets_both", of_test="I8"),
    Mutant("broken rule resets the higher parameter alone", "default_parameter(store, rule->low);",
           "", SERVED + "test_a_broken_rule_resets_both", of_test="I8"),
    Mutant("negative floats in the wrong order", "flip = 0xFFu;", "flip = 0u;",
           TWIN + "test_negative_zero_is_zero"),
    Mutant("half a curve reset", "(field->form & PS_Y) != 0u ? field - 1 : field", "field",
           TWIN + "test_reset_of_a_curve_resets_both_axes"),
    Mutant("change during its own commit",
           "store->copies != 0u && store->group == group_at(store, g)", "false",
           TWIN + "test_commit_in_steps_keeps_others_out", of_test="I14"),
    Mutant("count of set not checked", "first > f->count || count > f->count - first",
           "first > f->count", "tests/firmware/test_sanitized.py::test_nothing_is_undefined",
           of_test="I12"),
    Mutant("text too long taken", "(f->form & PS_TEXT) == 0u || length > f->count",
           "(f->form & PS_TEXT) == 0u", TWIN + "test_text_fits_or_is_refused", of_test="I12"),

    # ---- Factory images and releases ----
    Mutant("factory image not checked", "image != NULL && !image_ok(store, image)", "false",
           PROVISION + "test_a_wrong_image_is_refused_before_anything_is_written", of_test="I13"),
    Mutant("provision writes over what is there",
           "ring->sequence == SEQ_NONE && (ring->health & PS_HEALTH_MIGRATED) == 0u", "true",
           PROVISION + "test_what_has_a_record_stays", of_test="I2"),
    Mutant("record of a later release given an older revision",
           "return is_later(group, ring) ? ring->revision : group->revision;",
           "return ring == NULL ? 0u : group->revision;", "tests/releases/test_matrix.py",
           of_test="I11"),
    Mutant("new label before what was migrated", "status = commit_migrated(store);", "",
           "tests/releases/test_matrix.py", of_test="I11"),
    Mutant("fields of a later revision loaded", "field->size == 0u || field->since > revision",
           "field->size == 0u || revision > 255u", "tests/releases/test_matrix.py", of_test="I11"),
)

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

MUTANTS = (*IN_C, *IN_TWIN, *IN_CHANGES)
