/* paramstore.c: see paramstore.h for the interface, FORMAT.md for the bytes on the EEPROM.
 *
 * In order: elements and limits, values, bus, one page, records, the newest record of a ring, what
 * earlier releases kept elsewhere, label, mount and format, changes of values, commit, factory
 * image.
 *
 * Every bus transfer goes through `transfer`. Bytes from the part are trusted no further than the
 * CRC says, and never used as an index or a length. Counters are `unsigned`, which has at least
 * 16 bits: no record is longer than 32 KiB.
 */
#include "paramstore.h"

#include <stddef.h>

#define HEADER_BYTES 5u
#define CRC_BYTES 4u
#define SKIP_LIMIT 3u /* slots that one commit may pass over */
#define LOAD_TRIES 3u /* records that mount tries to load before it takes defaults */

/* Sequence numbers as read from the head of a slot. */
#define ERASED 0u
#define JUNK 0xFFFFFFFFu /* not a number that belongs in that slot */

/* Read-back compares this many bytes at a time; they lie on the stack. */
#define CHUNK_BYTES 32u

/* ps_store_t.state */
enum { STATE_NONE, STATE_UNLABELLED, STATE_READY, STATE_REFUSED };

/* ps_store_t.phase */
enum { PHASE_READ, PHASE_WRITE, PHASE_VERIFY };

/* ---- Elements and limits ------------------------------------------------------------------- */

/* Place in memory of byte `i` (0: least significant) of an element, in either byte order. */
static unsigned byte_place(unsigned i, unsigned size)
{
    const uint16_t one = 1u;
    bool little = *(const uint8_t *)&one == 1u;
    return little ? i : size - 1u - i;
}

static void load_element(uint8_t wire[8], const uint8_t *memory, unsigned size)
{
    unsigned i;
    for (i = 0; i < size; ++i) {
        wire[i] = memory[byte_place(i, size)];
    }
}

/* Is `a` less than `b`, as numbers? Works on the bytes, so that it needs neither 64-bit nor
 * floating-point arithmetic. -0.0 is 0.0; a NaN lies beyond infinity, outside any range. */
static bool less(const uint8_t *a, const uint8_t *b, unsigned size, unsigned form)
{
    unsigned sign = (form & PS_FORM) != PS_UNSIGNED ? 0x80u : 0u;
    unsigned top_a = a[size - 1u] & sign;
    unsigned top_b = b[size - 1u] & sign;
    bool is_float = (form & PS_FORM) == PS_FLOAT;
    unsigned i = size;
    if (top_a != top_b) {
        unsigned magnitude = (a[size - 1u] | b[size - 1u]) & 0x7Fu;
        for (i = 0; i + 1u < size; ++i) {
            magnitude |= (unsigned)a[i] | b[i];
        }
        return top_a != 0u && !(is_float && magnitude == 0u);
    }
    while (i-- > 0u) {
        if (a[i] != b[i]) {
            return (a[i] < b[i]) != (is_float && top_a != 0u);
        }
    }
    return false;
}

static bool allowed(const ps_field_t *field, const uint8_t *wire)
{
    const uint8_t *limit = field->limits;
    unsigned size = field->size;
    unsigned i;
    if ((field->form & PS_MASK) != 0u) {
        for (i = 0; i < size; ++i) {
            if ((wire[i] & ~(unsigned)limit[i]) != 0u) {
                return false;
            }
        }
        return true;
    }
    for (i = 0; i < field->range_count; ++i) {
        if (!less(wire, limit, size, field->form) &&
            !less(limit + size, wire, size, field->form)) {
            return true;
        }
        limit += 2u * size;
    }
    return field->range_count == 0u;
}

/* ---- Values -------------------------------------------------------------------------------- */

static const ps_field_t *field_at(const ps_store_t *store, unsigned index)
{
    return &store->layout->fields[index];
}

static unsigned field_bytes(const ps_field_t *field)
{
    return (unsigned)field->count * (field->size != 0u ? field->size : 1u);
}

static uint8_t *member(const ps_store_t *store, const ps_field_t *field)
{
    return (uint8_t *)store->values + field->member;
}

/* A walk over the payload bytes of a group, in record order, that yields their places in RAM. */
typedef struct walk {
    const ps_field_t *field;
    const ps_field_t *end;
    unsigned at; /* byte of the field */
} walk_t;

static void walk_from(walk_t *walk, const ps_store_t *store, const ps_group_t *group,
                      unsigned offset)
{
    walk->field = field_at(store, group->first_field);
    walk->end = walk->field + group->field_count;
    while (walk->field != walk->end && offset >= field_bytes(walk->field)) {
        offset -= field_bytes(walk->field);
        ++walk->field;
    }
    walk->at = offset;
}

/* The place of the next payload byte; NULL if it has none, and after the last one. */
static uint8_t *walk_next(walk_t *walk, const ps_store_t *store)
{
    const ps_field_t *field = walk->field;
    unsigned low;
    uint8_t *element;
    if (field == walk->end) {
        return NULL;
    }
    low = walk->at & (field->size - 1u);
    element = member(store, field) + (walk->at - low);
    if (++walk->at == field_bytes(field)) {
        walk->at = 0;
        ++walk->field;
    }
    return field->size != 0u ? element + byte_place(low, field->size) : NULL;
}

/* Values for the fields from `first` on, up to but without `end`, from a payload of the group. */
static void load_fields(const ps_store_t *store, const ps_group_t *group, const uint8_t *from,
                        unsigned first, unsigned end)
{
    walk_t walk;
    walk_from(&walk, store, group, 0);
    while (walk.field != walk.end) {
        bool wanted = walk.field >= field_at(store, first) && walk.field < field_at(store, end);
        uint8_t *place = walk_next(&walk, store);
        if (wanted && place != NULL) {
            *place = *from;
        }
        ++from;
    }
}

static void load_defaults(const ps_store_t *store, const ps_group_t *group, unsigned first,
                          unsigned end)
{
    load_fields(store, group, group->defaults, first, end);
}

