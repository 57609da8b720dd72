/* faults.c: see faults.h. */
#include "faults.h"

#include "bytes.h"
#include "explore.h"
#include "oracle.h"
#include "part.h"

faults_job_t faults_job;
faults_result_t faults_result;
uint32_t faults_limits[2];
const uint32_t faults_sizes[2] = {sizeof faults_job, sizeof faults_result};

#define MOST_POLLS 41u /* questions to a busy part before a call gives up, and some that do not matter */
#define ROUNDS 100u    /* commits in a row that are cut */
#define PAGES (CUTS_CAPACITY / CUTS_PAGE)

static CUTS_STORE_T memory; /* the RAM of the firmware */
static part_trace_t trace;
static uint8_t start_image[CUTS_CAPACITY];
static oracle_t start_known;
static uint64_t chance;
static bool ready;  /* the store was mounted with a label */
static bool sound;  /* no promise has been broken in this case */

static uint32_t draw(uint32_t end)
{
    chance += 0x9E3779B97F4A7C15u;
    return (uint32_t)(((part_scatter(chance) >> 32) * end) >> 32);
}

/* ---- Cases --------------------------------------------------------------------------------- */

static void restore(void)
{
    memcpy(part_image, start_image, CUTS_CAPACITY);
    oracle = start_known;
    part.fault.kind = FAULT_NONE;
    part.busy = 0;
}

/* Begin the next case, if it is to be done. */
static bool due(void)
{
    uint32_t number = faults_result.cases++;
    if (faults_job.only != FAULTS_ALL ? number != faults_job.only
                                      : number % faults_job.stride != 0u) {
        return false;
    }
    ++faults_result.tried;
    chance = part_scatter((uint64_t)faults_job.seed << 32 | number);
    sound = true;
    restore();
    return true;
}

static void judge(const oracle_finding_t *finding)
{
    if (finding->verdict == ORACLE_GOOD || !sound) {
        return; /* one violation of a case is enough */
    }
    sound = false;
    if (faults_result.violations++ == 0u) {
        faults_result.first = faults_result.cases - 1u;
        faults_result.finding = *finding;
    }
}

static void blame(uint32_t verdict, uint32_t group, uint32_t what, uint32_t expected,
                  uint32_t found)
{
    const oracle_finding_t finding = oracle_finding(verdict, group, what, expected, found);
    judge(&finding);
}

static void measure(uint32_t *longest, uint32_t limit)
{
    if (*longest < part.bits) {
        *longest = part.bits;
    }
    if (part.bits > limit) {
        blame(ORACLE_LONG, CUTS_GROUPS, ORACLE_BITS, limit, part.bits);
    }
}

/* ---- Calls --------------------------------------------------------------------------------- */

static bool label_whole(uint32_t at)
{
    return memcmp(part_image + at, CUTS_LAYOUT.label, CUTS_LAYOUT.label_bytes) == 0;
}

/* A controller that starts; the part may have had its power all the time. It must not write. */
static ps_status_t mount(void)
{
    ps_status_t status;
    part.powered = true;
    memset(&memory, 0xA5, sizeof memory); /* what RAM holds when a controller starts */
    CUTS_INIT(&memory, &part_port);
    part_begin(NULL);
    status = ps_mount(&memory.store);
    measure(&faults_result.mount_bits, faults_limits[0]);
    if (part.cycles != 0u) {
        blame(ORACLE_OUTSIDE, CUTS_GROUPS, ORACLE_WRITES, 0, part.cycles);
    }
    return status;
}

static void mount_judged(void)
{
    bool first = label_whole(0);
    bool second = label_whole(CUTS_LAYOUT.label_step);
    ps_status_t status = mount();
    oracle_finding_t finding = oracle_boot(&memory.store, status, first, second);
    ready = first || second;
    judge(&finding);
}

