/* explore.c: see explore.h. */
#include "explore.h"

#include "bytes.h"

Explore_job_t explore_job;
Explore_result_t explore_result;
Explore_step_t explore_path[Explore_LEVELS];
uint32_t explore_steps;
uint8_t explore_factory[Cuts_CAPACITY];
Explore_seen_t explore_seen;
const uint32_t explore_sizes[4] = {sizeof explore_job, sizeof explore_result,
                                   sizeof(Oracle_limits_t), sizeof(Cuts_VALUES_T)};

/* A page write of n bytes is torn in 6n - 1 + 2 * samples ways at most, the hit rest included. */
#define Most_SAMPLES 64u
#define Most_TEARS (2u * (3u * (Cuts_PAGE - 1u) + 6u + 2u * Most_SAMPLES))

/* A state of a torn page, and how many tears lead to it. */
typedef struct torn {
    uint64_t hash;
    Part_tear_t tear;
    uint32_t times;
} Torn_t;

/* One level of the tree. `memory` and `known` are as they were before the operation. */
typedef struct level {
    Cuts_STORE_T memory;
    Oracle_t known;
    Explore_tally_t tally;
    Part_trace_t trace;
    Torn_t torn[Most_TEARS];
} Level_t;

static Cuts_STORE_T memory; /* the RAM of the firmware */
static bool ready;          /* a label was whole when the store was mounted or formatted */
static Level_t levels[Explore_LEVELS];

static void explore(unsigned level, unsigned left, unsigned cuts);

/* ---- Operations ---------------------------------------------------------------------------- */

static bool label_whole(uint32_t at)
{
    return memcmp(part_image + at, Cuts_LAYOUT.label, Cuts_LAYOUT.label_bytes) == 0;
}

/* Whether the label copy that counts is that of the earlier release the part began with. */
static bool label_older(void)
{
    uint32_t step = Cuts_LAYOUT.label_step;
    bool first = memcmp(part_image, explore_factory, Cuts_LAYOUT.label_bytes) == 0;
    bool second = memcmp(part_image + step, explore_factory + step, Cuts_LAYOUT.label_bytes) == 0;
    return explore_job.packed == 2u && (first || (second && !label_whole(0)));
}

static void raise_to(uint32_t *longest, uint32_t bits)
{
    if (*longest < bits) {
        *longest = bits;
    }
}

static void switch_on(void)
{
    part.powered = true;
    memset(&memory, 0xA5, sizeof memory); /* what RAM holds when a controller starts */
    Cuts_INIT(&memory, &part_port);
}

/* Equal runs have equal digests, whatever processor does them. */
static void witness(uint32_t verdict_is)
{
    uint64_t seen = part_scatter(explore_result.digest + part.hash) + verdict_is;
    unsigned g;
    for (g = 0; g < Cuts_GROUPS; ++g) {
        uint32_t served = (uint32_t)oracle.groups[g].settled << 8 |
                          ps_health(&memory.store, (uint8_t)g);
        seen = part_scatter(seen + ((uint64_t)ps_sequence(&memory.store, (uint8_t)g) << 32 | served));
    }
    explore_result.digest = seen;
}

static Oracle_finding_t do_boot(Part_trace_t *trace)
{
    Oracle_finding_t finding;
    bool first = label_whole(0);
    bool second = label_whole(Cuts_LAYOUT.label_step);
    ps_status_t status;
    oracle.older = label_older();
    switch_on();
    part_begin(trace);
    status = ps_mount(&memory.store);
    raise_to(&explore_result.mount_bits, part.bits);
    ready = (first || second) && oracle.older == 0u;
    ++explore_result.boots;
    if (!part.powered) {
        return oracle_good;
    }
    finding = oracle_boot(&memory.store, status, first, second);
    ready = ready && oracle.refused == 0u;
    if (finding.verdict == Oracle_GOOD && part.bits > oracle_limits.mount_bits) {
        finding = oracle_finding(Oracle_LONG, Cuts_GROUPS, Oracle_BITS, oracle_limits.mount_bits,
                                 part.bits);
    }
    witness(finding.verdict);
    return finding;
}