/* The same for one parameter: a curve has two fields, which belong together. */
static void default_parameter(const ps_store_t *store, const ps_group_t *group, unsigned field)
{
    unsigned first = field - ((field_at(store, field)->form & PS_JOINED) != 0u);
    unsigned end = field + 1u;
    if (end < (unsigned)group->first_field + group->field_count) {
        end += (field_at(store, end)->form & PS_JOINED) != 0u;
    }
    load_defaults(store, group, first, end);
}

static void load_group(const ps_store_t *store, const ps_group_t *group, const uint8_t *from)
{
    load_fields(store, group, from, group->first_field,
                (unsigned)group->first_field + group->field_count);
}

static void default_group(const ps_store_t *store, const ps_group_t *group)
{
    load_group(store, group, group->defaults);
}

static bool field_ok(const ps_store_t *store, const ps_field_t *field)
{
    const uint8_t *memory = member(store, field);
    uint8_t wire[8];
    unsigned i;
    for (i = 0; i < field->count; ++i) {
        load_element(wire, memory, field->size);
        if (!allowed(field, wire)) {
            return false;
        }
        memory += field->size;
    }
    return true;
}

/* Element by element, `low` below `high`; of one field, each element below the next one. */
static bool rule_ok(const ps_store_t *store, const ps_rule_t *rule)
{
    const ps_field_t *low = field_at(store, rule->low);
    unsigned size = low->size;
    const uint8_t *a = member(store, low);
    const uint8_t *b = member(store, field_at(store, rule->high));
    unsigned i = low->count;
    uint8_t wire_a[8];
    uint8_t wire_b[8];
    if (a == b) {
        b += size;
        --i;
    }
    for (; i > 0u; --i) {
        load_element(wire_a, a, size);
        load_element(wire_b, b, size);
        if (!less(wire_a, wire_b, size, low->form)) {
            return false;
        }
        a += size;
        b += size;
    }
    return true;
}

/* Check every limit and rule of a group. With `mend`, give defaults to what breaks one: to the
 * parameter, and where a rule is broken, to every parameter of the group that has a rule. */
static ps_status_t check_group(const ps_store_t *store, const ps_group_t *group, bool mend)
{
    ps_status_t status = PS_OK;
    unsigned i;
    for (i = group->first_field; i < (unsigned)group->first_field + group->field_count; ++i) {
        if (!field_ok(store, field_at(store, i))) {
            status = PS_ERR_LIMIT;
            if (mend) {
                default_parameter(store, group, i);
            }
        }
    }
    for (i = 0; i < group->rule_count; ++i) {
        if (!rule_ok(store, &group->rules[i])) {
            status = PS_ERR_RULE;
        }
    }
    for (i = 0; mend && status == PS_ERR_RULE && i < group->rule_count; ++i) {
        default_parameter(store, group, group->rules[i].low);
        default_parameter(store, group, group->rules[i].high);
    }
    return status;
}

/* ---- Bus ----------------------------------------------------------------------------------- */

/* CRC-32C, four bits at a time: 64 bytes of table, about 21 cycles a byte on a Cortex-M0+. */
static uint32_t crc_byte(uint32_t crc, uint8_t byte)
{
    static const uint32_t table[16] = {
        0x00000000u, 0x105EC76Fu, 0x20BD8EDEu, 0x30E349B1u, 0x417B1DBCu, 0x5125DAD3u,
        0x61C69362u, 0x7198540Du, 0x82F63B78u, 0x92A8FC17u, 0xA24BB5A6u, 0xB21572C9u,
        0xC38D26C4u, 0xD3D3E1ABu, 0xE330A81Au, 0xF36E6F75u};
    crc ^= byte;
    crc = (crc >> 4) ^ table[crc & 15u];
    return (crc >> 4) ^ table[crc & 15u];
}

/* What the register holds after data and their CRC, if that is right. */
#define CRC_RESIDUE 0xB798B438u

/* Data bytes of the buffer; the memory address goes right before them. */
static uint8_t *data(const ps_store_t *store)
{
    return store->buffer + 2;
}

/* One transfer: the memory address and `out_count` bytes of data out, `in_count` bytes in. */
static ps_status_t transfer(const ps_store_t *store, uint32_t address, unsigned out_count,
                            uint8_t *in, unsigned in_count)
{
    const ps_layout_t *layout = store->layout;
    const ps_port_t *port = store->port;
    uint32_t block = address >> (8u * layout->address_bytes);
    store->buffer[0] = (uint8_t)(address >> 8);
    store->buffer[1] = (uint8_t)address;
    return port->transfer(port->user, (uint8_t)(layout->address | block << layout->block_shift),
                          data(store) - layout->address_bytes,
                          (uint16_t)(layout->address_bytes + out_count), in, (uint16_t)in_count);
}

/* Read, asking again while the part is busy: a write may be going on from before a reset. */
static ps_status_t read_bytes(const ps_store_t *store, uint32_t address, uint8_t *in,
                              unsigned count)
{
    unsigned waited_us = 0;
    for (;;) {
        ps_status_t status = transfer(store, address, 0, in, count);
        if (status != PS_ERR_NACK || waited_us >= store->layout->timeout_us) {
            return status;
        }
        store->port->wait_us(store->port->user, store->layout->poll_us);
        waited_us += store->layout->poll_us;
    }
}

static bool same(const uint8_t *a, const uint8_t *b, unsigned count)
{
    unsigned i = 0;
    while (i < count && a[i] == b[i]) {
        ++i;
    }
    return i == count;
}

/* ---- One page: write, wait for the part, read back ----------------------------------------- */

static unsigned page_part(const ps_store_t *store, unsigned count)
{
    return count < store->layout->page_bytes ? count : store->layout->page_bytes;
}

/* Begin to read, or to write, `count` bytes of data. */
static void page_begin(ps_store_t *store, uint32_t address, unsigned count, uint8_t phase)
{
    store->address = address;
    store->count = (uint16_t)count;
    store->since_us = 0;
    store->due_us = 0;
    store->phase = phase;
}

