/* histories.c: see histories.h. */
#include "histories.h"

#include "bytes.h"
#include "cells.h"
#include "marks.h"
#include "part.h"
#include Cuts_HEADER

#define GROUP 0u
#define Most_EARLIER 64u /* commits before the first boot that is judged */
#define Most_VERSIONS (Most_EARLIER + (Histories_BOOTS + 1u) * Histories_COMMITS + 2u)

Histories_job_t histories_job;
Histories_result_t histories_result;
const uint32_t histories_sizes[2] = {sizeof histories_job, sizeof histories_result};

static Cuts_STORE_T memory; /* the RAM of the firmware */

/* What there is to know of the history so far. Versions are numbered as they are first tried. */
static struct {
    uint32_t salt;
    uint32_t tried;       /* newest version that a commit tried to write */
    uint32_t kept;        /* version of the last acknowledged commit */
    uint32_t kept_tried;  /* `tried` when it was */
    uint32_t used;        /* newest version that a boot used */
    uint32_t wrong;       /* bits by kind */
    bool acknowledged[Most_VERSIONS];
} life;

static void note(unsigned kind)
{
    life.wrong |= (uint32_t)1 << kind;
}

static void judge(uint32_t version)
{
    if (version == Marks_NONE) {
        note(History_MIXED);
        return;
    }
    /* What was tried before the last acknowledged commit, and is not what that one wrote, is gone. */
    if (version != life.kept && version <= life.kept_tried) {
        note(History_LOST);
        if (!life.acknowledged[version]) {
            note(History_RETURNED);
        }
    }
    if (version < life.used) {
        note(History_BACK);
    } else {
        life.used = version;
    }
}

/* Commit the values in RAM. False: the power is off, or it failed. */
static bool commit(uint32_t version)
{
    ps_status_t status = ps_unlock(&memory.store, GROUP);
    if (status == PS_OK) {
        status = ps_touch(&memory.store, GROUP);
    }
    if (status == PS_OK) {
        status = ps_commit(&memory.store, GROUP);
    }
    if (status == PS_OK) {
        life.kept = version;
        life.kept_tried = life.tried;
        life.acknowledged[version] = true;
    } else if (cells.powered) {
        note(History_FAILED);
    }
    return status == PS_OK;
}

static bool commit_new(void)
{
    ++life.tried;
    marks_put(&memory.store, GROUP, life.salt, life.tried);
    return commit(life.tried);
}

static void switch_on(void)
{
    cells.powered = true;
    cells.cut_in = Cells_NEVER;
    memset(&memory, 0xA5, sizeof memory); /* what RAM holds when a controller starts */
    Cuts_INIT(&memory, &cells_port);
}

/* Mount and use the values. False: the boot ends here. */
static bool begin(void)
{
    ps_status_t status = ps_mount(&memory.store);
    uint32_t version;
    uint32_t wrong;
    uint32_t used;
    if (status != PS_OK && status != PS_FLAGGED) {
        note(History_FAILED);
        return false;
    }
    if ((ps_health(&memory.store, GROUP) & PS_HEALTH_DEFAULTS) != 0u) {
        note(History_EMPTY);
        note(History_LOST);
        return true; /* there is nothing to settle */
    }
    version = marks_get(&memory.store, GROUP, life.salt, life.tried);
    wrong = life.wrong;
    used = life.used;
    judge(version);
    if (histories_job.settle != 0u && version != Marks_NONE && !commit(version)) {
        /* Cut before the values were used: nothing has come of them. */
        life.wrong = wrong | (life.wrong & (uint32_t)1 << History_FAILED);
        life.used = used;
        return false;
    }
    return true;
}

static void boot(bool last)
{
    const ps_group_t *ring = &Cuts_LAYOUT.groups[GROUP];
    uint32_t commits = 1u + cells_below(Histories_COMMITS);
    uint32_t writes = ring->copies * ((ring->body_bytes + 9u + Cuts_PAGE - 1u) / Cuts_PAGE);
    bool cut = !last && cells_below(256u) < histories_job.chance;
    switch_on();
    if (cut) {
        cells.cut_in = cells_below((commits + (histories_job.settle != 0u)) * writes);
    }
    ++histories_result.boots;
    if (begin()) {
        for (; commits > 0u && commit_new(); --commits) {
        }
    }
    histories_result.cuts += !cells.powered;
}

static void history(uint32_t number, const uint8_t *formatted)
{
    uint32_t slots = Cuts_LAYOUT.groups[GROUP].slots;
    uint32_t left;
    unsigned kind;
    memset(&life, 0, sizeof life);
    cells_begin(part_scatter((uint64_t)histories_job.seed << 32 | number));
    cells.bits = histories_job.bits;
    cells.share = histories_job.share;
    life.salt = cells_below(0xFFFFFFFFu);
    memcpy(part_image, formatted, Cuts_CAPACITY);
    switch_on();
    (void)ps_mount(&memory.store);
    left = 1u + cells_below(2u * slots < Most_EARLIER ? 2u * slots : Most_EARLIER);
    while (left > 0u && commit_new()) {
        --left;
    }
    for (left = 2u + cells_below(Histories_BOOTS - 1u); left > 0u; --left) {
        boot(false);
    }
    boot(true);
    for (kind = 0; kind < History_KINDS; ++kind) {
        histories_result.histories[kind] += life.wrong >> kind & 1u;
    }
}

uint32_t histories_run(void)
{
    static uint8_t formatted[Cuts_CAPACITY];
    uint32_t i;
    memset(&histories_result, 0, sizeof histories_result);
    part_load(NULL);
    cells_begin(0);
    switch_on();
    if (ps_mount(&memory.store) != PS_BLANK || ps_format(&memory.store) != PS_OK) {
        return 1;
    }
    memcpy(formatted, part_image, Cuts_CAPACITY);
    for (i = 0; i < histories_job.count; ++i) {
        history(histories_job.first + i, formatted);
    }
    return 0;
}