static ps_status_t commit(unsigned group)
{
    ps_status_t status;
    (void)ps_unlock(&memory.store, (uint8_t)group);
    oracle_next(group, &memory.values);
    (void)ps_touch(&memory.store, (uint8_t)group);
    part_begin(&trace);
    status = ps_commit(&memory.store, (uint8_t)group);
    measure(&faults_result.commit_bits, faults_limits[1]);
    return status;
}

/* With `must`, it may not fail. */
static ps_status_t commit_judged(unsigned group, bool must)
{
    ps_status_t status = commit(group);
    if (status == PS_OK || (must && ready)) {
        oracle_finding_t finding = oracle_commit_done(&memory.store, group, status, ready);
        judge(&finding);
    } else {
        ++faults_result.failed;
        oracle_commit_cut(group);
    }
    return status;
}

/* A store that has come through: it takes a commit of a group, and keeps it. */
static void go_on(unsigned group)
{
    mount_judged();
    if (ready) {
        (void)commit_judged(group, true);
        mount_judged();
    }
}

/* ---- Faults that strike a call ------------------------------------------------------------- */

/* Bytes and write cycles of an operation in which nothing goes wrong. */
static void rehearse(unsigned operation, uint32_t *sent, uint32_t *cycles)
{
    restore();
    mount_judged();
    if (operation >= OP_COMMIT) {
        (void)commit(operation - OP_COMMIT);
    } else if (operation == OP_FORMAT) {
        part_begin(NULL);
        (void)ps_format(&memory.store);
    }
    *sent = part.sent;
    *cycles = part.cycles;
    restore();
}

/* Do an operation with a fault, then without. `must`: it may not fail all the same. */
static void strike(unsigned operation, const part_fault_t *fault, bool must)
{
    unsigned group = operation >= OP_COMMIT ? operation - OP_COMMIT
                                            : faults_result.cases % CUTS_GROUPS;
    bool reset = fault->kind == FAULT_RESET;
    ps_status_t status;
    mount_judged();
    part.fault = *fault;
    if (operation == OP_BOOT) {
        bool first = label_whole(0);
        bool second = label_whole(CUTS_LAYOUT.label_step);
        status = mount();
        if (status < PS_ERR_NACK || must) {
            oracle_finding_t finding = oracle_boot(&memory.store, status, first, second);
            judge(&finding);
        } else {
            ++faults_result.failed;
        }
    } else if (operation == OP_FORMAT) {
        part_begin(&trace);
        status = ps_format(&memory.store);
        faults_result.failed += status != PS_OK;
        if (must && status != PS_OK) {
            blame(ORACLE_UNSTABLE, CUTS_GROUPS, ORACLE_STATUS, PS_OK, (uint32_t)status);
        }
    } else {
        status = commit_judged(group, must);
    }
    part.fault.kind = FAULT_NONE;
    part.busy = reset && part.cycles > 0u ? MOST_POLLS / 2u : 0u;
    if (operation >= OP_COMMIT && status != PS_OK && !reset) {
        (void)commit_judged(group, true); /* without a boot in between */
    }
    ++faults_result.served[SERVED_NEWEST];
    go_on(group);
}

static part_fault_t fault_of(uint8_t kind, uint32_t at, uint32_t more, uint32_t mask)
{
    part_fault_t fault;
    memset(&fault, 0, sizeof fault);
    fault.kind = kind;
    fault.at = at;
    fault.more = more;
    fault.mask = mask;
    return fault;
}

static void on_the_bus(uint8_t kind, uint32_t more)
{
    unsigned operation;
    for (operation = 0; operation < EXPLORE_OPERATIONS; ++operation) {
        uint32_t sent;
        uint32_t cycles;
        uint32_t at;
        if (operation == OP_WIPE) {
            continue;
        }
        rehearse(operation, &sent, &cycles);
        for (at = 0; at < sent; ++at) {
            part_fault_t fault = fault_of(kind, at, more, 0);
            if (due()) {
                strike(operation, &fault, kind == FAULT_NACK && more == 0u);
            }
        }
    }
}