/* Read back what was sent. Serves as the acknowledge poll too: a busy part does not answer. */
static ps_status_t page_compare(const ps_store_t *store)
{
    uint8_t chunk[CHUNK_BYTES];
    unsigned at;
    for (at = 0; at < store->count; at += CHUNK_BYTES) {
        unsigned n = store->count - at < CHUNK_BYTES ? store->count - at : CHUNK_BYTES;
        ps_status_t status = transfer(store, store->address + at, 0, chunk, n);
        if (status != PS_OK) {
            return status;
        }
        if (!same(chunk, data(store) + at, n)) {
            return PS_ERR_VERIFY;
        }
    }
    return PS_OK;
}

/* One try at the page at hand. PS_PENDING: call again, no sooner than at due_us. */
static ps_status_t page_step(ps_store_t *store, unsigned elapsed_us)
{
    const ps_port_t *port = store->port;
    ps_status_t status = PS_ERR_SUPPLY;
    unsigned room_us = UINT16_MAX - (unsigned)store->since_us;
    store->since_us = (uint16_t)(store->since_us + (elapsed_us < room_us ? elapsed_us : room_us));
    if (store->since_us < store->due_us) {
        return PS_PENDING;
    }
    if (store->phase == PHASE_VERIFY) {
        status = page_compare(store);
    } else if (store->phase == PHASE_READ) {
        status = transfer(store, store->address, 0, data(store), store->count);
    } else if (port->supply_good == NULL || port->supply_good(port->user)) {
        status = transfer(store, store->address, store->count, NULL, 0);
        if (status == PS_OK) {
            store->phase = PHASE_VERIFY;
            store->since_us = 0;
            status = PS_PENDING;
        }
    }
    if (status == PS_ERR_NACK && store->since_us < store->layout->timeout_us) {
        status = PS_PENDING;
    }
    store->due_us = (uint16_t)(store->since_us + store->layout->poll_us);
    return status;
}

/* Let the time pass until the page at hand is due; returns how long that was. */
static unsigned page_wait(const ps_store_t *store)
{
    unsigned us = 0;
    if (store->since_us < store->due_us) {
        us = (unsigned)store->due_us - store->since_us;
        store->port->wait_us(store->port->user, (uint16_t)us);
    }
    return us;
}

/* Write and read back `count` bytes, page by page; FF instead of `bytes` if that is NULL. */
static ps_status_t write_span(ps_store_t *store, uint32_t address, const uint8_t *bytes,
                              unsigned count)
{
    ps_status_t status = PS_OK;
    unsigned done = 0;
    while (status == PS_OK && done < count) {
        unsigned n = page_part(store, count - done);
        unsigned elapsed_us = 0;
        unsigned i;
        for (i = 0; i < n; ++i) {
            data(store)[i] = bytes != NULL ? bytes[done + i] : 0xFFu;
        }
        page_begin(store, address + done, n, PHASE_WRITE);
        while ((status = page_step(store, elapsed_us)) == PS_PENDING) {
            elapsed_us = page_wait(store);
        }
        done += n;
    }
    return status;
}

/* ---- Records ------------------------------------------------------------------------------- */

/* Offset of the CRC in a record. */
static unsigned crc_offset(const ps_group_t *group)
{
    return group->body_bytes + HEADER_BYTES;
}

static uint32_t slot_address(const ps_group_t *group, unsigned slot)
{
    return group->address + (uint32_t)slot * group->slot_bytes;
}

static unsigned slot_of(const ps_group_t *group, uint32_t sequence)
{
    return (unsigned)((sequence - 1u) % group->slots);
}

static uint32_t number(const uint8_t *bytes)
{
    return (uint32_t)bytes[0] | (uint32_t)bytes[1] << 8 | (uint32_t)bytes[2] << 16 |
           (uint32_t)bytes[3] << 24;
}

/* Byte `i` of a number, least significant first. */
static uint8_t byte_of(uint32_t number, unsigned i)
{
    return (uint8_t)(number >> (8u * i));
}

/* Read record `sequence` from its slot; with `ring`, into the values. PS_FLAGGED: not valid. */
static ps_status_t read_record(const ps_store_t *store, const ps_group_t *group,
                               uint32_t sequence, ps_ring_t *ring)
{
    uint32_t address = slot_address(group, slot_of(group, sequence));
    unsigned left = crc_offset(group) + CRC_BYTES;
    uint32_t crc = group->crc_start;
    const uint8_t *header = data(store);
    walk_t walk;
    walk_from(&walk, store, group, 0);
    while (left > 0u) {
        unsigned n = page_part(store, left);
        unsigned i;
        ps_status_t status = read_bytes(store, address, data(store), n);
        if (status != PS_OK) {
            return status;
        }
        if (header != NULL && number(header) != sequence) {
            return PS_FLAGGED;
        }
        if (header != NULL && ring != NULL) {
            ring->revision = header[4];
        }
        for (i = 0; i < n; ++i) {
            uint8_t byte = data(store)[i];
            crc = crc_byte(crc, byte);
            if (ring != NULL && (header == NULL || i >= HEADER_BYTES)) {
                uint8_t *place = walk_next(&walk, store);
                if (place != NULL) {
                    *place = byte;
                }
            }
        }
        header = NULL;
        address += n;
        left -= n;
    }
    return crc == CRC_RESIDUE ? PS_OK : PS_FLAGGED;
}

/* ---- The newest record of a ring ----------------------------------------------------------- */

/* Read the sequence number at the head of a slot: ERASED, JUNK, or one that belongs there. */
static ps_status_t read_head(const ps_store_t *store, const ps_group_t *group, unsigned slot,
                             uint32_t *sequence)
{
    uint8_t head[4];
    ps_status_t status = read_bytes(store, slot_address(group, slot), head, 4);
    if (status == PS_OK) {
        uint32_t s = number(head);
        bool belongs = s != 0u && slot_of(group, s) == slot;
        *sequence = s == 0xFFFFFFFFu ? ERASED : belongs ? s : JUNK;
    }
    return status;
}

