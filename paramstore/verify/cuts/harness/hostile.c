/* hostile.c: what misleads a store: reads of a part that has no power, bytes of a wiped record, values
 * that look like a label, bytes of somebody else; see faults.h. */
#include "bytes.h"
#include "cases.h"
#include "classes.h"
#include "explore.h"
#include "faults.h"
#include "records.h"

static uint32_t ring_bytes(const ps_group_t *ring)
{
    return (uint32_t)ring->slots * ring->slot_bytes;
}

/* The part is as the case began; else an address and the byte there. */
static void demand_untouched(const uint8_t *image)
{
    uint32_t at;
    for (at = 0; at < Cuts_CAPACITY; ++at) {
        if (part_image[at] != image[at]) {
            cases_blame(Oracle_SPOILT, Cuts_GROUPS, Oracle_BYTE, at, part_image[at]);
            return;
        }
    }
}

/* ---- Wipes --------------------------------------------------------------------------------- */

/* Nothing of what was there is left in a ring, whether in use or retired, or in a label. */
static void demand_erased(void)
{
    uint32_t at = explore_remains();
    if (at != Cuts_CAPACITY) {
        cases_blame(Oracle_REMAINS, Cuts_GROUPS, Oracle_BYTE, at, part_image[at]);
    }
}

/* Retired rings hold something too. */
static void fill_retired(void)
{
    unsigned g;
    for (g = Cuts_GROUPS; g < Cuts_LAYOUT.ring_count; ++g) {
        const ps_group_t *ring = &Cuts_LAYOUT.groups[g];
        uint32_t i;
        for (i = 0; i < ring_bytes(ring); ++i) {
            part_image[ring->address + i] = (uint8_t)cases_draw(256);
        }
    }
}

/* A wipe was interrupted: do it to its end; then begin anew, with a commit that is cut. */
static void wipe_again(void)
{
    unsigned group = cases_draw(Cuts_GROUPS);
    const ps_group_t *ring = &Cuts_LAYOUT.groups[group];
    uint32_t pages = (uint32_t)ring->copies * (ring->slot_bytes / Cuts_PAGE);
    cases_mount_judged();
    part_begin(NULL);
    cases_demand(Oracle_UNSTABLE, Cuts_GROUPS, PS_OK, ps_wipe(&cases.memory.store));
    demand_erased();
    oracle_wiped();
    cases_mount_judged();
    part_begin(NULL);
    cases_demand(Oracle_UNSTABLE, Cuts_GROUPS, PS_OK, ps_format(&cases.memory.store));
    cases.ready = true;
    part.fault = cases_cut((uint8_t)cases_draw(Tear_KINDS), cases_draw(pages));
    (void)cases_commit_judged(group, false);
    part.fault.kind = Fault_NONE;
    ++faults_result.served[Served_NEWEST];
    cases_go_on(group);
}

static void wiped(void)
{
    uint32_t cycles = cases_rehearse(Op_WIPE).cycles;
    uint32_t at;
    unsigned kind;
    for (at = 0; at < cycles; ++at) {
        for (kind = 0; kind < Tear_KINDS; ++kind) {
            if (cases_due()) {
                cases_mount_judged();
                fill_retired();
                part.fault = cases_cut((uint8_t)kind, at);
                part_begin(NULL);
                if (ps_wipe(&cases.memory.store) == PS_OK) {
                    demand_erased();
                }
                part.fault.kind = Fault_NONE;
                oracle_wipe_cut();
                wipe_again();
            }
        }
    }
}

static void reads_of_wipes(void)
{
    uint32_t read = cases_rehearse(Op_WIPE).read;
    uint32_t at;
    for (at = 0; at < read; ++at) {
        if (cases_due()) {
            cases_mount_judged();
            fill_retired();
            part.fault = cases_fault(Fault_UNREAD, at, 0, 0);
            part_begin(NULL);
            cases_demand(Oracle_UNSTABLE, Cuts_GROUPS, PS_OK, ps_wipe(&cases.memory.store));
            part.fault.kind = Fault_NONE;
            demand_erased();
            oracle_wiped();
            wipe_again();
        }
    }
}

/* ---- Reads that say FF --------------------------------------------------------------------- */

/* The newest record of a group, and its copies, as a later release would have written them: with values
 * in the room behind ours. */
