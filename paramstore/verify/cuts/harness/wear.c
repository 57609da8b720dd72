/* wear.c: see wear.h. */
#include "wear.h"

#include "bytes.h"
#include "cells.h"
#include "marks.h"
#include "part.h"
#include Cuts_HEADER

Wear_job_t wear_job;
Wear_result_t wear_result;
const uint32_t wear_sizes[2] = {sizeof wear_job, sizeof wear_result};

static Cuts_STORE_T memory; /* the RAM of the firmware */

static ps_status_t mount(void)
{
    memset(&memory, 0xA5, sizeof memory); /* what RAM holds when a controller starts */
    Cuts_INIT(&memory, &cells_port);
    return ps_mount(&memory.store);
}

static ps_status_t commit(uint32_t version)
{
    uint8_t group = (uint8_t)wear_job.group;
    ps_status_t status = ps_unlock(&memory.store, group);
    marks_put(&memory.store, group, wear_job.seed, version);
    if (status == PS_OK) {
        status = ps_touch(&memory.store, group);
    }
    return status == PS_OK ? ps_commit(&memory.store, group) : status;
}

/* Mount anew. `last`: the newest version that may be served; it is more than the acknowledged one if
 * a commit failed, which may have written one of its copies. */
static void look(uint32_t last)
{
    ps_status_t status = mount();
    uint32_t version = marks_get(&memory.store, wear_job.group, wear_job.seed, last);
    ++wear_result.looks;
    if ((status != PS_OK && status != PS_FLAGGED) || version == Marks_NONE ||
        version < wear_result.commits) {
        ++wear_result.lost;
    }
}

static void weigh_pages(void)
{
    const ps_group_t *ring = &Cuts_LAYOUT.groups[wear_job.group];
    uint32_t first = ring->address / Cuts_PAGE;
    uint32_t pages = (uint32_t)ring->slots * ring->slot_bytes / Cuts_PAGE;
    uint32_t i;
    wear_result.least = 0xFFFFFFFFu;
    for (i = 0; i < Cells_PAGES; ++i) {
        uint32_t cycles = cells.cycles[i];
        if (i < first || i >= first + pages) {
            wear_result.outside += cycles;
            continue;
        }
        wear_result.sum += cycles;
        wear_result.least = cycles < wear_result.least ? cycles : wear_result.least;
        wear_result.greatest = cycles > wear_result.greatest ? cycles : wear_result.greatest;
    }
}

static void wear_out(void)
{
    while (wear_result.commits < wear_job.most) {
        uint32_t refused = cells.refused;
        bool done = commit(wear_result.commits + 1u) == PS_OK;
        if (refused == 0u && cells.refused != 0u) {
            wear_result.fresh_commits = wear_result.commits;
            weigh_pages();
        }
        if (!done) {
            wear_result.ended = 1;
            break;
        }
        ++wear_result.commits;
        if (cells.refused != refused || wear_result.commits % wear_job.look == 0u) {
            look(wear_result.commits);
        }
    }
}

uint32_t wear_run(void)
{
    uint32_t i;
    memset(&wear_result, 0, sizeof wear_result);
    part_load(NULL);
    cells_begin(part_scatter(wear_job.seed));
    if (mount() != PS_BLANK || ps_format(&memory.store) != PS_OK) {
        return 1;
    }
    for (i = 0; i < Cells_PAGES; ++i) {
        cells.cycles[i] = 0;
        cells.life[i] = wear_job.endurance + cells_below(wear_job.spread + 1u);
    }
    wear_out();
    if (cells.refused == 0u) {
        wear_result.fresh_commits = wear_result.commits;
        weigh_pages();
    }
    wear_result.refused = cells.refused;
    look(wear_result.commits + wear_result.ended);
    return 0;
}
