/* damage.c: bytes that changed at rest; see faults.h. */
#include "bytes.h"
#include "cases.h"
#include "classes.h"
#include "explore.h"
#include "faults.h"

/* Is it a page of a label or of a ring? */
static bool used(uint32_t page)
{
    unsigned g;
    uint32_t at = page * Cuts_PAGE;
    for (g = 0; g < Cuts_GROUPS; ++g) {
        const ps_group_t *ring = &Cuts_LAYOUT.groups[g];
        if (at - ring->address < (uint32_t)ring->slots * ring->slot_bytes) {
            return true;
        }
    }
    return at < 2u * Cuts_LAYOUT.label_step;
}

static void fill(uint32_t from, uint32_t count, unsigned with)
{
    uint32_t i;
    for (i = from; i < from + count; ++i) {
        part_image[i] = with < 2u ? (uint8_t)(0u - with) : (uint8_t)cases_draw(256);
    }
}

/* Make the part usable again, and demand that it is. What no layout uses may hold a label that was
 * shifted there: it is erased before. */
static void mend(ps_status_t status, Allowance_t allowed)
{
    uint32_t page;
    unsigned g;
    for (page = 0; ps_failed(status) && page < Cases_PAGES; ++page) {
        if (!used(page)) {
            fill(page * Cuts_PAGE, Cuts_PAGE, 1);
        }
    }
    if (ps_failed(status) && (ps_wipe(&cases.memory.store) != PS_OK || cases_mount() != PS_BLANK)) {
        cases_blame(Oracle_REFUSED, Cuts_GROUPS, Oracle_STATUS, PS_BLANK, (uint32_t)status);
        return;
    }
    status = ps_format(&cases.memory.store);
    if (status == PS_ERR_PART && allowed == Allow_REFUSAL) {
        return; /* a label half way up: as on a part of half the size */
    }
    if (status != PS_OK) {
        cases_blame(Oracle_UNSTABLE, Cuts_GROUPS, Oracle_STATUS, PS_OK, (uint32_t)status);
        return;
    }
    oracle_forgive();
    cases.ready = true;
    for (g = 0; g < Cuts_GROUPS; ++g) {
        (void)cases_commit_judged(g, true);
    }
    cases_mount_judged();
}

/* With a power of two of slots, one wrong bit can turn the newest number into that of the lap before. */
static bool hides(const ps_group_t *ring)
{
    return (ring->slots & (ring->slots - 1u)) == 0u;
}

void damage_look(Allowance_t allowed)
{
    ps_status_t status = cases_mount();
    unsigned worst = Served_NEWEST;
    unsigned g;
    if (ps_failed(status)) {
        ++faults_result.refused;
        if (allowed != Allow_REFUSAL) {
            cases_blame(Oracle_REFUSED, Cuts_GROUPS, Oracle_STATUS, PS_OK, (uint32_t)status);
        }
    } else {
        for (g = 0; g < Cuts_GROUPS; ++g) {
            unsigned served = oracle_served(&cases.memory.store, g);
            uint32_t settled = oracle.groups[g].settled;
            bool kept = Cuts_LAYOUT.groups[g].copies > 1u && settled != 0u;
            uint32_t version = oracle_version(&cases.memory.store, g);
            worst = worst < served ? served : worst;
            if (served == Served_WRONG) {
                cases_blame(Oracle_MIXED, g, Oracle_VERSION, settled, version);
            } else if (served == Served_SILENTLY && allowed == Allow_FLAGGED &&
                       !hides(&Cuts_LAYOUT.groups[g])) {
                cases_blame(Oracle_UNFLAGGED, g, Oracle_FLAGS, version,
                      ps_health(&cases.memory.store, (uint8_t)g));
            } else if (served != Served_NEWEST && kept && allowed != Allow_REFUSAL) {
                cases_blame(Oracle_LOST, g, Oracle_VERSION, settled, version);
            }
        }
        ++faults_result.served[worst];
    }
    mend(status, allowed);
}

static void flip(uint32_t bit)
{
    part_image[bit / 8u] ^= (uint8_t)(1u << bit % 8u);
}

/* Up to 32 bits in a row: both ends, and those between by chance. */
static void burst(uint32_t first, uint32_t end)
{
    uint32_t length = 2u + cases_draw(31);
    uint32_t i;
    for (i = 0; i < length && first + i < end; ++i) {
        if (i == 0u || i + 1u == length || cases_draw(2) != 0u) {
            flip(first + i);
        }
    }
}

/* Bits of one label copy, or of one slot: from byte `from`, `count` bytes. */
static void rot_in(uint32_t kind, uint32_t from, uint32_t count)
{
    uint32_t bit;
    for (bit = 8u * from; bit < 8u * (from + count); ++bit) {
        if (!cases_due()) {
            continue;
        }
        if (kind == Class_BURST) {
            burst(bit, 8u * (from + count));
        } else {
            flip(bit);
        }
        if (kind == Class_BITS) {
            flip(8u * from + (bit - 8u * from + 1u + cases_draw(8u * count - 1u)) % (8u * count));
        }
        damage_look(kind == Class_BIT ? Allow_FLAGGED : Allow_SILENT);
    }
}

