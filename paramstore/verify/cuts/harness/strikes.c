/* strikes.c: faults that strike a running call, and faults that last; see faults.h. */
#include "bytes.h"
#include "cases.h"
#include "classes.h"
#include "explore.h"
#include "faults.h"

#define Most_POLLS 41u /* questions to a busy part before a call gives up, and some that do not matter */
#define ROUNDS 100u    /* commits in a row that are cut */

/* ---- Faults that strike a call ------------------------------------------------------------- */

/* The call that is struck; returns its status. */
static ps_status_t struck_call(unsigned operation, bool must)
{
    ps_status_t status;
    if (operation == Op_BOOT) {
        bool first = cases_label_whole(0);
        bool second = cases_label_whole(Cuts_LAYOUT.label_step);
        status = cases_mount();
        if (status < PS_ERR_NACK || must) {
            Oracle_finding_t finding = oracle_boot(&cases.memory.store, status, first, second);
            cases_judge(&finding);
        } else {
            ++faults_result.failed;
        }
        return status;
    }
    if (operation == Op_FORMAT) {
        part_begin(&cases.trace);
        status = ps_format(&cases.memory.store);
        faults_result.failed += status != PS_OK;
        cases.ready = cases.ready || status == PS_OK;
        if (must) {
            cases_demand(Oracle_UNSTABLE, Cuts_GROUPS, PS_OK, status);
        }
        return status;
    }
    if (operation >= Cases_RELOAD) {
        return cases_reload_judged(operation - Cases_RELOAD, must);
    }
    return cases_commit_judged(operation - Op_COMMIT, must);
}

static unsigned group_of(unsigned operation)
{
    return operation >= Cases_RELOAD ? operation - Cases_RELOAD
         : operation >= Op_COMMIT    ? operation - Op_COMMIT
                                     : faults_result.cases % Cuts_GROUPS;
}

/* Do an operation with a fault, then without. `must`: it may not fail all the same. */
static void strike(unsigned operation, const Part_fault_t *fault, bool must)
{
    unsigned group = group_of(operation);
    bool reset = fault->kind == Fault_RESET;
    ps_status_t status;
    cases_mount_judged();
    part.fault = *fault;
    status = struck_call(operation, must);
    part.fault.kind = Fault_NONE;
    part.busy = reset && part.cycles > 0u ? Most_POLLS / 2u : 0u;
    if (fault->kind == Fault_UNREAD ? cases.ready && status < PS_ERR_NACK
                                    : operation >= Op_COMMIT && operation < Cases_RELOAD &&
                                          status != PS_OK && !reset) {
        (void)cases_commit_judged(group, true); /* without a boot in between */
    }
    ++faults_result.served[Served_NEWEST];
    cases_go_on(group);
}

static void on_the_bus(uint8_t kind, uint32_t more)
{
    unsigned operation;
    for (operation = 0; operation < Cases_OPERATIONS; ++operation) {
        uint32_t sent;
        uint32_t at;
        if (operation == Op_WIPE) {
            continue;
        }
        sent = cases_rehearse(operation).sent;
        for (at = 0; at < sent; ++at) {
            Part_fault_t fault = cases_fault(kind, at, more, 0);
            if (cases_due()) {
                strike(operation, &fault, kind == Fault_NACK && more == 0u);
            }
        }
    }
}

/* Must a call succeed in which one read goes wrong? Not if it keeps bytes that it does not know. */
static bool reads_again(unsigned operation)
{
    return operation < Op_COMMIT || operation >= Cases_RELOAD ||
           (Cuts_LAYOUT.groups[operation - Op_COMMIT].flags & PS_RESERVED) == 0u;
}

static void in_reads(void)
{
    unsigned operation;
    for (operation = 0; operation < Cases_OPERATIONS; ++operation) {
        uint32_t read;
        uint32_t at;
        if (operation == Op_WIPE) {
            continue; /* see hostile.c */
        }
        read = cases_rehearse(operation).read;
        for (at = 0; at < read; ++at) {
            Part_fault_t fault = cases_fault(Fault_UNREAD, at, 0, 0);
            if (cases_due()) {
                strike(operation, &fault, reads_again(operation));
            }
        }
    }
}

