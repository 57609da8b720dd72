/* copies.c: groups kept in copies, of which one is missing or damaged; see faults.h. */
#include "bytes.h"
#include "cases.h"
#include "classes.h"
#include "explore.h"
#include "faults.h"
#include "records.h"

static const ps_group_t *ring_of(unsigned group)
{
    return &Cuts_LAYOUT.groups[group];
}

static bool says_missing(unsigned group)
{
    return (ps_health(&cases.memory.store, (uint8_t)group) & PS_HEALTH_COPIES) != 0u;
}

/* Does the flag of a mounted group say what is on the part? */
static void judge_flag(unsigned group)
{
    uint32_t sequence = ps_sequence(&cases.memory.store, (uint8_t)group);
    bool missing = sequence != 0u && records_copies(ring_of(group), sequence) < ring_of(group)->copies;
    if (missing != says_missing(group)) {
        cases_blame(Oracle_UNFLAGGED, group, Oracle_FLAGS, oracle.groups[group].settled,
                    ps_health(&cases.memory.store, (uint8_t)group));
    }
}

/* ps_refresh restores what is missing; then no damage to one slot costs the newest value. */
static void refresh(unsigned group)
{
    const ps_group_t *ring = ring_of(group);
    uint32_t sequence;
    judge_flag(group);
    if (ps_sequence(&cases.memory.store, (uint8_t)group) == 0u) {
        ++faults_result.served[Served_NEWEST];
        return;
    }
    part_begin(&cases.trace);
    cases_demand(Oracle_UNSTABLE, group, PS_OK, ps_refresh(&cases.memory.store, (uint8_t)group));
    sequence = ps_sequence(&cases.memory.store, (uint8_t)group);
    if (says_missing(group) || records_copies(ring, sequence) < ring->copies) {
        cases_blame(Oracle_UNFLAGGED, group, Oracle_FLAGS, oracle.groups[group].settled,
                    ps_health(&cases.memory.store, (uint8_t)group));
    }
    cases_mount_judged();
    judge_flag(group);
    if (ring->copies > 1u) {
        uint32_t slot = records_place(ring, sequence - cases_draw(ring->copies));
        uint32_t page = slot / Cuts_PAGE + cases_draw(ring->slot_bytes / Cuts_PAGE);
        unsigned i;
        for (i = 0; i < Cuts_PAGE; ++i) {
            part_image[page * Cuts_PAGE + i] = (uint8_t)cases_draw(256);
        }
    }
    damage_look(Allow_SILENT);
}

/* A commit that is cut, in every way. */
static void cut_commits(unsigned group)
{
    uint32_t cycles = cases_rehearse(Op_COMMIT + group).cycles;
    uint32_t at;
    unsigned kind;
    for (at = 0; at < cycles; ++at) {
        for (kind = 0; kind < Tear_KINDS; ++kind) {
            if (cases_due()) {
                cases_mount_judged();
                part.fault = cases_cut((uint8_t)kind, at);
                (void)cases_commit_judged(group, false);
                part.fault.kind = Fault_NONE;
                cases_mount_judged();
                refresh(group);
            }
        }
    }
}

/* One wrong bit in one of the copies: the newest value is served, and it is told. */
static void damaged_copies(unsigned group)
{
    const ps_group_t *ring = ring_of(group);
    uint32_t sequence;
    uint32_t copy;
    uint32_t byte;
    cases_restore();
    (void)cases_mount();
    sequence = ps_sequence(&cases.memory.store, (uint8_t)group);
    for (copy = 0; copy < ring->copies; ++copy) {
        for (byte = 0; byte < ring->body_bytes + Records_HEADER + Records_CRC; ++byte) {
            if (cases_due()) {
                part_image[records_place(ring, sequence - copy) + byte] ^=
                    (uint8_t)(1u << cases_draw(8));
                oracle_forgive(); /* the newest number may be gone */
                cases_mount_judged();
                if (!says_missing(group)) {
                    cases_blame(Oracle_UNFLAGGED, group, Oracle_FLAGS,
                                oracle.groups[group].settled,
                                ps_health(&cases.memory.store, (uint8_t)group));
                }
                refresh(group);
            }
        }
    }
}

/* ps_provision on a blank part, cut in every way; the next boot calls it again. */
static void provisions(void)
{
    uint32_t cycles;
    uint32_t at;
    unsigned kind;
    unsigned g;
    cases_restore();
    (void)cases_mount();
    part_begin(NULL);
    (void)ps_provision(&cases.memory.store, explore_factory);
    cycles = part.cycles;
    for (at = 0; at < cycles; ++at) {
        for (kind = 0; kind < Tear_KINDS; ++kind) {
            if (!cases_due()) {
                continue;
            }
            cases_mount_judged();
            for (g = 0; g < Cuts_GROUPS; ++g) {
                oracle_try(g);
                oracle_commit_cut(g);
            }
            part.fault = cases_cut((uint8_t)kind, at);
            part_begin(NULL);
            (void)ps_provision(&cases.memory.store, explore_factory);
            part.fault.kind = Fault_NONE;
            cases_mount_judged();
            for (g = 0; g < Cuts_GROUPS; ++g) {
                judge_flag(g);
            }
            part_begin(NULL);
            cases_demand(Oracle_UNSTABLE, Cuts_GROUPS, PS_OK,
                         ps_provision(&cases.memory.store, explore_factory));
            for (g = 0; g < Cuts_GROUPS; ++g) {
                if (oracle.groups[g].settled == 0u) {
                    oracle_commit_cut(g);
                }
            }
            cases_mount_judged();
            refresh(cases_draw(Cuts_GROUPS));
        }
    }
}

void copies_run(void)
{
    unsigned group;
    cases_restore();
    if (cases_mount() == PS_BLANK) {
        provisions();
        return;
    }
    for (group = 0; group < Cuts_GROUPS; ++group) {
        if (ring_of(group)->copies > 1u) {
            cut_commits(group);
            damaged_copies(group);
        }
    }
}