static void rot(uint32_t kind)
{
    unsigned group;
    unsigned slot;
    rot_in(kind, 0, Cuts_LAYOUT.label_bytes);
    rot_in(kind, Cuts_LAYOUT.label_step, Cuts_LAYOUT.label_bytes);
    for (group = 0; group < Cuts_GROUPS; ++group) {
        const ps_group_t *ring = &Cuts_LAYOUT.groups[group];
        for (slot = 0; slot < ring->slots; ++slot) {
            rot_in(kind, ring->address + (uint32_t)slot * ring->slot_bytes,
                   ring->body_bytes + 9u);
        }
    }
}

static void pages(uint32_t kind)
{
    uint32_t page;
    uint32_t i;
    for (page = 0; page < Cases_PAGES; ++page) {
        for (i = 0; used(page) && kind == Class_PAGE && i < 3u; ++i) {
            if (cases_due()) {
                fill(page * Cuts_PAGE, Cuts_PAGE, (unsigned)i);
                damage_look(Allow_SILENT);
            }
        }
        for (i = 1; used(page) && kind == Class_SWAPPED && i < Cases_PAGES; i <<= 1) {
            if (cases_due()) {
                memcpy(part_image + page * Cuts_PAGE, cases.image + (page ^ i) * Cuts_PAGE,
                       Cuts_PAGE);
                damage_look(Allow_SILENT);
            }
        }
        if (kind == Class_TRUNCATED && cases_due()) {
            fill(page * Cuts_PAGE, Cuts_CAPACITY - page * Cuts_PAGE, 1);
            damage_look(Allow_REFUSAL);
        }
    }
}

/* A page of the last commit of a group has what it held before. */
static void stale(void)
{
    unsigned group;
    uint32_t i;
    for (group = 0; group < Cuts_GROUPS; ++group) {
        uint32_t writes = Cuts_MAX_WRITES;
        for (i = 0; i < writes; ++i) {
            bool wanted = cases_due();
            cases_restore();
            cases_mount_judged();
            (void)cases_commit_judged(group, true);
            writes = cases.trace.count;
            if (wanted) {
                memcpy(part_image + cases.trace.writes[i].page * Cuts_PAGE, cases.trace.writes[i].before,
                       Cuts_PAGE);
                damage_look(Allow_SILENT);
            }
        }
    }
}

static void strays(void)
{
    unsigned operation;
    uint32_t at;
    uint32_t mask;
    for (operation = Op_COMMIT; operation < Explore_OPERATIONS; ++operation) {
        uint32_t cycles = cases_rehearse(operation).cycles;
        for (at = 0; at < cycles; ++at) {
            for (mask = Cuts_PAGE; mask < Cuts_CAPACITY; mask <<= 1) {
                if (!cases_due()) {
                    continue;
                }
                cases_mount_judged();
                part.fault = cases_fault(Fault_STRAY, at, 0, mask);
                (void)cases_commit_judged(operation - Op_COMMIT, cases_can_pass(operation));
                part.fault.kind = Fault_NONE;
                damage_look(Allow_SILENT);
            }
        }
    }
}

/* Whole parts that are not what they should be. */
static void parts(uint32_t kind)
{
    uint32_t i;
    uint32_t at;
    for (i = 1; kind == Class_ALIAS && i < Cuts_CAPACITY; i <<= 1) {
        if (cases_due()) {
            part.fault = cases_fault(Fault_ALIAS, 0, 0, i);
            (void)cases_mount();
            part.fault.kind = Fault_NONE;
            for (at = 0; at < Cuts_CAPACITY; ++at) {
                part_image[at] = cases.image[at & ~i];
            }
            damage_look(Allow_REFUSAL);
        }
    }
    for (i = 1; kind == Class_SHIFTED && i < Cuts_CAPACITY; i <<= 1) {
        for (at = 0; at < 2u; ++at) {
            uint32_t by = at != 0u ? Cuts_CAPACITY - i : i;
            if (cases_due()) {
                memcpy(part_image, cases.image + by, Cuts_CAPACITY - by);
                memcpy(part_image + Cuts_CAPACITY - by, cases.image, by);
                damage_look(Allow_REFUSAL);
            }
        }
    }
    for (i = 0; kind == Class_FOREIGN && i < 1000u; ++i) {
        if (cases_due()) {
            fill(i % 2u != 0u ? 0u : 2u * Cuts_LAYOUT.label_step,
                 i % 2u != 0u ? Cuts_CAPACITY : Cuts_CAPACITY - 2u * Cuts_LAYOUT.label_step,
                 i < 4u ? i / 2u : 2u);
            damage_look(Allow_REFUSAL);
        }
    }
}

void damage_run(uint32_t kind)
{
    switch (kind) {
    case Class_STRAY: strays(); break;
    case Class_BIT:
    case Class_BITS:
    case Class_BURST: rot(kind); break;
    case Class_PAGE:
    case Class_SWAPPED:
    case Class_TRUNCATED: pages(kind); break;
    case Class_STALE: stale(); break;
    default: parts(kind); break;
    }
}