/* How many slots one commit may pass over: never as far as the newest record. */
static unsigned skip_limit(const ps_group_t *group)
{
    return group->slots < SKIP_LIMIT + 2u ? group->slots - 2u : SKIP_LIMIT;
}

/* The number that a slot held before record `sequence` was written to it. */
static uint32_t lap_before(const ps_group_t *group, uint32_t sequence)
{
    return sequence > group->slots ? sequence - group->slots : ERASED;
}

/* The newest number of a ring by its heads: ERASED if there is none, JUNK if they are not in
 * order. From slot 0 to the newest record numbers rise by one; the slots behind it are one lap
 * before. So bisection finds it, looking at about log2(slots) heads. A commit may have passed
 * over slots without a trace: as many behind the newest must be in order too. */
static ps_status_t find_newest(const ps_store_t *store, const ps_group_t *group,
                               uint32_t *newest)
{
    unsigned low = 0;
    unsigned high = group->slots;
    unsigned k;
    uint32_t s = JUNK;
    ps_status_t status = read_head(store, group, 0, newest);
    if (status == PS_OK && *newest > JUNK - group->slots - group->slots) {
        *newest = JUNK; /* damage: no ring lives that long, and the sums below would overflow */
    }
    while (status == PS_OK && *newest != JUNK && high - low > 1u) {
        unsigned middle = (low + high) / 2u;
        uint32_t here = *newest + middle - low;
        status = read_head(store, group, middle, &s);
        if (s == here) {
            low = middle;
            *newest = here;
        } else if (s == lap_before(group, here)) {
            high = middle;
        } else {
            *newest = JUNK;
        }
    }
    /* The first slot behind the newest was met above. */
    for (k = 2; status == PS_OK && *newest != JUNK && k <= skip_limit(group) + 1u; ++k) {
        unsigned slot = low + k < group->slots ? low + k : low + k - group->slots;
        status = read_head(store, group, slot, &s);
        if (s != lap_before(group, *newest + k)) {
            *newest = JUNK;
        }
    }
    return status;
}

/* The greatest valid number below `*newest`, looking at every slot. Downwards from the slot
 * before that one, so that usually just one record is read. ERASED if there is none. */
static ps_status_t scan(const ps_store_t *store, const ps_group_t *group, uint32_t *newest)
{
    uint32_t limit = *newest;
    unsigned slot = slot_of(group, limit);
    unsigned left;
    ps_status_t status = PS_OK;
    *newest = ERASED;
    for (left = group->slots; status == PS_OK && left > 0u; --left) {
        uint32_t s;
        slot = (slot > 0u ? slot : group->slots) - 1u;
        status = read_head(store, group, slot, &s);
        if (status == PS_OK && s > *newest && s < limit) {
            status = read_record(store, group, s, NULL);
            if (status == PS_OK) {
                *newest = s;
            } else if (status == PS_FLAGGED) {
                status = PS_OK;
            }
        }
    }
    return status;
}

/* Load the newest record of a ring, or defaults. Fails only with the bus. */
static ps_status_t mount_group(const ps_store_t *store, const ps_group_t *group, ps_ring_t *ring)
{
    unsigned tries = 0;
    unsigned i;
    uint32_t newest;
    ps_status_t status = find_newest(store, group, &newest);
    while (status == PS_OK && newest != ERASED) {
        status = newest != JUNK ? read_record(store, group, newest, ring) : PS_FLAGGED;
        if (status == PS_OK) {
            ring->sequence = newest;
            ring->health &= (uint8_t)~PS_HEALTH_DEFAULTS;
            for (i = 0; i < group->field_count; ++i) {
                unsigned field = group->first_field + i;
                if (field_at(store, field)->since > ring->revision) {
                    load_defaults(store, group, field, field + 1u); /* it is not in the record */
                }
            }
            return PS_OK;
        }
        if (status != PS_FLAGGED) {
            break;
        }
        /* A record that scan found may read otherwise when it is loaded: then the one before. */
        ring->health |= PS_HEALTH_DAMAGE;
        status = PS_OK;
        if (tries++ == LOAD_TRIES) {
            break;
        }
        status = scan(store, group, &newest);
    }
    ring->revision = 0;
    default_group(store, group);
    return status;
}

/* ---- What earlier releases kept elsewhere -------------------------------------------------- */

/* Take a field over from the newest record of another place. PS_FLAGGED: there is no value for it. */
static ps_status_t move_field(const ps_store_t *store, const ps_move_t *move)
{
    const ps_group_t *from = &store->layout->groups[move->source];
    const ps_field_t *field = field_at(store, move->field);
    uint32_t address = slot_address(from, slot_of(from, store->rings[move->source].sequence)) +
                       HEADER_BYTES + move->offset;
    uint8_t *to = member(store, field);
    unsigned i;
    unsigned k;
    uint8_t wire[8];
    for (i = 0; i < move->count; ++i) {
        for (k = 0; k < move->size; ++k) { /* one by one: a page may end in an element */
            uint8_t *place = move->convert != NULL ? wire + k : to + byte_place(k, move->size);
            ps_status_t status = read_bytes(store, address++, place, 1);
            if (status != PS_OK) {
                return status;
            }
        }
        if (move->convert != NULL && !move->convert(wire, to)) {
            return PS_FLAGGED;
        }
        to += field->size;
    }
    return PS_OK;
}

static ps_status_t commit_whole(ps_store_t *store, unsigned group);

/* Take over the fields that the newest records do not hold yet; or commit what was. A group that others
 * take from comes last, so that after a cut they find there what they need. */