static void in_page_write(uint8_t kind, unsigned operation, uint32_t at)
{
    static const uint8_t polls[] = {1, Most_POLLS - 2u, 120};
    Part_fault_t fault = cases_fault(kind, at, 0, 0);
    unsigned i;
    switch (kind) {
    case Fault_BROWNOUT:
        for (i = 0; i < Tear_KINDS; ++i) {
            fault.tear.kind = (uint8_t)i;
            if (cases_due()) {
                fault.tear.at = (uint16_t)(1u + cases_draw(Cuts_PAGE - 1u));
                fault.tear.seed = cases_draw(0xFFFFFFFFu);
                strike(operation, &fault, cases_can_pass(operation));
            }
        }
        break;
    case Fault_SLOW:
        for (i = 0; i < sizeof polls; ++i) {
            fault.mask = polls[i];
            if (cases_due()) {
                strike(operation, &fault, polls[i] < Most_POLLS);
            }
        }
        break;
    default:
        if (cases_due()) {
            strike(operation, &fault, cases_can_pass(operation));
        }
        break;
    }
}

static void protected_from(unsigned operation, uint32_t at)
{
    Part_fault_t fault = cases_fault(Fault_LOST, at, Fault_FOR_EVER, 0);
    if (cases_due()) {
        strike(operation, &fault, false);
    }
}

static void in_page_writes(uint8_t kind)
{
    unsigned operation;
    for (operation = Op_FORMAT; operation < Explore_OPERATIONS; ++operation) {
        uint32_t cycles;
        uint32_t at;
        if (operation == Op_WIPE) {
            continue;
        }
        cycles = cases_rehearse(operation).cycles;
        for (at = 0; at < cycles; ++at) {
            if (kind == Fault_NONE) {
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
    const ps_group_t *ring = &Cuts_LAYOUT.groups[group];
    uint32_t pages = (uint32_t)ring->copies * (ring->slot_bytes / Cuts_PAGE);
    unsigned round;
    for (round = 0; round < ROUNDS; ++round) {
        cases_mount_judged();
        part.fault = cases_cut((uint8_t)cases_draw(Tear_KINDS), cases_draw(pages));
        (void)cases_commit_judged(group, false);
        part.fault.kind = Fault_NONE;
    }
    ++faults_result.served[Served_NEWEST];
    cases_go_on(group);
}

static void brownouts(void)
{
    unsigned group;
    unsigned life;
    for (group = 0; group < Cuts_GROUPS; ++group) {
        for (life = 0; life < 16u; ++life) {
            if (cases_due()) {
                cut_rounds(group);
            }
        }
    }
}

/* ---- Faults that last ---------------------------------------------------------------------- */

/* Commit a group once round its ring and further, with a boot after each commit. */
static void live_with(unsigned group, const Part_fault_t *fault)
{
    const ps_group_t *ring = &Cuts_LAYOUT.groups[group];
    unsigned left;
    for (left = ring->slots / ring->copies + 2u; left > 0u && cases.sound; --left) {
        cases_mount_judged();
        part.fault = *fault;
        (void)cases_commit_judged(group, ring->slots > 2u);
        part.fault.kind = Fault_NONE;
    }
    ++faults_result.served[Served_NEWEST];
    cases_mount_judged();
}

static void worn(bool whole_page)
{
    unsigned group;
    uint32_t page;
    unsigned byte;
    for (group = 0; group < Cuts_GROUPS; ++group) {
        const ps_group_t *ring = &Cuts_LAYOUT.groups[group];
        uint32_t first = ring->address / Cuts_PAGE;
        uint32_t pages = (uint32_t)ring->slots * ring->slot_bytes / Cuts_PAGE;
        for (page = first; page < first + pages; ++page) {
            Part_fault_t fault = cases_fault(Fault_DEAD, page, 0, 0);
            if (whole_page && cases_due()) {
                live_with(group, &fault);
            }
            for (byte = 0; !whole_page && byte < Cuts_PAGE; ++byte) {
                if (cases_due()) {
                    fault = cases_fault(Fault_STUCK, page, byte, (uint32_t)1 << cases_draw(8));
                    live_with(group, &fault);
                }
            }
        }
    }
}

/* ---- Classes ------------------------------------------------------------------------------- */

void strikes_run(uint32_t kind)
{
    switch (kind) {
    case Class_NACK: on_the_bus(Fault_NACK, 0); break;
    case Class_SILENT: on_the_bus(Fault_NACK, Fault_FOR_EVER); break;
    case Class_HELD_ONCE: on_the_bus(Fault_HELD, 0); break;
    case Class_HELD: on_the_bus(Fault_HELD, Fault_FOR_EVER); break;
    case Class_RESET: on_the_bus(Fault_RESET, 0); break;
    case Class_BROWNOUT: in_page_writes(Fault_BROWNOUT); break;
    case Class_SLOW: in_page_writes(Fault_SLOW); break;
    case Class_LOST: in_page_writes(Fault_LOST); break;
    case Class_PROTECTED: in_page_writes(Fault_NONE); break;
    case Class_WORN: worn(true); break;
    case Class_STUCK: worn(false); break;
    case Class_READ: in_reads(); break;
    default: brownouts(); break;
    }
}