static Oracle_finding_t do_format(Part_trace_t *trace)
{
    Oracle_finding_t finding;
    ps_status_t status;
    part_begin(trace);
    status = ps_format(&memory.store);
    raise_to(&explore_result.format_bits, part.bits);
    if (!part.powered) {
        return oracle_good;
    }
    ready = status == PS_OK;
    oracle.older = oracle.older != 0u && status != PS_OK;
    finding = oracle_format_done(status);
    if (finding.verdict == Oracle_GOOD && part.bits > oracle_limits.format_bits) {
        finding = oracle_finding(Oracle_LONG, Cuts_GROUPS, Oracle_BITS, oracle_limits.format_bits,
                                 part.bits);
    }
    return finding;
}

uint32_t explore_remains(void)
{
    unsigned g;
    uint32_t at;
    for (g = 0; g < Cuts_LAYOUT.ring_count; ++g) {
        const ps_group_t *ring = &Cuts_LAYOUT.groups[g];
        uint32_t end = ring->address + (uint32_t)ring->slots * ring->slot_bytes;
        for (at = ring->address; at < end; ++at) {
            if (part_image[at] != 0xFFu) {
                return at;
            }
        }
    }
    for (at = 0; at < 2u * Cuts_LAYOUT.label_step; ++at) {
        if (at % Cuts_LAYOUT.label_step < Cuts_LAYOUT.label_bytes && part_image[at] != 0xFFu) {
            return at;
        }
    }
    return Cuts_CAPACITY;
}

static Oracle_finding_t do_wipe(Part_trace_t *trace)
{
    ps_status_t status;
    uint32_t left;
    part_begin(trace);
    status = ps_wipe(&memory.store);
    raise_to(&explore_result.wipe_bits, part.bits);
    if (!part.powered) {
        oracle_wipe_cut();
        return oracle_good;
    }
    ready = false;
    oracle_wiped();
    if (status != PS_OK) {
        return oracle_finding(Oracle_UNSTABLE, Cuts_GROUPS, Oracle_STATUS, PS_OK, (uint32_t)status);
    }
    left = explore_remains();
    return left == Cuts_CAPACITY ? oracle_good
                                 : oracle_finding(Oracle_REMAINS, Cuts_GROUPS, Oracle_BYTE, left,
                                                  part_image[left]);
}

/* A commit writes to the pages of its ring, and no more of them than planned. */
static Oracle_finding_t judge_writes(unsigned group, const Part_trace_t *trace)
{
    const ps_group_t *ring = &Cuts_LAYOUT.groups[group];
    uint32_t first = ring->address / Cuts_PAGE;
    uint32_t pages = (uint32_t)ring->slots * ring->slot_bytes / Cuts_PAGE;
    uint32_t i;
    if (trace->count > oracle_limits.commit_writes[group]) {
        return oracle_finding(Oracle_WEAR, group, Oracle_WRITES,
                              oracle_limits.commit_writes[group], trace->count);
    }
    for (i = 0; i < trace->count; ++i) {
        uint32_t page = trace->writes[i].page;
        if (page - first >= pages) {
            return oracle_finding(Oracle_OUTSIDE, group, Oracle_PAGE, first, page);
        }
    }
    if (part.bits > oracle_limits.commit_bits[group]) {
        return oracle_finding(Oracle_LONG, group, Oracle_BITS, oracle_limits.commit_bits[group],
                              part.bits);
    }
    return oracle_good;
}

static Oracle_finding_t do_commit(unsigned group, Part_trace_t *trace)
{
    Oracle_finding_t finding;
    ps_status_t status;
    (void)ps_unlock(&memory.store, (uint8_t)group);
    oracle_next(group, &memory.values);
    (void)ps_touch(&memory.store, (uint8_t)group);
    part_begin(trace);
    status = ps_commit(&memory.store, (uint8_t)group);
    raise_to(&explore_result.commit_bits[group], part.bits);
    if (!part.powered) {
        oracle_commit_cut(group);
        return oracle_good;
    }
    finding = oracle_commit_done(&memory.store, group, status, ready);
    return finding.verdict == Oracle_GOOD && trace != NULL ? judge_writes(group, trace) : finding;
}