ps_status_t ps_take_over(ps_store_t *store, bool commit)
{
    const ps_layout_t *layout = store->layout;
    ps_status_t status = PS_OK;
    unsigned m;
    for (m = 0; status == PS_OK && m < layout->move_count; ++m) {
        const ps_move_t *move = &layout->moves[m];
        ps_ring_t *ring = &store->rings[move->group];
        ps_ring_t *source = &store->rings[move->source];
        if (commit) {
            if ((ring->health & PS_HEALTH_MIGRATED) != 0u) {
                status = commit_whole(store, move->group);
            }
            continue;
        }
        if (ring->revision >= move->since) {
            continue;
        }
        if (move->source >= layout->group_count && source->sequence == ERASED) {
            status = mount_group(store, &layout->groups[move->source], source);
        }
        if (status == PS_OK && (uint8_t)(source->revision - move->source_since) >= move->span) {
            continue;
        }
        if (status == PS_OK) {
            status = move_field(store, move);
        }
        if (status == PS_OK || status == PS_FLAGGED) {
            ring->health &= (uint8_t)~PS_HEALTH_DEFAULTS;
            ring->health |= PS_HEALTH_MIGRATED | PS_HEALTH_DIRTY;
        }
        if (status == PS_OK) {
            m += move->more_of_field;
            continue;
        }
        default_parameter(store, &layout->groups[move->group], move->field);
        if (status == PS_FLAGGED) {
            ring->health |= PS_HEALTH_LIMIT;
            m += move->more_of_parameter; /* half a curve is none */
            status = PS_OK;
        }
    }
    return status;
}

/* ---- Label --------------------------------------------------------------------------------- */

/* PS_OK: ours, or of a later release, in which all that this one knows is where it was. PS_OLDER: of
 * a known earlier one. PS_BLANK: erased. PS_FLAGGED: unreadable. Else why it is not ours, or the bus. */
static ps_status_t read_label(const ps_store_t *store, unsigned step)
{
    const ps_layout_t *layout = store->layout;
    const uint8_t *found = data(store);
    const uint8_t *ours = layout->label;
    uint32_t crc = 0xFFFFFFFFu;
    unsigned release;
    unsigned every = 0xFFu;
    unsigned i;
    ps_status_t status = read_bytes(store, step, data(store), layout->label_bytes);
    if (status != PS_OK || same(found, ours, layout->label_bytes)) {
        return status;
    }
    for (i = 0; i < layout->label_bytes; ++i) {
        every &= found[i];
        crc = crc_byte(crc, found[i]);
    }
    if (every == 0xFFu) {
        return PS_BLANK;
    }
    if (crc != CRC_RESIDUE || !same(found, ours, 4)) {
        return PS_FLAGGED;
    }
    if (!same(found + 8, ours + 8, 4)) {
        return PS_ERR_FOREIGN;
    }
    for (i = 0; i < layout->known_count; ++i) {
        if (same(found + 6, layout->known + i * PS_KNOWN_BYTES, PS_KNOWN_BYTES)) {
            return PS_OLDER;
        }
    }
    if (found[5] != ours[5]) {
        return PS_ERR_PART;
    }
    release = found[6] | (unsigned)found[7] << 8;
    return release > layout->later_than && release <= layout->later_until && found[4] == ours[4]
               ? PS_OK
               : PS_ERR_LAYOUT;
}

/* On a part that is too small the label shows up again in the middle of the address range. */
static ps_status_t check_size(const ps_store_t *store, unsigned step)
{
    uint8_t head[4];
    ps_status_t status = read_bytes(store, store->layout->capacity / 2u + step, head, 4);
    if (status == PS_OK && same(head, store->layout->label, 4)) {
        return PS_ERR_PART;
    }
    return status;
}

/* ---- Mount and format ---------------------------------------------------------------------- */

/* The state before mount: every value a default, nothing known of the part. */
static void forget(ps_store_t *store)
{
    const ps_layout_t *layout = store->layout;
    uint8_t *values = (uint8_t *)store->values;
    unsigned i;
    store->state = STATE_NONE;
    store->copies = 0;
    for (i = 0; i < layout->values_bytes; ++i) {
        values[i] = 0; /* the byte after a text stays so */
    }
    for (i = 0; i < layout->ring_count; ++i) {
        store->rings[i].sequence = ERASED;
        store->rings[i].revision = 0;
        store->rings[i].health = PS_HEALTH_DEFAULTS;
        store->rings[i].passed = 0;
        default_group(store, &layout->groups[i]);
    }
}

ps_status_t ps_mount(ps_store_t *store)
{
    const ps_layout_t *layout = store->layout;
    ps_status_t first;
    ps_status_t label;
    ps_status_t status = PS_OK;
    unsigned step = 0;
    unsigned health = 0;
    bool records = false;
    bool older;
    unsigned g;
    forget(store);
    first = read_label(store, step);
    label = first;
    if (first == PS_BLANK || first == PS_FLAGGED) {
        step = layout->label_step;
        label = read_label(store, step);
    }
    older = label == PS_OLDER;
    if (older || label == PS_OK) {
        label = check_size(store, step);
    }
    if (label >= PS_ERR_NACK) {
        store->state = label >= PS_ERR_FOREIGN ? STATE_REFUSED : STATE_NONE;
        return label;
    }
    for (g = 0; status == PS_OK && g < layout->group_count; ++g) {
        status = mount_group(store, &layout->groups[g], &store->rings[g]);
    }
    if (status == PS_OK && (older || label != PS_OK) && layout->take_over != NULL) {
        status = layout->take_over(store, false);
    }
    for (g = 0; g < layout->group_count; ++g) {
        ps_ring_t *ring = &store->rings[g];
        if (check_group(store, &layout->groups[g], true) != PS_OK) {
            ring->health |= PS_HEALTH_LIMIT;
        }
        health |= ring->health;
        records = records || ring->sequence != ERASED;
    }
    if (status != PS_OK) {
        return status;
    }
    store->state = label == PS_OK && !older ? STATE_READY : STATE_UNLABELLED;
    if (older) {
        return PS_OLDER;
    }
    if (label == PS_OK || records) {
        return health != 0u || first != PS_OK ? PS_FLAGGED : PS_OK;
    }
    /* No label and no record. A first copy that is erased over erased rings is a blank part, or
     * one whose very first format was cut. */
    if (first == PS_BLANK && (health & PS_HEALTH_DAMAGE) == 0u) {
        return PS_BLANK;
    }
    store->state = STATE_REFUSED;
    return PS_ERR_FOREIGN;
}