static bool can_pass(unsigned operation)
{
    return operation >= OP_COMMIT && CUTS_LAYOUT.groups[operation - OP_COMMIT].slots > 2u;
}

static void in_page_write(uint8_t kind, unsigned operation, uint32_t at)
{
    static const uint8_t polls[] = {1, MOST_POLLS - 2u, 120};
    part_fault_t fault = fault_of(kind, at, 0, 0);
    unsigned i;
    switch (kind) {
    case FAULT_BROWNOUT:
        for (i = 0; i < TEAR_KINDS; ++i) {
            fault.tear.kind = (uint8_t)i;
            if (due()) {
                fault.tear.at = (uint16_t)(1u + draw(CUTS_PAGE - 1u));
                fault.tear.seed = draw(0xFFFFFFFFu);
                strike(operation, &fault, can_pass(operation));
            }
        }
        break;
    case FAULT_SLOW:
        for (i = 0; i < sizeof polls; ++i) {
            fault.mask = polls[i];
            if (due()) {
                strike(operation, &fault, polls[i] < MOST_POLLS);
            }
        }
        break;
    default:
        if (due()) {
            strike(operation, &fault, can_pass(operation));
        }
        break;
    }
}

static void protected_from(unsigned operation, uint32_t at)
{
    part_fault_t fault = fault_of(FAULT_LOST, at, FAULT_FOR_EVER, 0);
    if (due()) {
        strike(operation, &fault, false);
    }
}

static void in_page_writes(uint8_t kind)
{
    unsigned operation;
    for (operation = OP_FORMAT; operation < EXPLORE_OPERATIONS; ++operation) {
        uint32_t sent;
        uint32_t cycles;
        uint32_t at;
        if (operation == OP_WIPE) {
            continue;
        }
        rehearse(operation, &sent, &cycles);
        for (at = 0; at < cycles; ++at) {
            if (kind == FAULT_NONE) {
                protected_from(operation, at);
            } else {
                in_page_write(kind, operation, at);
            }
        }
    }
}

/* A hundred commits of a group, each cut in a page write, each followed by a boot. */
static void cut_rounds(unsigned group)
{
    const ps_group_t *ring = &CUTS_LAYOUT.groups[group];
    uint32_t pages = (uint32_t)ring->copies * (ring->slot_bytes / CUTS_PAGE);
    unsigned round;
    for (round = 0; round < ROUNDS; ++round) {
        mount_judged();
        part.fault = fault_of(FAULT_CUT, draw(pages), 0, 0);
        part.fault.tear.kind = (uint8_t)draw(TEAR_KINDS);
        part.fault.tear.at = (uint16_t)(1u + draw(CUTS_PAGE - 1u));
        part.fault.tear.seed = draw(0xFFFFFFFFu);
        (void)commit_judged(group, false);
        part.fault.kind = FAULT_NONE;
    }
    ++faults_result.served[SERVED_NEWEST];
    go_on(group);
}

static void brownouts(void)
{
    unsigned group;
    unsigned life;
    for (group = 0; group < CUTS_GROUPS; ++group) {
        for (life = 0; life < 16u; ++life) {
            if (due()) {
                cut_rounds(group);
            }
        }
    }
}

/* ---- Faults that last ---------------------------------------------------------------------- */

/* Commit a group once round its ring and further, with a boot after each commit. */
static void live_with(unsigned group, const part_fault_t *fault)
{
    const ps_group_t *ring = &CUTS_LAYOUT.groups[group];
    unsigned left;
    for (left = ring->slots / ring->copies + 2u; left > 0u && sound; --left) {
        mount_judged();
        part.fault = *fault;
        (void)commit_judged(group, ring->slots > 2u);
        part.fault.kind = FAULT_NONE;
    }
    ++faults_result.served[SERVED_NEWEST];
    mount_judged();
}