static Oracle_finding_t operate(unsigned operation, Part_trace_t *trace)
{
    explore_result.calls += operation != Op_BOOT;
    switch (operation) {
    case Op_BOOT: return do_boot(trace);
    case Op_FORMAT: return do_format(trace);
    case Op_WIPE: return do_wipe(trace);
    default: return do_commit(operation - Op_COMMIT, trace);
    }
}

/* The oracle hears of a cut in an operation that the harness has run to its end. */
static void tell_cut(unsigned operation)
{
    if (operation == Op_WIPE) {
        oracle_wipe_cut();
    } else if (operation >= Op_COMMIT) {
        unsigned group = operation - Op_COMMIT;
        oracle_try(group);
        oracle_commit_cut(group);
    }
}

/* ---- Results ------------------------------------------------------------------------------- */

static void tally_add(Explore_tally_t *to, const Explore_tally_t *from, uint64_t times)
{
    unsigned row;
    unsigned column;
    for (row = 0; row <= Explore_DEPTH; ++row) {
        for (column = 0; column < Explore_COLUMNS; ++column) {
            to->count[row][column] += times * from->count[row][column];
        }
    }
}

static unsigned column_of(const Part_tear_t *tear)
{
    return tear->rest ? Column_REST : tear->kind;
}

static void note(const Oracle_finding_t *finding, unsigned steps)
{
    if (explore_result.saved < Explore_SAVED) {
        Explore_violation_t *violation = &explore_result.violation[explore_result.saved++];
        violation->finding = *finding;
        violation->steps = steps;
        memcpy(violation->step, explore_path, steps * sizeof explore_path[0]);
    }
    ++explore_result.violations;
}

/* ---- Tears --------------------------------------------------------------------------------- */

/* The tears of one page write, gathered into the different states that they leave. */
typedef struct gathering {
    Level_t *level;
    const Part_write_t *write;
    uint64_t *histories; /* row of the tally in which each tear counts */
    uint64_t chance;
    unsigned states;
    uint32_t shares;
} Gathering_t;

enum { BUCKETS = 4096 };
static uint16_t buckets[BUCKETS]; /* 0: empty, else index of a state, from 1 */

static void gather(Gathering_t *g, unsigned kind, unsigned at, bool rest)
{
    uint8_t bytes[Cuts_PAGE];
    Part_tear_t tear;
    Torn_t *state;
    uint64_t hash;
    unsigned place;
    tear.kind = (uint8_t)kind;
    tear.rest = rest;
    tear.at = (uint16_t)at;
    g->chance = part_scatter(g->chance + 1u);
    tear.seed = (uint32_t)g->chance;
    part_tear(g->write, &tear, bytes);
    hash = part_page_hash(g->write->page, bytes);
    place = (unsigned)hash % BUCKETS;
    while (buckets[place] != 0u && g->level->torn[buckets[place] - 1u].hash != hash) {
        place = (place + 1u) % BUCKETS;
    }
    if (buckets[place] == 0u) {
        state = &g->level->torn[g->states];
        state->hash = hash;
        state->tear = tear;
        state->times = 0;
        buckets[place] = (uint16_t)++g->states;
    }
    state = &g->level->torn[buckets[place] - 1u];
    ++state->times;
    if ((buckets[place] - 1u) % g->shares == explore_job.share % g->shares) {
        ++g->histories[column_of(&tear)];
    }
}

/* Every tear of a page write. Chance depends on the seed of the job and on the contents of the page
 * only, so that a history does not depend on how the work is shared out. Returns the states. */
static unsigned gather_all(Level_t *level, const Part_write_t *write, uint64_t *histories,
                           uint32_t shares)
{
    static const uint8_t whole[] = {Tear_OLD,   Tear_NEW, Tear_ERASED,
                                    Tear_ZEROS, Tear_AND, Tear_OR};
    static const uint8_t parts[] = {Tear_PREFIX, Tear_SUFFIX, Tear_ERASED_PREFIX};
    Gathering_t g;
    unsigned i;
    unsigned at;
    unsigned rest;
    g.level = level;
    g.write = write;
    g.histories = histories;
    g.chance = part_scatter(explore_job.seed + write->old_hash + 3u * write->new_hash);
    g.states = 0;
    g.shares = shares;
    memset(buckets, 0, sizeof buckets);
    for (rest = 0; rest <= (write->count < Cuts_PAGE ? 1u : 0u); ++rest) {
        for (i = 0; i < sizeof whole; ++i) {
            gather(&g, whole[i], 0, rest != 0u);
        }
        for (i = 0; i < sizeof parts; ++i) {
            for (at = 1; at < write->count; ++at) {
                gather(&g, parts[i], at, rest != 0u);
            }
        }
        for (i = 0; i < explore_job.samples && i < Most_SAMPLES; ++i) {
            gather(&g, Tear_MIX, 0, rest != 0u);
            gather(&g, Tear_NOISE, 0, rest != 0u);
        }
    }
    return g.states;
}