/* May the part be written to? */
static ps_status_t writable(const ps_store_t *store)
{
    if (store->copies != 0u) {
        return PS_ERR_BUSY;
    }
    if (store->state == STATE_REFUSED) {
        return PS_ERR_FOREIGN;
    }
    return store->state == STATE_NONE ? PS_ERR_STATE : PS_OK;
}

/* What was taken over goes first: as long as the label is the old one, it is taken over again. Never over
 * the only whole copy: copy 1 comes first, unless that one is whole. */
ps_status_t ps_format(ps_store_t *store)
{
    const ps_layout_t *layout = store->layout;
    unsigned first = layout->label_step;
    ps_status_t status = writable(store);
    if (status == PS_OK && layout->take_over != NULL) {
        status = layout->take_over(store, true);
    }
    if (status == PS_OK) {
        status = read_label(store, first);
        if (status == PS_ERR_NACK || status == PS_ERR_BUS) {
            return status;
        }
        if (status == PS_OK || status == PS_OLDER) {
            first = 0;
        }
        status = write_span(store, first, layout->label, layout->label_bytes);
    }
    if (status == PS_OK) {
        status = write_span(store, layout->label_step - first, layout->label,
                            layout->label_bytes);
    }
    if (status == PS_OK) {
        status = check_size(store, 0);
        store->state = status == PS_ERR_PART ? STATE_REFUSED : STATE_READY;
    }
    return status;
}

/* Write a label copy 0 that names no store, so that mount refuses the part from here to the end of
 * the wipe: rings erased in part would lead back to records that were wiped. A label there that is not
 * ours, such as this one from a wipe that was interrupted, does as well and stays. */
static ps_status_t mark_for_wipe(ps_store_t *store)
{
    const ps_layout_t *layout = store->layout;
    uint8_t mark[CHUNK_BYTES]; /* no label is longer */
    unsigned crc_at = layout->label_bytes - CRC_BYTES;
    uint32_t crc = 0xFFFFFFFFu;
    unsigned i;
    ps_status_t status = read_label(store, 0);
    if (status >= PS_ERR_NACK) {
        return status >= PS_ERR_FOREIGN ? PS_OK : status;
    }
    for (i = 0; i < crc_at; ++i) {
        mark[i] = i >= 8u && i < 12u ? 0u : layout->label[i];
        crc = crc_byte(crc, mark[i]);
    }
    for (i = 0; i < CRC_BYTES; ++i) {
        mark[crc_at + i] = byte_of(~crc, i);
    }
    return write_span(store, 0, mark, layout->label_bytes);
}

ps_status_t ps_wipe(ps_store_t *store)
{
    const ps_layout_t *layout = store->layout;
    ps_status_t status = store->copies != 0u ? PS_ERR_BUSY : PS_OK;
    unsigned g;
    unsigned slot;
    if (status == PS_OK) {
        forget(store);
        status = mark_for_wipe(store);
    }
    for (g = 0; status == PS_OK && g < layout->ring_count; ++g) {
        const ps_group_t *group = &layout->groups[g];
        for (slot = 0; status == PS_OK && slot < group->slots; ++slot) {
            uint32_t s;
            status = read_head(store, group, slot, &s);
            if (status == PS_OK && s != ERASED) {
                status = write_span(store, slot_address(group, slot), NULL,
                                    page_part(store, crc_offset(group)));
            }
        }
    }
    if (status == PS_OK) {
        status = write_span(store, layout->label_step, NULL, layout->label_bytes);
    }
    if (status == PS_OK) {
        status = write_span(store, 0, NULL, layout->label_bytes);
    }
    if (status == PS_OK) {
        store->state = STATE_UNLABELLED;
    }
    return status;
}

/* ---- Changes of values --------------------------------------------------------------------- */

/* May the values of this group change? */
static ps_status_t changeable(const ps_store_t *store, unsigned group)
{
    if (group >= store->layout->group_count) {
        return PS_ERR_ARGUMENT;
    }
    if (store->copies != 0u && store->group == group) {
        return PS_ERR_BUSY;
    }
    if ((store->layout->groups[group].traits & PS_PROTECTED) != 0u &&
        (store->rings[group].health & PS_HEALTH_UNLOCKED) == 0u) {
        return PS_ERR_LOCKED;
    }
    return PS_OK;
}

static unsigned group_of(const ps_store_t *store, unsigned field)
{
    const ps_layout_t *layout = store->layout;
    unsigned g = 0;
    while (g < layout->group_count &&
           field - layout->groups[g].first_field >= layout->groups[g].field_count) {
        ++g;
    }
    return g;
}

/* Change bytes of a member; the group is dirty if that changes anything, or if it has never been
 * committed. */
static void change(ps_store_t *store, unsigned field, unsigned offset, const uint8_t *from,
                   unsigned count)
{
    ps_ring_t *ring = &store->rings[group_of(store, field)];
    uint8_t *to = member(store, field_at(store, field)) + offset;
    unsigned i;
    if (ring->sequence == ERASED || !same(to, from, count)) {
        ring->health |= PS_HEALTH_DIRTY;
    }
    for (i = 0; i < count; ++i) {
        to[i] = from[i];
    }
}

ps_status_t ps_set(ps_store_t *store, uint16_t field, uint16_t first, uint16_t count,
                   const void *values)
{
    const ps_field_t *f;
    const uint8_t *from = (const uint8_t *)values;
    ps_status_t status = changeable(store, group_of(store, field));
    uint8_t wire[8];
    unsigned i;
    if (status != PS_OK) {
        return status;
    }
    f = field_at(store, field); /* it exists, now that its group does */
    if (first > f->count || count > f->count - first) {
        return PS_ERR_ARGUMENT;
    }
    for (i = 0; i < count; ++i) {
        load_element(wire, from + (size_t)i * f->size, f->size);
        if (!allowed(f, wire)) {
            return PS_ERR_LIMIT;
        }
    }
    change(store, field, (unsigned)first * f->size, from, (unsigned)count * f->size);
    return PS_OK;
}