static void make_later(unsigned group, uint32_t sequence)
{
    const ps_group_t *ring = &Cuts_LAYOUT.groups[group];
    unsigned from = records_free(&Cuts_LAYOUT, group);
    uint8_t more[256];
    unsigned i;
    uint32_t back;
    for (i = 0; i < sizeof more; ++i) {
        more[i] = (uint8_t)cases_draw(256);
    }
    for (back = 0; back < ring->copies; ++back) {
        uint32_t address = records_place(ring, sequence - back);
        part_image[address + 4u] = (uint8_t)(ring->revision + 1u);
        for (i = from; i < ring->body_bytes; ++i) {
            part_image[address + Records_HEADER + i] = more[i % sizeof more];
        }
        records_seal(ring, address);
    }
}

/* The newest record has what was in the room of record `sequence` of the part as it was. */
static void demand_kept(unsigned group, const uint8_t *room)
{
    const ps_group_t *ring = &Cuts_LAYOUT.groups[group];
    uint32_t sequence = ps_sequence(&cases.memory.store, (uint8_t)group);
    uint32_t address = records_place(ring, sequence) + Records_HEADER;
    unsigned i;
    for (i = records_free(&Cuts_LAYOUT, group); i < ring->body_bytes; ++i) {
        if (part_image[address + i] != room[i]) {
            cases_blame(Oracle_SPOILT, group, Oracle_BYTE, address + i, part_image[address + i]);
            return;
        }
    }
}

static void read_later(unsigned group, uint32_t sequence, uint32_t at)
{
    const ps_group_t *ring = &Cuts_LAYOUT.groups[group];
    static uint8_t room[Cuts_CAPACITY];
    ps_status_t status;
    make_later(group, sequence);
    memcpy(room, part_image + records_place(ring, sequence) + Records_HEADER, ring->body_bytes);
    cases_mount_judged();
    part.fault = cases_fault(Fault_UNREAD, at, 0, 0);
    status = cases_commit_judged(group, false);
    part.fault.kind = Fault_NONE;
    cases_mount_judged();
    demand_kept(group, room);
    if (status != PS_OK) {
        (void)cases_commit_judged(group, true);
        demand_kept(group, room);
    }
    ++faults_result.served[Served_NEWEST];
    cases_go_on(group);
    demand_kept(group, room);
}

static void reads_of_later(void)
{
    unsigned group;
    for (group = 0; group < Cuts_GROUPS; ++group) {
        const ps_group_t *ring = &Cuts_LAYOUT.groups[group];
        uint32_t sequence;
        uint32_t read;
        uint32_t at;
        cases_restore();
        (void)cases_mount();
        sequence = ps_sequence(&cases.memory.store, (uint8_t)group);
        if (sequence < ring->copies || records_free(&Cuts_LAYOUT, group) == ring->body_bytes) {
            continue;
        }
        make_later(group, sequence);
        (void)cases_mount();
        (void)cases_commit(group);
        read = part.read;
        for (at = 0; at < read; ++at) {
            if (cases_due()) {
                read_later(group, sequence, at);
            }
        }
    }
}

/* A whole mount reads FF, then a format does so up to byte `at`. */
static void unread(void)
{
    uint32_t read;
    uint32_t at;
    cases_restore();
    part.fault = cases_fault(Fault_UNREAD, 0, Fault_FOR_EVER, 0);
    (void)cases_mount();
    part_begin(NULL);
    (void)ps_format(&cases.memory.store);
    read = part.read;
    for (at = 0; at <= read; ++at) {
        ps_status_t status;
        if (!cases_due()) {
            continue;
        }
        part.fault = cases_fault(Fault_UNREAD, 0, Fault_FOR_EVER, 0);
        (void)cases_mount();
        part.fault = at == 0u ? cases_fault(Fault_NONE, 0, 0, 0)
                              : cases_fault(Fault_UNREAD, 0, at - 1u, 0);
        part_begin(NULL);
        status = ps_format(&cases.memory.store);
        part.fault.kind = Fault_NONE;
        if (status == PS_OK) {
            cases_blame(Oracle_SPOILT, Cuts_GROUPS, Oracle_STATUS, PS_ERR_FOREIGN, PS_OK);
        }
        demand_untouched(cases.image);
        ++faults_result.served[Served_NEWEST];
        cases_go_on(at % Cuts_GROUPS);
    }
}