/* ---- The tree ------------------------------------------------------------------------------ */

static void play(unsigned level, unsigned operation, unsigned left, unsigned cuts);

static unsigned cuts_used(unsigned cuts)
{
    return explore_job.depth - cuts;
}

/* Boot from a torn page, and go on. The level above has the tear in its step. */
static void boot_torn(unsigned level, const Torn_t *torn, unsigned left, unsigned cuts)
{
    const Part_tear_t *tear = &torn->tear;
    ++explore_result.torn;
    explore_result.random += tear->rest || tear->kind == Tear_MIX || tear->kind == Tear_NOISE;
    levels[level].known = oracle;
    memset(&levels[level].tally, 0, sizeof levels[level].tally);
    play(level, Op_BOOT, left, cuts);
}

/* The power goes inside page write `k` of the operation of this level. The code before the cut
 * cannot know of it, so what the cut leaves is exactly this: the part as it was, the page writes
 * before, and the torn page. Leaves the part with page write `k` done. */
static void cut_at(unsigned level, unsigned k, unsigned left, unsigned cuts)
{
    Level_t *here = &levels[level];
    const Part_write_t *write = &here->trace.writes[k];
    Explore_step_t *step = &explore_path[level];
    uint32_t shares = level == 0u && explore_job.shares > 1u ? explore_job.shares : 1u;
    unsigned states = gather_all(here, write, here->tally.count[cuts_used(cuts) + 1u], shares);
    uint64_t hash = write->old_hash;
    unsigned i;
    for (i = explore_job.share % shares; i < states; i += shares) {
        const Torn_t *torn = &here->torn[i];
        uint8_t bytes[Cuts_PAGE];
        part_tear(write, &torn->tear, bytes);
        part_put(write->page, bytes, hash, torn->hash);
        hash = torn->hash;
        oracle = here->known;
        tell_cut(step->operation);
        step->write = k;
        step->kind = torn->tear.kind;
        step->rest = torn->tear.rest;
        step->at = torn->tear.at;
        step->seed = torn->tear.seed;
        boot_torn(level + 1u, torn, left, cuts - 1u);
        if (left > 0u || levels[level + 1u].trace.count > 0u) {
            tally_add(&here->tally, &levels[level + 1u].tally, torn->times);
        }
    }
    part_put(write->page, write->after, hash, write->new_hash);
}

/* Run an operation on the state that the part, the oracle and the memory are in; then everything that
 * may follow; then cut it. Leaves the part as it found it. */
static void play(unsigned level, unsigned operation, unsigned left, unsigned cuts)
{
    Level_t *here = &levels[level];
    Part_trace_t *trace = &here->trace;
    Explore_step_t *step = &explore_path[level];
    Oracle_finding_t finding;
    unsigned k;
    memset(step, 0, sizeof *step);
    step->operation = operation;
    step->write = Explore_NO_CUT;
    explore_steps = level + 1u;
    finding = operate(operation, trace);
    if (trace->count > Cuts_MAX_WRITES) {
        finding = oracle_finding(Oracle_WEAR, Cuts_GROUPS, Oracle_WRITES, Cuts_MAX_WRITES,
                                 trace->count);
        trace->count = Cuts_MAX_WRITES;
    }
    if (finding.verdict != Oracle_GOOD) {
        note(&finding, level + 1u);
    } else if ((left > 0u || operation != Op_BOOT) && (level > 0u || explore_job.share == 0u)) {
        explore(level + 1u, left, cuts);
        tally_add(&here->tally, &levels[level + 1u].tally, 1);
    }
    for (k = trace->count; k-- > 0u;) {
        const Part_write_t *write = &trace->writes[k];
        part_put(write->page, write->before, write->new_hash, write->old_hash);
    }
    if (cuts > 0u && trace->count > 0u) {
        for (k = 0; k < trace->count; ++k) {
            cut_at(level, k, left, cuts);
        }
        for (k = trace->count; k-- > 0u;) {
            const Part_write_t *write = &trace->writes[k];
            part_put(write->page, write->before, write->new_hash, write->old_hash);
        }
    }
}