ps_status_t ps_set_text(ps_store_t *store, uint16_t field, const char *text)
{
    static const uint8_t end = 0;
    const ps_field_t *f;
    ps_status_t status = changeable(store, group_of(store, field));
    unsigned length = 0;
    if (status != PS_OK) {
        return status;
    }
    f = field_at(store, field);
    while (length <= f->count && text[length] != '\0') {
        ++length;
    }
    if ((f->form & PS_TEXT) == 0u || length > f->count) {
        return PS_ERR_ARGUMENT;
    }
    change(store, field, 0, (const uint8_t *)text, length);
    for (; length < f->count; ++length) {
        change(store, field, length, &end, 1);
    }
    return PS_OK;
}

ps_status_t ps_reset_field(ps_store_t *store, uint16_t field)
{
    unsigned g = group_of(store, field);
    ps_status_t status = changeable(store, g);
    if (status == PS_OK) {
        default_parameter(store, &store->layout->groups[g], field);
        store->rings[g].health |= PS_HEALTH_DIRTY;
    }
    return status;
}

ps_status_t ps_reset(ps_store_t *store, uint8_t group)
{
    ps_status_t status = ps_touch(store, group);
    if (status == PS_OK) {
        default_group(store, &store->layout->groups[group]);
    }
    return status;
}

ps_status_t ps_touch(ps_store_t *store, uint8_t group)
{
    ps_status_t status = changeable(store, group);
    if (status == PS_OK) {
        store->rings[group].health |= PS_HEALTH_DIRTY;
    }
    return status;
}

ps_status_t ps_unlock(ps_store_t *store, uint8_t group)
{
    if (group >= store->layout->group_count) {
        return PS_ERR_ARGUMENT;
    }
    store->rings[group].health |= PS_HEALTH_UNLOCKED;
    return PS_OK;
}

ps_status_t ps_lock(ps_store_t *store, uint8_t group)
{
    if (group >= store->layout->group_count) {
        return PS_ERR_ARGUMENT;
    }
    store->rings[group].health &= (uint8_t)~PS_HEALTH_UNLOCKED;
    return PS_OK;
}

uint8_t ps_health(const ps_store_t *store, uint8_t group)
{
    return group < store->layout->group_count ? store->rings[group].health
                                              : (uint8_t)PS_HEALTH_DEFAULTS;
}

uint32_t ps_sequence(const ps_store_t *store, uint8_t group)
{
    return group < store->layout->group_count ? store->rings[group].sequence : ERASED;
}

/* ---- Commit -------------------------------------------------------------------------------- */

/* Firmware of a later release may have written the group: what it added stays in the record. */
static uint8_t later_revision(const ps_group_t *group, const ps_ring_t *ring)
{
    return ring->revision > group->revision ? ring->revision : group->revision;
}

/* The page at `offset` of the record. Where there are bytes that are not ours, the newest record is read
 * first, and what it holds of them stays. Then our bytes are laid over it and taken into the CRC. */
static void commit_page(ps_store_t *store)
{
    const ps_group_t *group = &store->layout->groups[store->group];
    const ps_ring_t *ring = &store->rings[store->group];
    unsigned crc_at = crc_offset(group);
    unsigned at = store->offset;
    unsigned n = page_part(store, crc_at + CRC_BYTES - at);
    uint32_t sequence = store->sequence;
    uint8_t phase = PHASE_WRITE;
    unsigned i;
    walk_t walk;
    if (store->phase != PHASE_READ && ring->sequence != ERASED &&
        ((group->traits & PS_RESERVED) != 0u || ring->revision > group->revision)) {
        sequence = ring->sequence;
        phase = PHASE_READ;
    }
    walk_from(&walk, store, group, at > HEADER_BYTES ? at - HEADER_BYTES : 0u);
    for (i = 0; phase == PHASE_WRITE && i < n; ++i, ++at) {
        uint8_t byte = data(store)[i];
        if (at < 4u) {
            byte = byte_of(sequence, at);
        } else if (at < HEADER_BYTES) {
            byte = later_revision(group, ring);
        } else if (at >= crc_at) {
            byte = byte_of(~store->crc, at - crc_at);
        } else {
            const ps_field_t *field = walk.field;
            const uint8_t *place = walk_next(&walk, store);
            if (place != NULL) {
                byte = *place;
            } else if (field == walk.end) {
                byte = ring->revision > group->revision ? byte : 0xFFu; /* room for growth */
            } else if (ring->revision < field->since) {
                byte = group->defaults[at - HEADER_BYTES];
            }
        }
        if (at < crc_at) {
            store->crc = crc_byte(store->crc, byte);
        }
        data(store)[i] = byte;
    }
    page_begin(store, slot_address(group, slot_of(group, sequence)) + store->offset, n, phase);
}

static void commit_record(ps_store_t *store)
{
    const ps_ring_t *ring = &store->rings[store->group];
    store->sequence = ring->sequence + 1u + ring->passed;
    store->crc = store->layout->groups[store->group].crc_start;
    store->offset = 0;
    store->phase = PHASE_WRITE;
    commit_page(store);
}

static ps_status_t commit_start(ps_store_t *store, unsigned group)
{
    ps_status_t status = check_group(store, &store->layout->groups[group], false);
    if (status == PS_OK) {
        store->group = (uint8_t)group;
        store->copies = store->layout->groups[group].copies;
        commit_record(store);
        status = PS_PENDING;
    }
    return status;
}

ps_status_t ps_commit_begin(ps_store_t *store, uint8_t group)
{
    ps_status_t status = writable(store);
    if (status == PS_OK && group >= store->layout->group_count) {
        status = PS_ERR_ARGUMENT;
    }
    if (status != PS_OK || (store->rings[group].health & PS_HEALTH_DIRTY) == 0u) {
        return status;
    }
    status = store->state == STATE_READY ? changeable(store, group) : PS_ERR_STATE;
    return status == PS_OK ? commit_start(store, group) : status;
}