static void worn(bool whole_page)
{
    unsigned group;
    uint32_t page;
    unsigned byte;
    for (group = 0; group < CUTS_GROUPS; ++group) {
        const ps_group_t *ring = &CUTS_LAYOUT.groups[group];
        uint32_t first = ring->address / CUTS_PAGE;
        uint32_t pages = (uint32_t)ring->slots * ring->slot_bytes / CUTS_PAGE;
        for (page = first; page < first + pages; ++page) {
            part_fault_t fault = fault_of(FAULT_DEAD, page, 0, 0);
            if (whole_page && due()) {
                live_with(group, &fault);
            }
            for (byte = 0; !whole_page && byte < CUTS_PAGE; ++byte) {
                if (due()) {
                    fault = fault_of(FAULT_STUCK, page, byte, (uint32_t)1 << draw(8));
                    live_with(group, &fault);
                }
            }
        }
    }
}

/* ---- Damage ---------------------------------------------------------------------------------- */

/* What a boot may serve in place of the newest values; those of a group kept in copies never, unless
 * more than one slot is damaged. */
typedef enum allowance {
    ALLOW_FLAGGED, /* something older or defaults, flagged */
    ALLOW_SILENT,  /* something older without a flag: on such a part that is what was committed last */
    ALLOW_REFUSAL  /* and the part need not be taken for ours */
} allowance_t;

/* Is it a page of a label or of a ring? */
static bool used(uint32_t page)
{
    unsigned g;
    uint32_t at = page * CUTS_PAGE;
    for (g = 0; g < CUTS_GROUPS; ++g) {
        const ps_group_t *ring = &CUTS_LAYOUT.groups[g];
        if (at - ring->address < (uint32_t)ring->slots * ring->slot_bytes) {
            return true;
        }
    }
    return at < 2u * CUTS_LAYOUT.label_step;
}

static void fill(uint32_t from, uint32_t count, unsigned with)
{
    uint32_t i;
    for (i = from; i < from + count; ++i) {
        part_image[i] = with < 2u ? (uint8_t)(0u - with) : (uint8_t)draw(256);
    }
}

/* Make the part usable again, and demand that it is. What no layout uses may hold a label that was
 * shifted there: it is erased before. */
static void mend(ps_status_t status, allowance_t allowed)
{
    uint32_t page;
    unsigned g;
    for (page = 0; status >= PS_ERR_NACK && page < PAGES; ++page) {
        if (!used(page)) {
            fill(page * CUTS_PAGE, CUTS_PAGE, 1);
        }
    }
    if (status >= PS_ERR_NACK && (ps_wipe(&memory.store) != PS_OK || mount() != PS_BLANK)) {
        blame(ORACLE_REFUSED, CUTS_GROUPS, ORACLE_STATUS, PS_BLANK, (uint32_t)status);
        return;
    }
    status = ps_format(&memory.store);
    if (status == PS_ERR_PART && allowed == ALLOW_REFUSAL) {
        return; /* a label half way up: as on a part of half the size */
    }
    if (status != PS_OK) {
        blame(ORACLE_UNSTABLE, CUTS_GROUPS, ORACLE_STATUS, PS_OK, (uint32_t)status);
        return;
    }
    oracle_forgive();
    ready = true;
    for (g = 0; g < CUTS_GROUPS; ++g) {
        (void)commit_judged(g, true);
    }
    mount_judged();
}

/* With a power of two of slots, one wrong bit can turn the newest number into that of the lap before. */
static bool hides(const ps_group_t *ring)
{
    return (ring->slots & (ring->slots - 1u)) == 0u;
}