/* ---- Equal states -------------------------------------------------------------------------- */

/* States from which everything has been tried, and how many histories that were. A state is the
 * image, what the oracle knows and every byte of RAM; pointers are others in each process, so two of
 * them, which never change, are left out, and the group at hand goes by its distance from the first.
 * It is told by a number of 64 bits. A state whose place is taken by a later one is only tried
 * again. */
#if Cuts_MEMO > 0
typedef struct memo {
    uint64_t state; /* 0: empty */
    Explore_tally_t tally;
} Memo_t;

static Memo_t memos[Cuts_MEMO];

static uint64_t hash_bytes(uint64_t hash, const void *bytes, size_t count)
{
    const uint8_t *at = (const uint8_t *)bytes;
    for (; count >= 4u; count -= 4u, at += 4) {
        uint32_t word;
        memcpy(&word, at, 4);
        hash = (hash ^ word) * 0x9E3779B97F4A7C15u;
        hash ^= hash >> 29;
    }
    for (; count > 0u; --count, ++at) {
        hash = (hash ^ *at) * 0x9E3779B97F4A7C15u;
        hash ^= hash >> 29;
    }
    return hash;
}

static uint64_t state_of(unsigned left, unsigned cuts)
{
    uint64_t hash = part_scatter(part.hash) + left * 16u + cuts * 2u + (ready ? 1u : 0u);
    Cuts_STORE_T plain;
    const ps_group_t *at_hand = memory.store.group;
    uint32_t distance =
        at_hand == NULL ? 0u
                        : (uint32_t)((uintptr_t)at_hand - (uintptr_t)memory.store.layout->groups) + 1u;
    memcpy(&plain, &memory, sizeof plain);
    plain.store.layout = NULL;
    plain.store.port = NULL;
    plain.store.group = NULL;
    hash = hash_bytes(hash, &distance, sizeof distance);
    hash = hash_bytes(hash, &oracle, sizeof oracle);
    hash = hash_bytes(hash, &plain, sizeof plain);
    return hash | 1u;
}

static void memo_forget(void)
{
    memset(memos, 0, sizeof memos);
}
#endif

/* ---- Workloads ----------------------------------------------------------------------------- */

/* Run every operation that may come next, or the boot that ends a history. */
static void explore(unsigned level, unsigned left, unsigned cuts)
{
    Level_t *here = &levels[level];
    unsigned done = explore_job.operations - left; /* operations before this one */
    unsigned row = cuts_used(cuts);
    bool was_ready = ready;
    unsigned i;
#if Cuts_MEMO > 0
    bool remember = left > 0u && done >= explore_job.fixed;
    uint64_t state = remember ? state_of(left, cuts) : 0u;
    Memo_t *memo = &memos[state / 2u % Cuts_MEMO];
    if (remember && memo->state == state) {
        here->tally = memo->tally;
        return;
    }
#endif
    here->memory = memory;
    here->known = oracle;
    memset(&here->tally, 0, sizeof here->tally);
    if (left == 0u) {
        ++here->tally.count[row][Column_LATER];
        play(level, Op_BOOT, 0, cuts);
        return;
    }
    for (i = 0; i < (done < explore_job.fixed ? 1u : explore_job.letters); ++i) {
        unsigned operation =
            done < explore_job.fixed ? explore_job.prefix[done] : explore_job.alphabet[i];
        memory = here->memory;
        oracle = here->known;
        ready = was_ready;
        here->tally.count[row][Column_LATER] +=
            operation == Op_BOOT && (level > 0u || explore_job.share == 0u);
        play(level, operation, left - 1u, cuts);
    }
#if Cuts_MEMO > 0
    if (remember) {
        memo->state = state;
        memo->tally = here->tally;
    }
#endif
}

