/* migrations.c: a unit of an earlier release is migrated by later firmware, and the power goes.
 *
 * ps_format commits group by group and writes the label. It is cut at each of its page writes,
 * torn in every way; the boot after that goes on with it, and is cut in the same way, as often as
 * asked. After each cut the new firmware must serve exactly what it served before the first one, and
 * a witness, other firmware, must find one complete state. Stands on the simulated part of the
 * harness in paramstore/verify/cuts; knows no record and no label.
 */
#include <stdbool.h>
#include <stddef.h>
#include <stdlib.h>
#include <string.h>

#include "part.h"
#include Cuts_HEADER

#define LEVELS 4u
#define MEMO (1u << 22)

typedef uint32_t (*witness_t)(const uint8_t *image);

enum { GOOD, STATUS, VALUES, UNSETTLED, WITNESS };

typedef struct result {
    uint64_t cuts;   /* tears that were made, equal ones counted each */
    uint64_t states; /* different ones, each of them booted */
    uint64_t boots;
    uint32_t writes; /* page writes of the migration that is not cut */
    uint32_t wrong;  /* what was wrong first */
    uint32_t path[LEVELS][4]; /* write, kind, at, seed of each cut that led there */
} result_t;

result_t migration_result;

static Cuts_STORE_T memory;
static Cuts_VALUES_T expected[2];
static witness_t witness;
static uint32_t depth, samples;
static uint64_t *memo; /* images that were judged, with the cuts that were left */

#define Cuts_SPAN(member, pictures) \
    {(uint16_t)offsetof(Cuts_VALUES_T, member), (uint16_t)sizeof(((Cuts_VALUES_T *)NULL)->member)},
static const struct { uint16_t offset, size; } spans[Cuts_GROUPS] = {Cuts_SPANS};

static ps_status_t boot(void)
{
    part.powered = true;
    part_begin(NULL);
    memset(&memory, 0xA5, sizeof memory);
    Cuts_INIT(&memory, &part_port);
    ++migration_result.boots;
    return ps_mount(&memory.store);
}

static bool mounted(ps_status_t status)
{
    return status == PS_OK || status == PS_FLAGGED || status == PS_OLDER;
}

/* Return the status of a mount of `image`, and the values that it serves. */
uint32_t migration_look(const uint8_t *image, uint8_t *values)
{
    ps_status_t status;
    part_load(image);
    status = boot();
    memcpy(values, &memory.values, sizeof memory.values);
    return (uint32_t)status;
}

/* This firmware is a witness: of each group it must find what it finds in one of both images. */
void migration_remember(const uint8_t *before, const uint8_t *after)
{
    (void)migration_look(before, (uint8_t *)&expected[0]);
    (void)migration_look(after, (uint8_t *)&expected[1]);
}

uint32_t migration_witness(const uint8_t *image)
{
    unsigned g, i;
    part_load(image);
    if (!mounted(boot())) {
        return STATUS;
    }
    for (g = 0; g < Cuts_GROUPS; ++g) {
        const uint8_t *served = (const uint8_t *)&memory.values + spans[g].offset;
        for (i = 0; i < 2u; ++i) {
            if (memcmp(served, (const uint8_t *)&expected[i] + spans[g].offset,
                       spans[g].size) == 0) {
                break;
            }
        }
        if (i == 2u) {
            return WITNESS;
        }
    }
    return GOOD;
}

/* Boot from the image as it is, and judge what is served. */
static uint32_t judge(ps_status_t *status)
{
    *status = boot();
    if (!mounted(*status)) {
        return STATUS;
    }
    if (memcmp(&memory.values, &expected[0], sizeof memory.values) != 0) {
        return VALUES;
    }
    return witness == NULL ? (uint32_t)GOOD : witness(part_image);
}

static uint32_t settled(void)
{
    ps_status_t status;
    uint32_t wrong = judge(&status);
    return wrong != GOOD ? wrong : status == PS_OLDER ? (uint32_t)UNSETTLED : (uint32_t)GOOD;
}