/* ---- Bytes that look like ours, or are somebody else's -------------------------------------- */

/* A whole record in a slot, with a label in its body from byte `at` of the slot on. */
static void make_lookalike(const ps_group_t *ring, uint32_t slot, uint32_t at)
{
    uint32_t address = records_slot(ring, slot);
    uint32_t number = records_number(address);
    uint32_t i;
    if (number == 0u || number == 0xFFFFFFFFu || (number - 1u) % ring->slots != slot) {
        number = slot + 1u;
    }
    records_put_number(address, number);
    part_image[address + 4u] = ring->revision;
    for (i = 0; i < Cuts_LAYOUT.label_bytes && at + i < Records_HEADER + ring->body_bytes; ++i) {
        part_image[address + at + i] = Cuts_LAYOUT.label[i];
    }
    records_seal(ring, address);
}

static void look_alike(const ps_group_t *ring, uint32_t slot, uint32_t at, unsigned label)
{
    ps_status_t status;
    make_lookalike(ring, slot, at);
    if (label != 0u) { /* then the second copy of the label is all that there is */
        memset(part_image, label == 1u ? 0xFF : 0, Cuts_LAYOUT.label_bytes);
    }
    status = cases_mount();
    if (ps_failed(status)) {
        ++faults_result.refused;
        cases_blame(Oracle_REFUSED, Cuts_GROUPS, Oracle_STATUS, PS_OK, (uint32_t)status);
        return;
    }
    ++faults_result.served[Served_NEWEST];
    part_begin(NULL);
    cases_demand(Oracle_REFUSED, Cuts_GROUPS, PS_OK, ps_format(&cases.memory.store));
    status = cases_mount();
    if (ps_failed(status)) {
        cases_blame(Oracle_REFUSED, Cuts_GROUPS, Oracle_STATUS, PS_OK, (uint32_t)status);
    }
}

static void look_alikes(void)
{
    unsigned group;
    uint32_t slot;
    uint32_t at;
    unsigned label;
    for (group = 0; group < Cuts_GROUPS; ++group) {
        const ps_group_t *ring = &Cuts_LAYOUT.groups[group];
        for (slot = 0; slot < ring->slots; ++slot) {
            for (at = Records_HEADER; at < Records_HEADER + ring->body_bytes; ++at) {
                for (label = 0; label < 3u; ++label) {
                    if (cases_due()) {
                        look_alike(ring, slot, at, label);
                    }
                }
            }
        }
    }
}

/* Up to `count` bytes that are not erased, on a part that is blank otherwise: no format writes. */
static void block(uint32_t address, uint32_t count)
{
    static uint8_t image[Cuts_CAPACITY];
    ps_status_t status;
    uint32_t i;
    for (i = 0; i < count && address + i < Cuts_CAPACITY; ++i) {
        part_image[address + i] = (uint8_t)cases_draw(255);
    }
    memcpy(image, part_image, Cuts_CAPACITY);
    (void)cases_mount();
    part_begin(NULL);
    status = ps_format(&cases.memory.store);
    demand_untouched(image);
    cases_demand(Oracle_SPOILT, Cuts_GROUPS, PS_ERR_FOREIGN, status);
    ++faults_result.refused;
}

static void blocks(void)
{
    static const uint8_t lengths[] = {1, 60};
    unsigned g;
    unsigned i;
    uint32_t at;
    cases_restore();
    if (cases_mount() != PS_BLANK) {
        return;
    }
    for (g = 0; g < Cuts_LAYOUT.ring_count; ++g) {
        const ps_group_t *ring = &Cuts_LAYOUT.groups[g];
        for (at = 0; at < ring_bytes(ring); ++at) {
            for (i = 0; i < sizeof lengths; ++i) {
                if (cases_due()) {
                    block(ring->address + at, lengths[i]);
                }
            }
        }
    }
}

void hostile_run(uint32_t kind)
{
    switch (kind) {
    case Class_READ_WIPE: reads_of_wipes(); break;
    case Class_READ_LATER: reads_of_later(); break;
    case Class_UNREAD: unread(); break;
    case Class_WIPED: wiped(); break;
    case Class_LOOKALIKE: look_alikes(); break;
    case Class_BLOCK: blocks(); break;
    default: break;
    }
}