/* The part is damaged: mount, see what is served, mend. */
static void look(allowance_t allowed)
{
    ps_status_t status = mount();
    unsigned worst = SERVED_NEWEST;
    unsigned g;
    if (status >= PS_ERR_NACK) {
        ++faults_result.refused;
        if (allowed != ALLOW_REFUSAL) {
            blame(ORACLE_REFUSED, CUTS_GROUPS, ORACLE_STATUS, PS_OK, (uint32_t)status);
        }
    } else {
        for (g = 0; g < CUTS_GROUPS; ++g) {
            unsigned served = oracle_served(&memory.store, g);
            uint32_t settled = oracle.groups[g].settled;
            bool kept = CUTS_LAYOUT.groups[g].copies > 1u && settled != 0u;
            uint32_t version = oracle_version(&memory.store, g);
            worst = worst < served ? served : worst;
            if (served == SERVED_WRONG) {
                blame(ORACLE_MIXED, g, ORACLE_VERSION, settled, version);
            } else if (served == SERVED_SILENTLY && allowed == ALLOW_FLAGGED &&
                       !hides(&CUTS_LAYOUT.groups[g])) {
                blame(ORACLE_UNFLAGGED, g, ORACLE_FLAGS, version,
                      ps_health(&memory.store, (uint8_t)g));
            } else if (served != SERVED_NEWEST && kept && allowed != ALLOW_REFUSAL) {
                blame(ORACLE_LOST, g, ORACLE_VERSION, settled, version);
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
    uint32_t length = 2u + draw(31);
    uint32_t i;
    for (i = 0; i < length && first + i < end; ++i) {
        if (i == 0u || i + 1u == length || draw(2) != 0u) {
            flip(first + i);
        }
    }
}

/* Bits of one label copy, or of one slot: from byte `from`, `count` bytes. */
static void rot_in(uint32_t kind, uint32_t from, uint32_t count)
{
    uint32_t bit;
    for (bit = 8u * from; bit < 8u * (from + count); ++bit) {
        if (!due()) {
            continue;
        }
        if (kind == CLASS_BURST) {
            burst(bit, 8u * (from + count));
        } else {
            flip(bit);
        }
        if (kind == CLASS_BITS) {
            flip(8u * from + (bit - 8u * from + 1u + draw(8u * count - 1u)) % (8u * count));
        }
        look(kind == CLASS_BIT ? ALLOW_FLAGGED : ALLOW_SILENT);
    }
}

static void rot(uint32_t kind)
{
    unsigned group;
    unsigned slot;
    rot_in(kind, 0, CUTS_LAYOUT.label_bytes);
    rot_in(kind, CUTS_LAYOUT.label_step, CUTS_LAYOUT.label_bytes);
    for (group = 0; group < CUTS_GROUPS; ++group) {
        const ps_group_t *ring = &CUTS_LAYOUT.groups[group];
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
    for (page = 0; page < PAGES; ++page) {
        for (i = 0; used(page) && kind == CLASS_PAGE && i < 3u; ++i) {
            if (due()) {
                fill(page * CUTS_PAGE, CUTS_PAGE, (unsigned)i);
                look(ALLOW_SILENT);
            }
        }
        for (i = 1; used(page) && kind == CLASS_SWAPPED && i < PAGES; i <<= 1) {
            if (due()) {
                memcpy(part_image + page * CUTS_PAGE, start_image + (page ^ i) * CUTS_PAGE,
                       CUTS_PAGE);
                look(ALLOW_SILENT);
            }
        }
        if (kind == CLASS_TRUNCATED && due()) {
            fill(page * CUTS_PAGE, CUTS_CAPACITY - page * CUTS_PAGE, 1);
            look(ALLOW_REFUSAL);
        }
    }
}

/* A page of the last commit of a group has what it held before. */
static void stale(void)
{
    unsigned group;
    uint32_t i;
    for (group = 0; group < CUTS_GROUPS; ++group) {
        uint32_t writes = CUTS_MAX_WRITES;
        for (i = 0; i < writes; ++i) {
            bool wanted = due();
            restore();
            mount_judged();
            (void)commit_judged(group, true);
            writes = trace.count;
            if (wanted) {
                memcpy(part_image + trace.writes[i].page * CUTS_PAGE, trace.writes[i].before,
                       CUTS_PAGE);
                look(ALLOW_SILENT);
            }
        }
    }
}

static void strays(void)
{
    unsigned operation;
    uint32_t at;
    uint32_t mask;
    for (operation = OP_COMMIT; operation < EXPLORE_OPERATIONS; ++operation) {
        uint32_t sent;
        uint32_t cycles;
        rehearse(operation, &sent, &cycles);
        for (at = 0; at < cycles; ++at) {
            for (mask = CUTS_PAGE; mask < CUTS_CAPACITY; mask <<= 1) {
                if (!due()) {
                    continue;
                }
                mount_judged();
                part.fault = fault_of(FAULT_STRAY, at, 0, mask);
                (void)commit_judged(operation - OP_COMMIT, can_pass(operation));
                part.fault.kind = FAULT_NONE;
                look(ALLOW_SILENT);
            }
        }
    }
}

/* Whole parts that are not what they should be. */
static void parts(uint32_t kind)
{
    uint32_t i;
    uint32_t at;
    for (i = 1; kind == CLASS_ALIAS && i < CUTS_CAPACITY; i <<= 1) {
        if (due()) {
            part.fault = fault_of(FAULT_ALIAS, 0, 0, i);
            (void)mount();
            part.fault.kind = FAULT_NONE;
            for (at = 0; at < CUTS_CAPACITY; ++at) {
                part_image[at] = start_image[at & ~i];
            }
            look(ALLOW_REFUSAL);
        }
    }
    for (i = 1; kind == CLASS_SHIFTED && i < CUTS_CAPACITY; i <<= 1) {
        for (at = 0; at < 2u; ++at) {
            uint32_t by = at != 0u ? CUTS_CAPACITY - i : i;
            if (due()) {
                memcpy(part_image, start_image + by, CUTS_CAPACITY - by);
                memcpy(part_image + CUTS_CAPACITY - by, start_image, by);
                look(ALLOW_REFUSAL);
            }
        }
    }
    for (i = 0; kind == CLASS_FOREIGN && i < 1000u; ++i) {
        if (due()) {
            fill(i % 2u != 0u ? 0u : 2u * CUTS_LAYOUT.label_step,
                 i % 2u != 0u ? CUTS_CAPACITY : CUTS_CAPACITY - 2u * CUTS_LAYOUT.label_step,
                 i < 4u ? i / 2u : 2u);
            look(ALLOW_REFUSAL);
        }
    }
}

/* ---- Runs ------------------------------------------------------------------------------------ */

uint32_t faults_run(void)
{
    memcpy(start_image, part_image, CUTS_CAPACITY);
    start_known = oracle;
    memset(&faults_result, 0, sizeof faults_result);
    faults_result.first = FAULTS_ALL;
    switch (faults_job.kind) {
    case CLASS_NACK: on_the_bus(FAULT_NACK, 0); break;
    case CLASS_SILENT: on_the_bus(FAULT_NACK, FAULT_FOR_EVER); break;
    case CLASS_HELD_ONCE: on_the_bus(FAULT_HELD, 0); break;
    case CLASS_HELD: on_the_bus(FAULT_HELD, FAULT_FOR_EVER); break;
    case CLASS_RESET: on_the_bus(FAULT_RESET, 0); break;
    case CLASS_BROWNOUT: in_page_writes(FAULT_BROWNOUT); break;
    case CLASS_SLOW: in_page_writes(FAULT_SLOW); break;
    case CLASS_LOST: in_page_writes(FAULT_LOST); break;
    case CLASS_PROTECTED: in_page_writes(FAULT_NONE); break;
    case CLASS_WORN: worn(true); break;
    case CLASS_STUCK: worn(false); break;
    case CLASS_STRAY: strays(); break;
    case CLASS_BROWNOUTS: brownouts(); break;
    case CLASS_BIT:
    case CLASS_BITS:
    case CLASS_BURST: rot(faults_job.kind); break;
    case CLASS_PAGE:
    case CLASS_SWAPPED:
    case CLASS_TRUNCATED: pages(faults_job.kind); break;
    case CLASS_STALE: stale(); break;
    default: parts(faults_job.kind); break;
    }
    restore();
    return faults_result.violations != 0u;
}