/* ---- Start states -------------------------------------------------------------------------- */

uint32_t explore_learn(uint32_t index)
{
    ps_status_t status;
    part_load(index < Cuts_PICTURES ? explore_factory : NULL);
    switch_on();
    status = ps_mount(&memory.store);
    oracle_pictures[index] = memory.values;
    return (uint32_t)status;
}

uint32_t explore_see(void)
{
    ps_status_t status;
    unsigned g;
    part_load(explore_factory);
    switch_on();
    part_begin(NULL);
    status = ps_mount(&memory.store);
    explore_seen.values = memory.values;
    for (g = 0; g < Cuts_GROUPS; ++g) {
        explore_seen.health[g] = ps_health(&memory.store, (uint8_t)g);
    }
    return (uint32_t)status;
}

/* One operation of the way to the start state. It must succeed. */
static bool prepare(unsigned operation)
{
    Oracle_finding_t finding = operate(operation, NULL);
    memset(&explore_path[0], 0, sizeof explore_path[0]);
    explore_path[0].operation = operation;
    explore_path[0].write = Explore_NO_CUT;
    if (finding.verdict != Oracle_GOOD) {
        note(&finding, 1);
    }
    return finding.verdict == Oracle_GOOD;
}

uint32_t explore_start(void)
{
    bool sound;
    uint32_t round;
    unsigned g;
    explore_steps = 0;
    memset(&explore_result, 0, sizeof explore_result);
    part_load(explore_job.packed != 0u ? explore_factory : NULL);
    if (explore_job.packed != 0u) {
        oracle_packed(explore_job.packed == 2u ? explore_job.present : 0xFFFFFFFFu);
    } else {
        oracle_blank();
    }
    sound = prepare(Op_BOOT) && (explore_job.rounds == 0u || explore_job.packed != 0u ||
                                 prepare(Op_FORMAT));
    for (round = 0; sound && round < explore_job.rounds; ++round) {
        for (g = 0; sound && g < Cuts_GROUPS; ++g) {
            bool pass = explore_job.pass != 0u && round + 1u == explore_job.rounds &&
                        Cuts_LAYOUT.groups[g].slots > 2u;
            part.fault.kind = pass ? Fault_LOST : Fault_NONE;
            part.fault.at = 0;
            part.fault.more = 0;
            sound = prepare(Op_COMMIT + g);
        }
    }
    part.fault.kind = Fault_NONE;
    sound = sound && (explore_job.rounds == 0u || prepare(Op_BOOT));
    return sound ? 0u : 1u;
}

uint32_t explore_run(void)
{
#if Cuts_MEMO > 0
    memo_forget();
#endif
    if (explore_start() != 0u) {
        return 1;
    }
    memset(&explore_result, 0, sizeof explore_result);
    oracle_late = 0;
    explore(0, explore_job.operations, explore_job.depth);
    explore_result.histories = levels[0].tally;
    explore_result.late = oracle_late;
    return explore_result.violations != 0u;
}

/* ---- One history --------------------------------------------------------------------------- */

uint32_t explore_replay(uint32_t steps)
{
    Explore_step_t path[Explore_LEVELS];
    Oracle_finding_t finding = oracle_good;
    unsigned i;
    memcpy(path, explore_path, sizeof path);
    memset(&explore_result, 0, sizeof explore_result);
    for (i = 0; i < steps && i < Explore_LEVELS && finding.verdict == Oracle_GOOD; ++i) {
        part.fault.kind = path[i].write == Explore_NO_CUT ? Fault_NONE : Fault_CUT;
        part.fault.at = path[i].write;
        part.fault.more = 0;
        part.fault.tear.kind = (uint8_t)path[i].kind;
        part.fault.tear.rest = path[i].rest != 0u;
        part.fault.tear.at = (uint16_t)path[i].at;
        part.fault.tear.seed = path[i].seed;
        explore_steps = i + 1u;
        finding = operate(path[i].operation, &levels[0].trace);
        part.fault.kind = Fault_NONE;
    }
    memcpy(explore_path, path, sizeof path);
    if (finding.verdict != Oracle_GOOD) {
        note(&finding, i);
    }
    return finding.verdict;
}
