/* cases.c: see cases.h. */
#include "cases.h"

#include "bytes.h"
#include "explore.h"
#include "faults.h"

Cases_t cases;

uint32_t cases_draw(uint32_t end)
{
    cases.chance += 0x9E3779B97F4A7C15u;
    return (uint32_t)(((part_scatter(cases.chance) >> 32) * end) >> 32);
}

/* ---- Cases --------------------------------------------------------------------------------- */

void cases_restore(void)
{
    memcpy(part_image, cases.image, Cuts_CAPACITY);
    oracle = cases.known;
    part.fault.kind = Fault_NONE;
    part.busy = 0;
}

bool cases_due(void)
{
    uint32_t number = faults_result.cases++;
    if (faults_job.only != Faults_ALL ? number != faults_job.only
                                      : number % faults_job.stride != 0u) {
        return false;
    }
    ++faults_result.tried;
    cases.chance = part_scatter((uint64_t)faults_job.seed << 32 | number);
    cases.sound = true;
    cases_restore();
    return true;
}

void cases_judge(const Oracle_finding_t *finding)
{
    if (finding->verdict == Oracle_GOOD || !cases.sound) {
        return; /* one violation of a case is enough */
    }
    cases.sound = false;
    if (faults_result.violations++ == 0u) {
        faults_result.first = faults_result.cases - 1u;
        faults_result.finding = *finding;
    }
}

void cases_blame(uint32_t verdict, uint32_t group, uint32_t what, uint32_t expected,
                 uint32_t found)
{
    const Oracle_finding_t finding = oracle_finding(verdict, group, what, expected, found);
    cases_judge(&finding);
}

void cases_demand(uint32_t verdict, unsigned group, ps_status_t due, ps_status_t status)
{
    if (status != due) {
        cases_blame(verdict, group, Oracle_STATUS, (uint32_t)due, (uint32_t)status);
    }
}

static void measure(uint32_t *longest, uint32_t limit)
{
    if (*longest < part.bits) {
        *longest = part.bits;
    }
    if (part.bits > limit) {
        cases_blame(Oracle_LONG, Cuts_GROUPS, Oracle_BITS, limit, part.bits);
    }
}

/* ---- Calls --------------------------------------------------------------------------------- */

bool cases_label_whole(uint32_t at)
{
    return memcmp(part_image + at, Cuts_LAYOUT.label, Cuts_LAYOUT.label_bytes) == 0;
}

ps_status_t cases_mount(void)
{
    ps_status_t status;
    part.powered = true;
    memset(&cases.memory, 0xA5, sizeof cases.memory); /* what RAM holds when a controller starts */
    Cuts_INIT(&cases.memory, &part_port);
    part_begin(NULL);
    status = ps_mount(&cases.memory.store);
    measure(&faults_result.mount_bits, faults_limits[0]);
    if (part.cycles != 0u) {
        cases_blame(Oracle_OUTSIDE, Cuts_GROUPS, Oracle_WRITES, 0, part.cycles);
    }
    return status;
}

void cases_mount_judged(void)
{
    bool first = cases_label_whole(0);
    bool second = cases_label_whole(Cuts_LAYOUT.label_step);
    ps_status_t status = cases_mount();
    Oracle_finding_t finding = oracle_boot(&cases.memory.store, status, first, second);
    cases.ready = (first || second) && oracle.refused == 0u;
    cases_judge(&finding);
}

ps_status_t cases_commit(unsigned group)
{
    ps_status_t status;
    (void)ps_unlock(&cases.memory.store, (uint8_t)group);
    oracle_next(group, &cases.memory.values);
    (void)ps_touch(&cases.memory.store, (uint8_t)group);
    part_begin(&cases.trace);
    status = ps_commit(&cases.memory.store, (uint8_t)group);
    measure(&faults_result.commit_bits, faults_limits[1]);
    return status;
}

ps_status_t cases_commit_judged(unsigned group, bool must)
{
    ps_status_t status = cases_commit(group);
    if (status == PS_OK || (must && cases.ready)) {
        Oracle_finding_t finding = oracle_commit_done(&cases.memory.store, group, status, cases.ready);
        cases_judge(&finding);
    } else {
        ++faults_result.failed;
        oracle_commit_cut(group);
    }
    return status;
}

ps_status_t cases_reload_judged(unsigned group, bool must)
{
    ps_status_t status;
    part_begin(&cases.trace);
    status = ps_reload(&cases.memory.store, (uint8_t)group);
    measure(&faults_result.mount_bits, faults_limits[0]);
    if (!cases.ready) {
        cases_demand(Oracle_UNSTABLE, group, PS_ERR_STATE, status);
    } else if (status < PS_ERR_NACK || must) {
        Oracle_finding_t finding = oracle_reload_done(&cases.memory.store, group, status);
        cases_judge(&finding);
    } else {
        ++faults_result.failed;
    }
    return status;
}

void cases_go_on(unsigned group)
{
    cases_mount_judged();
    if (cases.ready) {
        (void)cases_commit_judged(group, true);
        cases_mount_judged();
    }
}

/* ---- Operations ---------------------------------------------------------------------------- */

Cases_counts_t cases_rehearse(unsigned operation)
{
    Cases_counts_t counts;
    cases_restore();
    cases_mount_judged();
    if (operation >= Cases_RELOAD) {
        part_begin(NULL);
        (void)ps_reload(&cases.memory.store, (uint8_t)(operation - Cases_RELOAD));
    } else if (operation >= Op_COMMIT) {
        (void)cases_commit(operation - Op_COMMIT);
    } else if (operation != Op_BOOT) {
        part_begin(NULL);
        (void)(operation == Op_FORMAT ? ps_format(&cases.memory.store)
                                      : ps_wipe(&cases.memory.store));
    }
    counts.sent = part.sent;
    counts.read = part.read;
    counts.cycles = part.cycles;
    cases_restore();
    return counts;
}

Part_fault_t cases_fault(uint8_t kind, uint32_t at, uint32_t more, uint32_t mask)
{
    Part_fault_t fault;
    memset(&fault, 0, sizeof fault);
    fault.kind = kind;
    fault.at = at;
    fault.more = more;
    fault.mask = mask;
    return fault;
}

Part_fault_t cases_cut(uint8_t kind, uint32_t at)
{
    Part_fault_t fault = cases_fault(Fault_CUT, at, 0, 0);
    fault.tear.kind = kind;
    fault.tear.at = (uint16_t)(1u + cases_draw(Cuts_PAGE - 1u));
    fault.tear.seed = cases_draw(0xFFFFFFFFu);
    return fault;
}

bool cases_can_pass(unsigned operation)
{
    return operation >= Op_COMMIT && operation < Cases_RELOAD &&
           Cuts_LAYOUT.groups[operation - Op_COMMIT].slots > 2u;
}