/* A page is done: go on with the record, with its copy, or end. */
static ps_status_t commit_next(ps_store_t *store)
{
    const ps_group_t *group = &store->layout->groups[store->group];
    ps_ring_t *ring = &store->rings[store->group];
    store->offset = (uint16_t)(store->offset + store->count);
    if (store->offset < crc_offset(group) + CRC_BYTES) {
        commit_page(store);
        return PS_PENDING;
    }
    ring->sequence = store->sequence;
    ring->revision = later_revision(group, ring);
    ring->passed = 0;
    ring->health &= (uint8_t)~(PS_HEALTH_DEFAULTS | PS_HEALTH_DAMAGE | PS_HEALTH_LIMIT);
    --store->copies;
    if (store->copies != 0u) {
        commit_record(store);
        return PS_PENDING;
    }
    ring->health &= (uint8_t)~(PS_HEALTH_DIRTY | PS_HEALTH_UNLOCKED | PS_HEALTH_MIGRATED);
    return PS_OK;
}

ps_status_t ps_step(ps_store_t *store, uint16_t elapsed_us)
{
    ps_ring_t *ring = &store->rings[store->group];
    ps_status_t status;
    if (store->copies == 0u) {
        return PS_OK;
    }
    status = page_step(store, elapsed_us);
    if (status == PS_OK && store->phase == PHASE_READ) {
        commit_page(store);
        return PS_PENDING;
    }
    if (status == PS_OK) {
        return commit_next(store);
    }
    if (status == PS_ERR_VERIFY) {
        ring->health |= PS_HEALTH_WORN;
        if (ring->passed < skip_limit(&store->layout->groups[store->group])) {
            ++ring->passed;
            commit_record(store);
            return PS_PENDING;
        }
    }
    if (status != PS_PENDING) {
        store->copies = 0;
    }
    return status;
}

static ps_status_t commit_finish(ps_store_t *store, ps_status_t status)
{
    while (status == PS_PENDING) {
        status = ps_step(store, (uint16_t)page_wait(store));
    }
    return status;
}

/* Commit a group whether it is locked or not, and before there is a label. */
static ps_status_t commit_whole(ps_store_t *store, unsigned group)
{
    return commit_finish(store, commit_start(store, group));
}

ps_status_t ps_commit(ps_store_t *store, uint8_t group)
{
    return commit_finish(store, ps_commit_begin(store, group));
}

ps_status_t ps_commit_all(ps_store_t *store)
{
    ps_status_t status = PS_OK;
    uint8_t g;
    for (g = 0; status == PS_OK && g < store->layout->group_count; ++g) {
        status = ps_commit(store, g);
    }
    return status;
}

/* ---- Factory image ------------------------------------------------------------------------- */

/* Is it an image of this layout and release, with a whole record in slot 0 of each ring? */
static bool image_ok(const ps_layout_t *layout, const uint8_t *image)
{
    bool ok = same(image, layout->label, layout->label_bytes);
    unsigned g;
    for (g = 0; ok && g < layout->group_count; ++g) {
        const ps_group_t *group = &layout->groups[g];
        const uint8_t *at = image + group->address;
        unsigned left = crc_offset(group) + CRC_BYTES;
        uint32_t crc = group->crc_start;
        for (; left > 0u; --left) {
            crc = crc_byte(crc, *at++);
        }
        ok = crc == CRC_RESIDUE;
    }
    return ok;
}

/* The label goes first: mount takes a torn record without one for data of somebody else. */
ps_status_t ps_seed(ps_store_t *store, const uint8_t *image)
{
    const ps_layout_t *layout = store->layout;
    ps_status_t status = writable(store);
    uint8_t g;
    if (status == PS_OK && image != NULL && !image_ok(layout, image)) {
        status = PS_ERR_LAYOUT;
    }
    if (status == PS_OK && store->state != STATE_READY) {
        status = ps_format(store);
    }
    for (g = 0; status == PS_OK && g < layout->group_count; ++g) {
        const ps_group_t *group = &layout->groups[g];
        ps_ring_t *ring = &store->rings[g];
        if (ring->sequence == ERASED && (ring->health & PS_HEALTH_MIGRATED) == 0u) {
            load_group(store, group,
                       image != NULL ? image + group->address + HEADER_BYTES : group->defaults);
            ring->health |= PS_HEALTH_DIRTY | PS_HEALTH_UNLOCKED;
            status = ps_commit(store, g);
            ring->health &= (uint8_t)~PS_HEALTH_UNLOCKED;
        }
    }
    return status;
}

const char *ps_status_name(ps_status_t status)
{
    switch (status) {
    case PS_OK: return "PS_OK";
    case PS_PENDING: return "PS_PENDING";
    case PS_FLAGGED: return "PS_FLAGGED";
    case PS_BLANK: return "PS_BLANK";
    case PS_OLDER: return "PS_OLDER";
    case PS_ERR_NACK: return "PS_ERR_NACK";
    case PS_ERR_BUS: return "PS_ERR_BUS";
    case PS_ERR_SUPPLY: return "PS_ERR_SUPPLY";
    case PS_ERR_VERIFY: return "PS_ERR_VERIFY";
    case PS_ERR_FOREIGN: return "PS_ERR_FOREIGN";
    case PS_ERR_LAYOUT: return "PS_ERR_LAYOUT";
    case PS_ERR_PART: return "PS_ERR_PART";
    case PS_ERR_LIMIT: return "PS_ERR_LIMIT";
    case PS_ERR_RULE: return "PS_ERR_RULE";
    case PS_ERR_LOCKED: return "PS_ERR_LOCKED";
    case PS_ERR_BUSY: return "PS_ERR_BUSY";
    case PS_ERR_STATE: return "PS_ERR_STATE";
    case PS_ERR_ARGUMENT: return "PS_ERR_ARGUMENT";
    }
    return "PS_ERR_ARGUMENT";
}