static bool seen(uint64_t key)
{
    uint64_t at = part_scatter(key) & (MEMO - 1u);
    unsigned tries;
    for (tries = 0; tries < 64u; ++tries, at = (at + 1u) & (MEMO - 1u)) {
        if (memo[at] == key) {
            return true;
        }
        if (memo[at] == 0u) {
            memo[at] = key;
            return false;
        }
    }
    return false;
}

static uint32_t go_on(unsigned level);

static uint32_t cut(unsigned level, const Part_write_t *write, uint32_t number, unsigned kind,
                    unsigned at, uint32_t seed)
{
    uint8_t torn[Cuts_PAGE];
    Part_tear_t tear;
    uint64_t hash;
    uint32_t wrong = GOOD;
    tear.kind = (uint8_t)kind;
    tear.rest = false;
    tear.at = (uint16_t)at;
    tear.seed = seed;
    part_tear(write, &tear, torn);
    hash = part_page_hash(write->page, torn);
    part_put(write->page, torn, write->old_hash, hash);
    ++migration_result.cuts;
    if (!seen(part.hash + (depth - level) * 0x9E3779B97F4A7C15u)) {
        ++migration_result.states;
        wrong = go_on(level + 1u);
    }
    part_put(write->page, write->before, hash, write->old_hash);
    if (wrong != GOOD && level < LEVELS) {
        uint32_t *step = migration_result.path[level];
        step[0] = number;
        step[1] = kind;
        step[2] = at;
        step[3] = seed;
    }
    return wrong;
}

static uint32_t cut_everywhere(unsigned level, const Part_write_t *write, uint32_t number)
{
    unsigned kind, at;
    uint32_t wrong = GOOD;
    for (kind = 0; kind < Tear_KINDS && wrong == GOOD; ++kind) {
        if (kind == Tear_PREFIX || kind == Tear_SUFFIX || kind == Tear_ERASED_PREFIX) {
            for (at = 1; at < write->count && wrong == GOOD; ++at) {
                wrong = cut(level, write, number, kind, at, 0);
            }
        } else if (kind == Tear_MIX || kind == Tear_NOISE) {
            for (at = 0; at < samples && wrong == GOOD; ++at) {
                wrong = cut(level, write, number, kind, 0, at + 1u + 1000u * number);
            }
        } else {
            wrong = cut(level, write, number, kind, 0, 0);
        }
    }
    return wrong;
}

/* The unit as it is now: judge it; if it is not migrated yet, do that to its end, and cut it at each
 * page write. The image is as before when this returns, unless something was wrong. */
static uint32_t go_on(unsigned level)
{
    Part_trace_t *trace;
    ps_status_t status;
    uint32_t i, wrong = judge(&status);
    if (wrong != GOOD || (status != PS_OLDER && level > 0u)) {
        return wrong;
    }
    trace = malloc(sizeof *trace);
    part_begin(trace);
    if (ps_format(&memory.store) != PS_OK || trace->count > Cuts_MAX_WRITES) {
        free(trace);
        return STATUS;
    }
    if (level == 0u) {
        migration_result.writes = trace->count;
    }
    wrong = settled();
    for (i = trace->count; i-- > 0u;) {
        const Part_write_t *write = &trace->writes[i];
        part_put(write->page, write->before, write->new_hash, write->old_hash);
    }
    for (i = 0; i < trace->count && level < depth && wrong == GOOD; ++i) {
        const Part_write_t *write = &trace->writes[i];
        wrong = cut_everywhere(level, write, i);
        part_put(write->page, write->after, write->old_hash, write->new_hash);
    }
    for (; i-- > 0u && level < depth;) {
        const Part_write_t *write = &trace->writes[i];
        part_put(write->page, write->before, write->new_hash, write->old_hash);
    }
    free(trace);
    return wrong;
}

/* Take `image` over with up to `cuts` cuts. Return what was wrong, 0 for nothing. */
uint32_t migration_run(const uint8_t *image, uint32_t cuts, uint32_t random, witness_t other)
{
    memset(&migration_result, 0, sizeof migration_result);
    depth = cuts;
    samples = random;
    witness = other;
    memo = calloc(MEMO, sizeof *memo);
    (void)migration_look(image, (uint8_t *)&expected[0]);
    migration_result.wrong = go_on(0);
    free(memo);
    return migration_result.wrong;
}
