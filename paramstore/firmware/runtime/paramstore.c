/* paramstore.c: see paramstore.h for the interface, FORMAT.md for the bytes on the EEPROM.
 *
 * In order: elements and limits, values, bus, one page, records, the newest record of a ring,
 * changes of values, commit, label, mount and format, what earlier releases kept elsewhere,
 * factory image.
 *
 * Every bus transfer goes through `transfer`. Bytes from the part are trusted no further than the
 * CRC says, and never used as an index or a length. Counters are `unsigned`, which has at least
 * 16 bits: no record is longer than 32 KiB. Written to be small: what can be derived is not kept.
 */
#include "paramstore.h"

#include <stddef.h>

#define NUMBER_BYTES 4u /* of a sequence number, the front of the header */
#define HEADER_BYTES 5u
#define CRC_BYTES 4u
#define SKIP_LIMIT 3u /* slots that one commit may pass over */
#define LOAD_TRIES 3u /* scans for another record before mount takes defaults */
#define READ_TRIES 2u /* a record that reads wrong is read again before that counts */

/* Sequence numbers as read from the head of a slot. They end below the magic of the label read as
 * a number: so no slot begins like a label. */
#define ERASED 0u
#define JUNK 0xFFFFFFFFu /* not a number that belongs in that slot */
#define SEQUENCE_END 0xD0000000u
#define SEQUENCE_FULL (SEQUENCE_END - 256u) /* no commit begins from here on */

/* Read-back compares this many bytes at a time; they lie on the stack. The page buffer has room for as
 * many, or for a page if that is smaller: every label is as long. */
#define CHUNK_BYTES 32u

/* A function that is not made part of its caller: so the stack of the one does not add to that of
 * what the other calls, and calls from several places cost no code each. */
#if defined(__GNUC__)
#define APART __attribute__((noinline)) static
#else
#define APART static
#endif

/* ps_store_t.phase, of the page at hand */
enum { PHASE_READ, PHASE_CHECK, PHASE_WRITE, PHASE_VERIFY };

/* The call did not do what was asked. */
static bool failed(ps_status_t status)
{
    return status >= PS_ERR_NACK;
}

/* The part is not ours, or not of this layout or size. */
static bool refuses(ps_status_t status)
{
    return status == PS_ERR_FOREIGN || status == PS_ERR_LAYOUT || status == PS_ERR_PART;
}

/* It concerns one group: others can be committed all the same. */
static bool concerns_group(ps_status_t status)
{
    return status == PS_ERR_LIMIT || status == PS_ERR_RULE || status == PS_ERR_LOCKED ||
           status == PS_ERR_FULL || status == PS_ERR_VERIFY;
}

/* How the last read ended. */
static ps_status_t last_read(const ps_store_t *store)
{
    return (ps_status_t)store->last_read;
}

static bool read_ok(const ps_store_t *store)
{
    return last_read(store) == PS_OK;
}

/* Is the label of this release, or of a later one, on the part? Commits are accepted then. */
static bool labelled(const ps_store_t *store)
{
    return (ps_status_t)store->state == PS_OK;
}

static unsigned lesser(unsigned a, unsigned b)
{
    return a < b ? a : b;
}

/* Below 0, 0 or above 0, as `a` is less than, equal to or greater than `b`; first byte first. */
APART int order(const uint8_t *a, const uint8_t *b, unsigned count)
{
    int difference = 0;
    while (count-- > 0u && difference == 0) {
        difference = *a++ - *b++;
    }
    return difference;
}

/* ---- Elements and limits ------------------------------------------------------------------- */

/* Place in memory of byte `i` of a run of elements on the EEPROM, in either byte order. */
static unsigned byte_place(unsigned i, unsigned size)
{
    const uint16_t one = 1u;
    bool little = *(const uint8_t *)&one == 1u;
    return little ? i : i ^ (size - 1u);
}

/* The key of an element in memory, see ps_field_t. Comparing keys needs neither 64-bit nor
 * floating-point arithmetic. -0.0 has the key of 0.0; a NaN lies beyond infinity, in no range. */
static void load_key(uint8_t key[8], const uint8_t *element, const ps_field_t *field)
{
    unsigned size = field->size;
    unsigned form = field->form & PS_FORM;
    unsigned flip = 0; /* FF for a float below zero */
    unsigned carry;
    unsigned i;
    if (form == PS_FLOAT && element[byte_place(size - 1u, size)] >= 0x80u) {
        flip = 0xFFu;
    }
    carry = flip & 1u;
    for (i = 0; i < size; ++i) {
        carry += element[byte_place(i, size)] ^ flip;
        key[size - 1u - i] = (uint8_t)carry;
        carry >>= 8;
    }
    if (form != PS_UNSIGNED && flip == 0u) {
        key[0] ^= 0x80u;
    }
}

static bool allowed(const ps_field_t *field, const uint8_t *key)
{
    const uint8_t *limit = field->limits;
    unsigned size = field->size;
    unsigned i;
    if ((field->form & PS_MASK) != 0u) {
        for (i = 0; i < size; ++i) {
            if ((key[i] & ~(unsigned)limit[i]) != 0u) {
                return false;
            }
        }
        return true;
    }
    /* The first limit that is not below the key: is it one, or the upper end of a range? */
    for (i = 0; i < 2u * field->range_count; ++i) {
        int difference = order(key, limit, size);
        if (difference <= 0) {
            return difference == 0 || i % 2u != 0u;
        }
        limit = &limit[size];
    }
    return i == 0u;
}

/* Are all of `count` elements in memory within the limits of their field? */
static bool all_allowed(const ps_field_t *field, const uint8_t *element, unsigned count)
{
    uint8_t key[8];
    for (; count > 0u; --count) {
        load_key(key, element, field);
        if (!allowed(field, key)) {
            return false;
        }
        element += field->size;
    }
    return true;
}

/* ---- Texts --------------------------------------------------------------------------------- */

/* Bytes before the first 0; `most` if there is none among so many. */
static unsigned text_length(const uint8_t *text, unsigned most)
{
    unsigned length = 0;
    while (length < most && text[length] != 0u) {
        ++length;
    }
    return length;
}

/* Well-formed UTF-8 by table 3-7 of the Unicode standard: no longer form than need be, no surrogate,
 * nothing above U+10FFFF. */
APART bool utf8_ok(const uint8_t *text, unsigned count)
{
    unsigned more = 0; /* bytes of the character that follow */
    unsigned low = 0;  /* the next one of them is `low` to `high` */
    unsigned high = 0;
    for (; count > 0u; --count) {
        unsigned c = *text++;
        if (more != 0u) {
            if (c < low || c > high) {
                return false;
            }
            --more;
            low = 0x80u;
            high = 0xBFu;
        } else if (c >= 0x80u) {
            if (c < 0xC2u || c > 0xF4u) {
                return false;
            }
            more = 1;
            low = 0x80u;
            high = 0xBFu;
            if (c >= 0xE0u) {
                ++more;
            }
            if (c >= 0xF0u) {
                ++more;
            }
            if (c == 0xE0u) {
                low = 0xA0u;
            }
            if (c == 0xEDu) {
                high = 0x9Fu;
            }
            if (c == 0xF0u) {
                low = 0x90u;
            }
            if (c == 0xF4u) {
                high = 0x8Fu;
            }
        } else {
            /* ASCII stands for itself. */
        }
    }
    return more == 0u;
}

/* ---- Values -------------------------------------------------------------------------------- */

static const ps_group_t *group_at(const ps_store_t *store, unsigned index)
{
    return &store->layout->groups[index];
}

static const ps_field_t *field_at(const ps_store_t *store, unsigned index)
{
    return &store->layout->fields[index];
}

/* Bytes of a field in a record. */
static unsigned field_bytes(const ps_field_t *field)
{
    return (unsigned)field->count * (field->size != 0u ? field->size : 1u);
}

static uint8_t *member(ps_store_t *store, const ps_field_t *field)
{
    return (uint8_t *)store + field->member;
}

static ps_ring_t *ring_of(ps_store_t *store, const ps_group_t *group)
{
    return (ps_ring_t *)(void *)((uint8_t *)store + group->ring);
}

static ps_ring_t *ring_at(ps_store_t *store, unsigned index)
{
    return ring_of(store, group_at(store, index));
}

/* The field that byte `at` of a payload of the group at hand is of; NULL behind the last one. It
 * looks through the fields each time, about 15 cycles for each on a Cortex-M0+: no state to keep. */
static const ps_field_t *find_field(const ps_store_t *store, unsigned at)
{
    const ps_field_t *field = field_at(store, store->group->first_field);
    unsigned left;
    for (left = store->group->field_count; left > 0u; --left) {
        if (at - field->at < field_bytes(field)) {
            return field;
        }
        ++field;
    }
    return NULL;
}

/* The place in RAM of byte `at` of a payload of the group at hand; NULL if there is none, or if a
 * record of `revision` does not have it. */
APART uint8_t *find_place(ps_store_t *store, unsigned at, unsigned revision)
{
    const ps_field_t *field = find_field(store, at);
    if (field == NULL || field->size == 0u || field->since > revision) {
        return NULL;
    }
    return member(store, field) + byte_place(at - field->at, field->size);
}

/* Values for the fields from `field` on, up to but without `end`, from a payload of their group. */
static void load_fields(ps_store_t *store, const uint8_t *payload, const ps_field_t *field,
                        const ps_field_t *end)
{
    for (; field != end; ++field) {
        uint8_t *to = member(store, field);
        unsigned i;
        for (i = 0; i < (unsigned)field->count * field->size; ++i) {
            to[byte_place(i, field->size)] = payload[field->at + i];
        }
    }
}

static void load_group(ps_store_t *store, const ps_group_t *group, const uint8_t *payload)
{
    const ps_field_t *first = field_at(store, group->first_field);
    load_fields(store, payload, first, first + group->field_count);
}

static void default_group(ps_store_t *store, const ps_group_t *group)
{
    load_group(store, group, group->defaults);
}

/* Default values for one parameter: a curve has two fields, which belong together. */
static void default_parameter(ps_store_t *store, const ps_field_t *field)
{
    load_fields(store, group_at(store, field->group)->defaults,
                (field->form & PS_Y) != 0u ? field - 1 : field,
                (field->form & PS_X) != 0u ? field + 2 : field + 1);
}

/* Element by element, `low` below `high`; of one field, each element below the next one. */
APART bool rule_ok(ps_store_t *store, const ps_field_t *low, const ps_field_t *high)
{
    const uint8_t *a = member(store, low);
    const uint8_t *b = member(store, high);
    unsigned left = low->count;
    uint8_t key_a[8];
    uint8_t key_b[8];
    if (a == b) {
        b += low->size;
        --left;
    }
    for (; left > 0u; --left) {
        load_key(key_a, a, low);
        load_key(key_b, b, low);
        if (order(key_a, key_b, low->size) >= 0) {
            return false;
        }
        a += low->size;
        b += low->size;
    }
    return true;
}

/* Are the values of a field in memory allowed? Fills a text with 0 behind its end. */
static bool field_ok(ps_store_t *store, const ps_field_t *field)
{
    uint8_t *values = member(store, field);
    unsigned i;
    if ((field->form & PS_TEXT) == 0u) {
        return all_allowed(field, values, field->count);
    }
    i = text_length(values, field->count);
    if (values[i] != 0u || !utf8_ok(values, i)) {
        return false;
    }
    for (; i <= field->count; ++i) { /* the byte behind the field, too */
        values[i] = 0;
    }
    return true;
}

/* Check every limit and rule of the group at hand. With `mend`, give defaults to each parameter that
 * breaks a limit, then to the two parameters of each broken rule, until no rule is broken: it ends,
 * as defaults keep all rules, and every pass gives defaults to a parameter that had none. */
static ps_status_t check_group(ps_store_t *store, bool mend)
{
    const ps_group_t *group = store->group;
    const ps_field_t *field = field_at(store, group->first_field);
    ps_status_t status = PS_OK;
    bool again;
    unsigned i;
    for (i = 0; i < group->field_count; ++i) {
        if (!field_ok(store, field)) {
            status = PS_ERR_LIMIT;
            if (mend) {
                default_parameter(store, field);
            }
        }
        ++field;
    }
    do {
        again = false;
        for (i = 0; i < group->rule_count; ++i) {
            const ps_rule_t *rule = &group->rules[i];
            if (!rule_ok(store, rule->low, rule->high)) {
                status = PS_ERR_RULE;
                again = mend;
                if (mend) {
                    default_parameter(store, rule->low);
                    default_parameter(store, rule->high);
                }
            }
        }
    } while (again);
    return status;
}

/* ---- Bus ----------------------------------------------------------------------------------- */

/* What a CRC register begins with, and what it holds after data and their CRC, if that is right. */
#define CRC_START 0xFFFFFFFFu
#define CRC_RESIDUE 0xB798B438u

/* CRC-32C, bit by bit: about 80 cycles a byte on a Cortex-M0+; the bus takes 22 us for it. */
static void crc_update(ps_store_t *store, const uint8_t *bytes, unsigned count)
{
    uint32_t crc = store->crc;
    unsigned bit;
    for (; count > 0u; --count) {
        crc ^= *bytes++;
        for (bit = 0; bit < 8u; ++bit) {
            crc = (crc >> 1) ^ (0x82F63B78u & (0u - (crc & 1u)));
        }
    }
    store->crc = crc;
}

/* The page buffer lies right behind the store, and right behind the memory address in it. */
static uint8_t *page(ps_store_t *store)
{
    return (uint8_t *)store + sizeof *store;
}

/* One transfer: read `count` bytes into `in`; or write that many bytes of the page if it is NULL. */
static ps_status_t transfer(ps_store_t *store, uint32_t address, uint8_t *in, unsigned count)
{
    const ps_layout_t *layout = store->layout;
    const ps_port_t *port = store->port;
    uint8_t *out = page(store);
    unsigned out_count = layout->address_bytes;
    *--out = (uint8_t)address;
    address >>= 8;
    if (out_count > 1u) {
        *--out = (uint8_t)address;
        address >>= 8;
    }
    address = layout->address | address << layout->block_shift;
    if (in == NULL) {
        out_count += count;
        count = 0;
    }
    return port->transfer(port->user, (uint8_t)address, out, (uint16_t)out_count, in,
                          (uint16_t)count);
}

static uint16_t time_left(uint16_t us, unsigned elapsed_us)
{
    return us > elapsed_us ? (uint16_t)(us - elapsed_us) : 0u;
}

/* From here on the part may take its whole time, once, to answer the reads that follow: a write may be
 * going on from before a reset; no other one begins in between. So a part that is slow, or gone, is
 * waited for once, not at each of some hundred reads. */
static void be_patient(ps_store_t *store)
{
    store->left_us = store->layout->timeout_us;
}

/* Read into `in`, asking again while the part is busy. */
APART ps_status_t read_into(ps_store_t *store, uint32_t address, uint8_t *in, unsigned count)
{
    ps_status_t status;
    for (;;) {
        status = transfer(store, address, in, count);
        store->last_read = (uint8_t)status;
        if (status != PS_ERR_NACK || store->left_us == 0u) {
            return status;
        }
        store->port->wait_us(store->port->user, store->layout->poll_us);
        store->left_us = time_left(store->left_us, store->layout->poll_us);
    }
}

/* The same into the page buffer. */
static ps_status_t read_bytes(ps_store_t *store, uint32_t address, unsigned count)
{
    return read_into(store, address, page(store), count);
}

/* ---- One page: write, wait for the part, read back ----------------------------------------- */

static unsigned page_part(const ps_store_t *store, unsigned count)
{
    return lesser(count, store->layout->page_bytes);
}

/* Begin to read a page into the buffer, or to write the one that is in it. */
static void page_begin(ps_store_t *store, unsigned phase)
{
    be_patient(store);
    store->wait_us = 0;
    store->phase = (uint8_t)phase;
}

/* Read back what was sent. Serves as the acknowledge poll too: a busy part does not answer. */
static ps_status_t page_compare(ps_store_t *store, uint32_t address, unsigned count)
{
    uint8_t chunk[CHUNK_BYTES];
    const uint8_t *sent = page(store);
    while (count > 0u) {
        unsigned n = lesser(count, CHUNK_BYTES);
        ps_status_t status = transfer(store, address, chunk, n);
        if (status != PS_OK) {
            return status;
        }
        if (order(chunk, sent, n) != 0) {
            return PS_ERR_VERIFY;
        }
        address += n;
        sent = &sent[n];
        count -= n;
    }
    return PS_OK;
}

/* One try at the page at hand. PS_PENDING: call again when wait_us has passed. A page that compares
 * unlike is read again: one bad read must not pass for a worn page. Then it must be right twice: bad
 * reads must not hide a write that was lost either. */
static ps_status_t page_step(ps_store_t *store, uint32_t address, unsigned count,
                             unsigned elapsed_us)
{
    const ps_port_t *port = store->port;
    ps_status_t status = PS_ERR_SUPPLY;
    store->left_us = time_left(store->left_us, elapsed_us);
    store->wait_us = time_left(store->wait_us, elapsed_us);
    if (store->wait_us != 0u) {
        return PS_PENDING;
    }
    if (store->phase == PHASE_VERIFY || store->phase == PHASE_CHECK) {
        status = page_compare(store, address, count);
        if (status == PS_ERR_VERIFY) {
            status = page_compare(store, address, count);
            if (status == PS_OK) {
                status = page_compare(store, address, count);
            }
        }
    } else if (store->phase == PHASE_READ) {
        status = transfer(store, address, page(store), count);
    } else if (port->supply_good == NULL || port->supply_good(port->user)) {
        status = transfer(store, address, NULL, count);
        if (status == PS_OK) {
            page_begin(store, PHASE_VERIFY);
            status = PS_PENDING;
        }
    } else {
        /* PS_ERR_SUPPLY */
    }
    if (status == PS_ERR_NACK && store->left_us != 0u) {
        status = PS_PENDING;
    }
    store->wait_us = store->layout->poll_us;
    return status;
}

/* Let the time pass until the page at hand is due; returns how long that was. */
static unsigned page_wait(const ps_store_t *store)
{
    if (store->wait_us != 0u) {
        store->port->wait_us(store->port->user, store->wait_us);
    }
    return store->wait_us;
}

/* Write and read back `count` bytes, page by page; FF instead of `bytes` if that is NULL. */
static ps_status_t write_span(ps_store_t *store, uint32_t address, const uint8_t *bytes,
                              unsigned count)
{
    ps_status_t status = PS_OK;
    while (status == PS_OK && count > 0u) {
        unsigned n = page_part(store, count);
        unsigned i;
        for (i = 0; i < n; ++i) {
            page(store)[i] = bytes != NULL ? *bytes++ : 0xFFu;
        }
        page_begin(store, PHASE_WRITE);
        do {
            status = page_step(store, address, n, page_wait(store));
        } while (status == PS_PENDING);
        be_patient(store);
        address += n;
        count -= n;
    }
    return status;
}

/* ---- Records ------------------------------------------------------------------------------- */

/* Offset of the CRC in a record of the group at hand. */
static unsigned crc_offset(const ps_store_t *store)
{
    return store->group->body_bytes + HEADER_BYTES;
}

static unsigned slot_of(const ps_store_t *store, uint32_t sequence)
{
    return (unsigned)((sequence - 1u) % store->group->slots);
}

static uint32_t slot_address(const ps_store_t *store, unsigned slot)
{
    return store->group->address + (uint32_t)slot * store->group->slot_bytes;
}

static uint32_t record_address(const ps_store_t *store, uint32_t sequence)
{
    return slot_address(store, slot_of(store, sequence));
}

static uint32_t number(const uint8_t *bytes)
{
    uint32_t n = 0;
    unsigned i = NUMBER_BYTES;
    while (i-- > 0u) {
        n = n << 8 | bytes[i];
    }
    return n;
}

/* Byte `i` of a number, least significant first. */
static uint8_t byte_of(uint32_t number, unsigned i)
{
    return (uint8_t)(number >> (8u * i));
}

/* Read record `sequence` from its slot into the values, which must be defaults: a field that is
 * not in the record keeps them. False if it is not valid or cannot be read; then they are spoilt. */
APART bool read_record(ps_store_t *store, uint32_t sequence)
{
    ps_ring_t *ring = ring_of(store, store->group);
    uint32_t address = record_address(store, sequence);
    unsigned end = crc_offset(store) + CRC_BYTES;
    unsigned at = 0;
    store->crc = store->group->crc_start;
    while (at < end) {
        unsigned n = page_part(store, end - at);
        const uint8_t *from = page(store);
        if (read_bytes(store, address + at, n) != PS_OK) {
            return false;
        }
        if (at == 0u) {
            if (number(from) != sequence) {
                return false;
            }
            ring->revision = from[NUMBER_BYTES];
        }
        crc_update(store, from, n);
        for (; n > 0u; --n) {
            uint8_t *place = NULL;
            if (at >= HEADER_BYTES) {
                place = find_place(store, at - HEADER_BYTES, ring->revision);
            }
            if (place != NULL) {
                *place = *from;
            }
            ++from;
            ++at;
        }
    }
    return store->crc == CRC_RESIDUE;
}

/* ---- The newest record of a ring ----------------------------------------------------------- */

/* The sequence number at the head of a slot: ERASED, JUNK, or one that belongs there. JUNK too if
 * it cannot be read. */
static uint32_t read_head(ps_store_t *store, unsigned slot)
{
    uint32_t s;
    if (read_bytes(store, slot_address(store, slot), NUMBER_BYTES) != PS_OK) {
        return JUNK;
    }
    s = number(page(store));
    if (s == 0xFFFFFFFFu) {
        return ERASED;
    }
    return s != 0u && s < SEQUENCE_END && slot_of(store, s) == slot ? s : JUNK;
}

/* The same. What is not the number that would lead on, and so speaks against a newer record, is read
 * twice: JUNK if the two readings differ. */
static uint32_t confirm_head(ps_store_t *store, unsigned slot, uint32_t leads_on)
{
    uint32_t s = read_head(store, slot);
    if (s != leads_on && read_ok(store) && read_head(store, slot) != s) {
        return JUNK;
    }
    return s;
}

/* How many slots one commit may pass over: never as far as the newest record. */
static unsigned skip_limit(const ps_store_t *store)
{
    return lesser(store->group->slots - 2u, SKIP_LIMIT);
}

/* The number that a slot held before record `sequence` was written to it. */
static uint32_t lap_before(const ps_store_t *store, uint32_t sequence)
{
    return sequence > store->group->slots ? sequence - store->group->slots : ERASED;
}

/* The newest number of a ring by its heads: ERASED if there is none, JUNK if they are not in
 * order. From slot 0 to the newest record numbers rise by one; the slots behind it are one lap
 * before. So bisection finds it, looking at about log2(slots) heads. A commit may have passed
 * over slots without a trace: as many behind the newest must be in order too. */
APART uint32_t find_newest(ps_store_t *store)
{
    unsigned low = 0;
    unsigned span = store->group->slots;
    unsigned k;
    uint32_t newest = read_head(store, 0);
    if (newest == ERASED) {
        newest = read_head(store, 0);
    }
    if (newest == JUNK) {
        return JUNK;
    }
    while (span > 1u) {
        unsigned half = span / 2u;
        uint32_t s = confirm_head(store, low + half, newest + half);
        if (s == newest + half) {
            low += half;
            newest = s;
            span -= half;
        } else if (s == lap_before(store, newest + half)) {
            span = half;
        } else {
            return JUNK;
        }
    }
    /* The first slot behind the newest was met above. */
    for (k = 2; k <= skip_limit(store) + 1u; ++k) {
        if (confirm_head(store, (low + k) % store->group->slots, newest + k) !=
            lap_before(store, newest + k)) {
            return JUNK;
        }
    }
    return newest;
}

/* The greatest valid number below `limit`, looking at every slot; spoils the values. Downwards from
 * the slot before that of `limit`, so that usually just one record is read. ERASED if there is none. */
static uint32_t scan(ps_store_t *store, uint32_t limit)
{
    unsigned slot = slot_of(store, limit);
    unsigned left;
    uint32_t newest = ERASED;
    for (left = store->group->slots; left > 0u && read_ok(store); --left) {
        bool found = false;
        unsigned tries;
        slot = (slot > 0u ? slot : store->group->slots) - 1u;
        for (tries = READ_TRIES; tries > 0u && !found && read_ok(store); --tries) {
            uint32_t s = read_head(store, slot);
            found = s > newest && s < limit && read_record(store, s);
            newest = found ? s : newest;
        }
    }
    return newest;
}

/* Load record `sequence` of the group at hand. False if it is not valid, twice, or cannot be read. */
static bool load_record(ps_store_t *store, uint32_t sequence)
{
    unsigned tries;
    for (tries = READ_TRIES; tries > 0u && read_ok(store); --tries) {
        default_group(store, store->group);
        if (read_record(store, sequence)) {
            return true;
        }
    }
    return false;
}

/* Is record `copy` whole? `same` tells whether it also has the body of record `sequence`. */
APART bool copy_ok(ps_store_t *store, uint32_t sequence, uint32_t copy, bool *same)
{
    uint8_t chunk[CHUNK_BYTES];
    uint32_t from = record_address(store, sequence);
    uint32_t copy_from = record_address(store, copy);
    unsigned crc_at = crc_offset(store);
    unsigned at = 0;
    bool equal = true;
    *same = false;
    store->crc = store->group->crc_start;
    while (at < crc_at + CRC_BYTES) {
        unsigned n = lesser(page_part(store, crc_at + CRC_BYTES - at), CHUNK_BYTES);
        unsigned i;
        if (read_into(store, copy_from + at, chunk, n) != PS_OK ||
            (at == 0u && number(chunk) != copy) ||
            read_bytes(store, from + at, n) != PS_OK) {
            return false;
        }
        crc_update(store, chunk, n);
        for (i = 0; i < n; ++i) {
            if (at >= NUMBER_BYTES && at < crc_at && chunk[i] != page(store)[i]) {
                equal = false;
            }
            ++at;
        }
    }
    *same = equal && store->crc == CRC_RESIDUE;
    return store->crc == CRC_RESIDUE;
}

/* Has the newest record of the group at hand as many copies as the group asks? They are the records
 * right before it; slots that a commit passed over may lie between. */
static bool copies_ok(ps_store_t *store, uint32_t sequence)
{
    const ps_group_t *group = store->group;
    unsigned missing = group->copies - 1u;
    unsigned most = lesser(missing + skip_limit(store), group->slots - 1u);
    unsigned k;
    for (k = 1; missing > 0u && k <= most && k < sequence && read_ok(store); ++k) {
        bool same = false;
        bool whole = false;
        unsigned tries;
        for (tries = READ_TRIES; tries > 0u && !same && read_ok(store); --tries) {
            whole = copy_ok(store, sequence, sequence - k, &same) || whole;
        }
        if (whole && !same) {
            return false;
        }
        missing -= same ? 1u : 0u;
    }
    return missing == 0u;
}

/* Load the newest record of a group into values that are defaults; they stay so if there is none.
 * last_read tells if the bus failed. */
APART void mount_group(ps_store_t *store, unsigned g)
{
    ps_ring_t *ring = ring_at(store, g);
    uint32_t newest;
    unsigned scans;
    store->group = group_at(store, g);
    newest = find_newest(store);
    for (scans = 0; newest != ERASED && read_ok(store); ++scans) {
        if (newest != JUNK && load_record(store, newest)) {
            ring->sequence = newest;
            ring->health &= (uint8_t)~PS_HEALTH_DEFAULTS;
            if (!copies_ok(store, newest)) {
                ring->health |= PS_HEALTH_COPIES;
            }
            return;
        }
        if (read_ok(store)) {
            ring->health |= PS_HEALTH_DAMAGE;
            /* A record that scan found may read otherwise when it is loaded: then the one
             * before. */
            newest = scans < LOAD_TRIES ? scan(store, newest) : ERASED;
        }
        ring->revision = 0;
        default_group(store, store->group);
    }
}

/* ---- Changes of values --------------------------------------------------------------------- */

/* May the part be written to? */
static ps_status_t writable(const ps_store_t *store)
{
    if (store->copies != 0u) {
        return PS_ERR_BUSY;
    }
    return failed((ps_status_t)store->state) ? (ps_status_t)store->state : PS_OK;
}

/* May the values of this group change? */
static ps_status_t changeable(ps_store_t *store, unsigned g)
{
    if (g >= store->layout->group_count) {
        return PS_ERR_ARGUMENT;
    }
    if (store->copies != 0u && store->group == group_at(store, g)) {
        return PS_ERR_BUSY;
    }
    if ((group_at(store, g)->traits & PS_PROTECTED) != 0u &&
        (ring_at(store, g)->health & PS_HEALTH_UNLOCKED) == 0u) {
        return PS_ERR_LOCKED;
    }
    return PS_OK;
}

static ps_status_t field_changeable(ps_store_t *store, unsigned field)
{
    if (field >= store->layout->field_count) {
        return PS_ERR_ARGUMENT;
    }
    return changeable(store, field_at(store, field)->group);
}

/* Change bytes of a member; the group is dirty if that changes anything, or if it has never been
 * committed. */
static void change(ps_store_t *store, const ps_field_t *field, unsigned offset,
                   const uint8_t *from, unsigned count)
{
    ps_ring_t *ring = ring_at(store, field->group);
    uint8_t *to = member(store, field) + offset;
    bool changed = ring->sequence == ERASED;
    for (; count > 0u; --count) {
        if (*to != *from) {
            *to = *from;
            changed = true;
        }
        ++to;
        ++from;
    }
    if (changed) {
        ring->health |= PS_HEALTH_DIRTY;
    }
}

ps_status_t ps_set(ps_store_t *store, uint16_t field, uint16_t first, uint16_t count,
                   const void *values)
{
    ps_status_t status = field_changeable(store, field);
    const ps_field_t *f;
    if (status != PS_OK) {
        return status;
    }
    f = field_at(store, field);
    if (first > f->count || count > f->count - first) {
        return PS_ERR_ARGUMENT;
    }
    if (!all_allowed(f, (const uint8_t *)values, count)) {
        return PS_ERR_LIMIT;
    }
    change(store, f, (unsigned)first * f->size, (const uint8_t *)values,
           (unsigned)count * f->size);
    return PS_OK;
}

ps_status_t ps_set_text(ps_store_t *store, uint16_t field, const char *text)
{
    static const uint8_t end = 0;
    ps_status_t status = field_changeable(store, field);
    const uint8_t *bytes = (const uint8_t *)text;
    const ps_field_t *f;
    unsigned length;
    if (status != PS_OK) {
        return status;
    }
    f = field_at(store, field);
    length = text_length(bytes, f->count + 1u);
    if ((f->form & PS_TEXT) == 0u || length > f->count) {
        return PS_ERR_ARGUMENT;
    }
    if (!utf8_ok(bytes, length)) {
        return PS_ERR_LIMIT;
    }
    change(store, f, 0, bytes, length);
    for (; length < f->count; ++length) {
        change(store, f, length, &end, 1);
    }
    return PS_OK;
}

ps_status_t ps_reset_field(ps_store_t *store, uint16_t field)
{
    ps_status_t status = field_changeable(store, field);
    if (status == PS_OK) {
        default_parameter(store, field_at(store, field));
        ring_at(store, field_at(store, field)->group)->health |= PS_HEALTH_DIRTY;
    }
    return status;
}

ps_status_t ps_reset(ps_store_t *store, uint8_t group)
{
    ps_status_t status = ps_touch(store, group);
    if (status == PS_OK) {
        default_group(store, group_at(store, group));
    }
    return status;
}

ps_status_t ps_touch(ps_store_t *store, uint8_t group)
{
    ps_status_t status = changeable(store, group);
    if (status == PS_OK) {
        ring_at(store, group)->health |= PS_HEALTH_DIRTY;
    }
    return status;
}

ps_status_t ps_unlock(ps_store_t *store, uint8_t group)
{
    if (group >= store->layout->group_count) {
        return PS_ERR_ARGUMENT;
    }
    ring_at(store, group)->health |= PS_HEALTH_UNLOCKED;
    return PS_OK;
}

ps_status_t ps_lock(ps_store_t *store, uint8_t group)
{
    if (group >= store->layout->group_count) {
        return PS_ERR_ARGUMENT;
    }
    ring_at(store, group)->health &= (uint8_t)~PS_HEALTH_UNLOCKED;
    return PS_OK;
}

/* A ring to read; NULL if there is no such group. */
static const ps_ring_t *read_ring(const ps_store_t *store, unsigned g)
{
    if (g >= store->layout->group_count) {
        return NULL;
    }
    return (const ps_ring_t *)(const void *)((const uint8_t *)store + group_at(store, g)->ring);
}

uint8_t ps_health(const ps_store_t *store, uint8_t group)
{
    const ps_ring_t *ring = read_ring(store, group);
    return ring != NULL ? ring->health : (uint8_t)PS_HEALTH_DEFAULTS;
}

uint32_t ps_sequence(const ps_store_t *store, uint8_t group)
{
    const ps_ring_t *ring = read_ring(store, group);
    return ring != NULL ? ring->sequence : ERASED;
}

/* ---- Commit -------------------------------------------------------------------------------- */

/* The record that is being written. */
static uint32_t next_sequence(const ps_ring_t *ring)
{
    return ring->sequence + 1u + ring->passed;
}

/* Firmware of a later release may have written the group: what it added stays in the record. */
static bool is_later(const ps_group_t *group, const ps_ring_t *ring)
{
    return ring->revision > group->revision;
}

static uint8_t newer_revision(const ps_group_t *group, const ps_ring_t *ring)
{
    return is_later(group, ring) ? ring->revision : group->revision;
}

/* Byte `at` of a body to be written. If it is not ours: `old`, what the newest record holds there,
 * or what a record of this revision has if that one does not know it. */
APART uint8_t body_byte(ps_store_t *store, unsigned at, uint8_t old)
{
    const ps_group_t *group = store->group;
    const ps_ring_t *ring = ring_of(store, group);
    const uint8_t *place = find_place(store, at, group->revision);
    const ps_field_t *field;
    if (place != NULL) {
        return *place;
    }
    field = find_field(store, at);
    if (field != NULL) {
        return ring->revision < field->since ? group->defaults[at] : old;
    }
    return is_later(group, ring) ? old : 0xFFu; /* room for growth */
}

/* Go on with the page at `offset` of the record. Where there are bytes that are not ours, that of
 * the newest record is read first, twice. Put ours into the buffer, take them into the CRC. */
static ps_status_t commit_page(ps_store_t *store, unsigned offset)
{
    const ps_group_t *group = store->group;
    const ps_ring_t *ring = ring_of(store, group);
    unsigned crc_at = crc_offset(store);
    unsigned end = offset + page_part(store, crc_at + CRC_BYTES - offset);
    unsigned at = offset;
    uint8_t *to = page(store);
    store->offset = (uint16_t)offset;
    if (store->phase != PHASE_CHECK && ring->sequence != ERASED &&
        ((group->traits & PS_RESERVED) != 0u || is_later(group, ring))) {
        page_begin(store, PHASE_READ);
        return PS_PENDING;
    }
    if (at == 0u) {
        store->crc = group->crc_start;
        for (; at < NUMBER_BYTES; ++at) {
            *to++ = byte_of(next_sequence(ring), at);
        }
        *to++ = newer_revision(group, ring);
        ++at;
    }
    for (; at < end && at < crc_at; ++at) {
        *to = body_byte(store, at - HEADER_BYTES, *to);
        ++to;
    }
    crc_update(store, page(store), at - offset);
    for (; at < end; ++at) {
        *to++ = byte_of(~store->crc, at - crc_at);
    }
    page_begin(store, PHASE_WRITE);
    return PS_PENDING;
}

static ps_status_t commit_start(ps_store_t *store, unsigned g)
{
    ps_status_t status;
    ps_ring_t *ring = ring_at(store, g);
    store->group = group_at(store, g);
    status = ring->sequence >= SEQUENCE_FULL ? PS_ERR_FULL : check_group(store, false);
    if (status == PS_OK) {
        ring->passed = 0;
        store->copies = store->group->copies;
        store->phase = PHASE_WRITE;
        status = commit_page(store, 0);
    }
    return status;
}

ps_status_t ps_commit_begin(ps_store_t *store, uint8_t group)
{
    ps_status_t status = writable(store);
    if (status != PS_OK) {
        return status;
    }
    if (group >= store->layout->group_count) {
        return PS_ERR_ARGUMENT;
    }
    if ((ring_at(store, group)->health & PS_HEALTH_DIRTY) == 0u) {
        return PS_OK;
    }
    status = labelled(store) ? changeable(store, group) : PS_ERR_STATE;
    return status == PS_OK ? commit_start(store, group) : status;
}

ps_status_t ps_step(ps_store_t *store, uint16_t elapsed_us)
{
    ps_ring_t *ring;
    bool reads = store->phase == PHASE_READ || store->phase == PHASE_CHECK;
    uint32_t sequence;
    unsigned end;
    unsigned offset = store->offset;
    unsigned count;
    ps_status_t status;
    if (store->copies == 0u) {
        return PS_OK;
    }
    ring = ring_of(store, store->group);
    sequence = reads ? ring->sequence : next_sequence(ring);
    end = crc_offset(store) + CRC_BYTES;
    count = page_part(store, end - offset);
    status = page_step(store, record_address(store, sequence) + offset, count, elapsed_us);
    if (status == PS_PENDING) {
        return status;
    }
    if (status == PS_OK && store->phase == PHASE_READ) {
        page_begin(store, PHASE_CHECK);
        return PS_PENDING;
    }
    if (status == PS_OK && (reads || offset + count < end)) {
        return commit_page(store, reads ? offset : offset + count);
    }
    if (reads && status == PS_ERR_VERIFY) {
        status = PS_ERR_BUS; /* two readings of the newest record differ */
    }
    if (status == PS_OK) {
        ring->sequence = sequence;
        ring->revision = newer_revision(store->group, ring);
        ring->passed = 0;
        ring->health &= (uint8_t)~(PS_HEALTH_DEFAULTS | PS_HEALTH_DAMAGE | PS_HEALTH_LIMIT);
        if (--store->copies != 0u) {
            ring->health |= PS_HEALTH_COPIES;
            return commit_page(store, 0);
        }
        ring->health &= (uint8_t)~(PS_HEALTH_DIRTY | PS_HEALTH_UNLOCKED | PS_HEALTH_MIGRATED |
                                   PS_HEALTH_COPIES);
    }
    if (status == PS_ERR_VERIFY) {
        ring->health |= PS_HEALTH_WORN;
        if (ring->passed < skip_limit(store)) {
            ++ring->passed;
            return commit_page(store, 0);
        }
    }
    store->copies = 0;
    return status;
}

/* Do all steps of a commit, waiting between them. */
static ps_status_t commit_finish(ps_store_t *store, ps_status_t status)
{
    while (status == PS_PENDING) {
        status = ps_step(store, (uint16_t)page_wait(store));
    }
    return status;
}

ps_status_t ps_commit(ps_store_t *store, uint8_t group)
{
    return commit_finish(store, ps_commit_begin(store, group));
}

ps_status_t ps_commit_all(ps_store_t *store)
{
    ps_status_t first = PS_OK;
    uint8_t g;
    for (g = 0; g < store->layout->group_count; ++g) {
        ps_status_t status = ps_commit(store, g);
        first = first == PS_OK ? status : first;
        if (status != PS_OK && !concerns_group(status)) {
            break;
        }
    }
    return first;
}

ps_status_t ps_refresh(ps_store_t *store, uint8_t group)
{
    ps_status_t status = writable(store);
    if (status != PS_OK) {
        return status;
    }
    if (group >= store->layout->group_count) {
        return PS_ERR_ARGUMENT;
    }
    if ((ring_at(store, group)->health & PS_HEALTH_DIRTY) != 0u) {
        return ps_commit(store, group);
    }
    if (!labelled(store) || ring_at(store, group)->sequence == ERASED) {
        return PS_ERR_STATE;
    }
    return commit_finish(store, commit_start(store, group));
}

/* ---- Label --------------------------------------------------------------------------------- */

static bool all_erased(const uint8_t *bytes, unsigned count)
{
    unsigned every = 0xFFu;
    for (; count > 0u; --count) {
        every &= *bytes++;
    }
    return every == 0xFFu;
}

/* Offsets in a label, FORMAT.md, 2. */
#define LABEL_VERSION 4u
#define LABEL_GEOMETRY 5u
#define LABEL_RELEASE 6u
#define LABEL_STORE_ID 8u
#define LABEL_LAYOUT_ID 12u
#define LABEL_LINEAGE 16u /* the lowest bytes of the layout ids of the releases before, last one first */
#define MAGIC_BYTES 4u
#define ID_BYTES 4u
#define LINEAGE_BYTES 4u

/* A label of our store on our part that is not ours: PS_OLDER: a known earlier release. PS_OK: a later
 * one that follows from ours, as far as it tells of so many releases before. */
static ps_status_t other_release(const ps_layout_t *layout, const uint8_t *found)
{
    const uint8_t *known = layout->known;
    unsigned release = found[LABEL_RELEASE] | (unsigned)found[LABEL_RELEASE + 1u] << 8;
    unsigned gap = release - layout->later_than;
    unsigned left;
    for (left = layout->known_count; left > 0u; --left) {
        if (order(found + LABEL_RELEASE, known, PS_KNOWN_BYTES) == 0) {
            return PS_OLDER;
        }
        known += PS_KNOWN_BYTES;
    }
    return release > layout->later_than && release <= layout->later_until &&
                   (gap > LINEAGE_BYTES ||
                    found[LABEL_LINEAGE + gap - 1u] == layout->label[LABEL_LAYOUT_ID])
               ? PS_OK
               : PS_ERR_LAYOUT;
}

/* PS_OK: ours, or of a later release that follows from ours, in which all that this one knows is where
 * it was. PS_OLDER: of a known earlier one. PS_BLANK: erased. PS_FLAGGED: unreadable. Else why it is not
 * ours, or the bus. */
static ps_status_t read_label(ps_store_t *store, unsigned step)
{
    const ps_layout_t *layout = store->layout;
    const uint8_t *found = page(store);
    const uint8_t *ours = layout->label;
    unsigned count = layout->label_bytes;
    unsigned tries;
    ps_status_t status = PS_OK;
    for (tries = READ_TRIES; tries > 0u; --tries) {
        status = read_bytes(store, step, count);
        store->crc = CRC_START;
        crc_update(store, found, count);
        if (status != PS_OK || (store->crc == CRC_RESIDUE && order(found, ours, MAGIC_BYTES) == 0)) {
            break;
        }
        /* One bad read must make no label blank or unreadable. */
        status = all_erased(found, count) ? PS_BLANK : PS_FLAGGED;
    }
    if (status != PS_OK) {
        return status;
    }
    if (found[LABEL_VERSION] != ours[LABEL_VERSION]) {
        return PS_ERR_LAYOUT;
    }
    if (order(found + LABEL_STORE_ID, ours + LABEL_STORE_ID, ID_BYTES) != 0) {
        return PS_ERR_FOREIGN;
    }
    if (found[LABEL_GEOMETRY] != ours[LABEL_GEOMETRY]) {
        return PS_ERR_PART;
    }
    return order(found, ours, count) == 0 ? PS_OK : other_release(layout, found);
}

/* No whole label, but the bus is well. */
static bool unlabelled(ps_status_t label)
{
    return label == PS_BLANK || label == PS_FLAGGED;
}

/* Does the part read at capacity / 2 + `step` what it reads at `step`, which is in the page buffer?
 * last_read tells if the bus failed. */
static bool repeats(ps_store_t *store, unsigned step, unsigned count)
{
    uint8_t chunk[CHUNK_BYTES]; /* no label is longer */
    return read_into(store, store->layout->capacity / 2u + step, chunk, count) == PS_OK &&
           order(chunk, page(store), count) == 0;
}

/* The label that counts; `first` is what copy 0 reads as. PS_ERR_PART too if an address bit has no
 * effect: then capacity / 2 reads what address 0 reads. No slot has capacity / 2 behind its first
 * byte, and no sequence number reads like a label: so no record can look like that (FORMAT.md, 2). */
static ps_status_t find_label(ps_store_t *store, ps_status_t *first)
{
    const ps_layout_t *layout = store->layout;
    ps_status_t label;
    bool too_small = false;
    be_patient(store);
    label = read_label(store, 0);
    *first = label;
    if (!failed(label)) {
        too_small = repeats(store, 0, layout->label_bytes);
    }
    if (unlabelled(label) && read_ok(store)) {
        label = read_label(store, layout->label_step);
        if (too_small && !failed(label)) {
            too_small = !unlabelled(label) && repeats(store, layout->label_step, MAGIC_BYTES);
        }
    }
    if (!read_ok(store)) {
        return last_read(store);
    }
    return too_small && !failed(label) ? PS_ERR_PART : label;
}

/* ---- Mount and format ---------------------------------------------------------------------- */

/* The state of a group before mount: every value a default, nothing known of its ring. */
static void reset_group(ps_store_t *store, unsigned g)
{
    ps_ring_t *ring = ring_at(store, g);
    ring->sequence = ERASED;
    ring->revision = 0;
    ring->health = PS_HEALTH_DEFAULTS;
    ring->passed = 0;
    default_group(store, group_at(store, g));
}

/* The same for the store. */
static void reset_ram(ps_store_t *store)
{
    const ps_layout_t *layout = store->layout;
    uint8_t *values = (uint8_t *)store + layout->values;
    unsigned i;
    store->state = PS_ERR_STATE;
    store->copies = 0;
    for (i = 0; i < layout->values_bytes; ++i) {
        values[i] = 0; /* the byte after a text stays so */
    }
    for (i = 0; i < layout->ring_count; ++i) {
        reset_group(store, i);
    }
}

/* Give defaults to what breaks limits or rules. Returns the flags of the group. */
static unsigned mend_group(ps_store_t *store, unsigned g)
{
    ps_ring_t *ring = ring_at(store, g);
    store->group = group_at(store, g);
    if (check_group(store, true) != PS_OK) {
        ring->health |= PS_HEALTH_LIMIT;
    }
    return ring->health;
}

/* Load all groups, and mend what breaks limits or rules. Returns all their flags. With `older` the
 * retired ones are read too, and values taken over. */
static unsigned mount_groups(ps_store_t *store, bool older)
{
    const ps_layout_t *layout = store->layout;
    unsigned count = older ? layout->ring_count : layout->group_count;
    unsigned health = 0;
    unsigned g;
    for (g = 0; g < count && read_ok(store); ++g) {
        mount_group(store, g);
    }
    if (older && layout->take_over != NULL) {
        layout->take_over(store);
    }
    for (g = 0; g < layout->group_count; ++g) {
        health |= mend_group(store, g);
    }
    return health;
}

ps_status_t ps_mount(ps_store_t *store)
{
    const ps_layout_t *layout = store->layout;
    ps_status_t first;
    ps_status_t label;
    unsigned health;
    unsigned g;
    reset_ram(store);
    label = find_label(store, &first);
    if (failed(label)) {
        store->state = (uint8_t)(refuses(label) ? PS_ERR_FOREIGN : PS_ERR_STATE);
        return label;
    }
    health = mount_groups(store, label != PS_OK);
    if (!read_ok(store)) {
        label = last_read(store);
        reset_ram(store); /* half of the values would be worse than none */
        return label;
    }
    if (unlabelled(label)) {
        for (g = 0; g < layout->ring_count; ++g) {
            if (ring_at(store, g)->sequence != ERASED) {
                store->state = PS_FLAGGED; /* valid records can only be ours */
                return PS_FLAGGED;
            }
        }
        /* No label and no record. A first copy that is erased over erased rings is a blank part,
         * or one whose very first format was cut. */
        label = first == PS_BLANK && (health & PS_HEALTH_DAMAGE) == 0u ? PS_BLANK : PS_ERR_FOREIGN;
    }
    store->state = (uint8_t)label;
    return label == PS_OK && (health != 0u || first != PS_OK) ? PS_FLAGGED : label;
}

ps_status_t ps_reload(ps_store_t *store, uint8_t group)
{
    ps_status_t status = writable(store);
    unsigned health;
    if (status != PS_OK) {
        return status;
    }
    if (group >= store->layout->group_count) {
        return PS_ERR_ARGUMENT;
    }
    if (!labelled(store)) {
        return PS_ERR_STATE;
    }
    reset_group(store, group);
    store->last_read = PS_OK;
    be_patient(store);
    mount_group(store, group);
    health = mend_group(store, group);
    if (!read_ok(store)) {
        store->state = PS_ERR_STATE; /* nobody knows which record is the newest */
        return last_read(store);
    }
    return health != 0u ? PS_FLAGGED : PS_OK;
}

/* Commit what was taken over, whether locked or not. A group that others take from comes last, so
 * that after a cut they find there what they need. */
static ps_status_t commit_moves(ps_store_t *store)
{
    const ps_move_t *move = store->layout->moves;
    ps_status_t status = PS_OK;
    unsigned left;
    for (left = store->layout->move_count; status == PS_OK && left > 0u; --left) {
        if ((ring_at(store, move->field->group)->health & PS_HEALTH_MIGRATED) != 0u) {
            status = commit_finish(store, commit_start(store, move->field->group));
        }
        ++move;
    }
    return status;
}

/* Bytes at a time in which slots are looked through and erased: a page or a part of one. */
static unsigned piece_bytes(const ps_store_t *store)
{
    return page_part(store, CHUNK_BYTES);
}

/* Does a piece of a slot read erased? last_read tells if the bus failed. */
static bool piece_erased(ps_store_t *store, uint32_t address)
{
    unsigned n = piece_bytes(store);
    return read_bytes(store, address, n) == PS_OK && all_erased(page(store), n);
}

/* Erase one piece, unless it reads erased twice. */
static ps_status_t erase_piece(ps_store_t *store, uint32_t address)
{
    if (piece_erased(store, address) && piece_erased(store, address)) {
        return PS_OK;
    }
    if (!read_ok(store)) {
        return last_read(store);
    }
    return write_span(store, address, NULL, piece_bytes(store));
}

static ps_status_t check_piece(ps_store_t *store, uint32_t address)
{
    if (piece_erased(store, address)) {
        return PS_OK;
    }
    return read_ok(store) ? PS_ERR_FOREIGN : last_read(store);
}

/* Erase all rings, retired ones too, or check that they are erased, until that fails. */
static ps_status_t walk_rings(ps_store_t *store, bool erase)
{
    ps_status_t status = PS_OK;
    unsigned g;
    for (g = 0; status == PS_OK && g < store->layout->ring_count; ++g) {
        const ps_group_t *group = group_at(store, g);
        uint32_t address = group->address;
        uint32_t end = address + (uint32_t)group->slots * group->slot_bytes;
        while (status == PS_OK && address < end) {
            status = erase ? erase_piece(store, address) : check_piece(store, address);
            address += piece_bytes(store);
        }
    }
    return status;
}

/* Is the part as blank as mount found it? One bad mount, such as over a bus that read FF only, must
 * not cost what is there. Reads every page of label copy 0 and of all rings; copy 1 may be torn. */
static ps_status_t check_blank(ps_store_t *store)
{
    ps_status_t first;
    ps_status_t label = find_label(store, &first);
    if (failed(label)) {
        return label;
    }
    /* Copy 1 may be ours already: from a format that failed in copy 0. */
    return first == PS_BLANK && label != PS_OLDER ? walk_rings(store, false) : PS_ERR_FOREIGN;
}

/* Write a label copy that is not whole. */
static ps_status_t write_label(ps_store_t *store, unsigned step)
{
    const ps_layout_t *layout = store->layout;
    ps_status_t label = read_label(store, step);
    if (label == PS_OK || !read_ok(store)) {
        return last_read(store);
    }
    return write_span(store, step, layout->label, layout->label_bytes);
}

/* Write the copies that are not whole. Never over the only whole one: copy 1 comes first, unless that
 * one is whole. */
static ps_status_t write_labels(ps_store_t *store)
{
    unsigned step = store->layout->label_step;
    ps_status_t label;
    ps_status_t status;
    be_patient(store);
    label = read_label(store, step);
    status = last_read(store);
    if (label == PS_OK || label == PS_OLDER) {
        step = 0;
    }
    if (status == PS_OK) {
        status = write_label(store, step);
    }
    return status == PS_OK ? write_label(store, store->layout->label_step - step) : status;
}

/* Write copy 1 of a blank part. Its read-back proves that reads tell the truth; only then is it known
 * that the part is blank, and not a bus that reads FF. */
static ps_status_t begin_blank(ps_store_t *store)
{
    ps_status_t status = check_blank(store);
    if (status == PS_OK) {
        status = write_label(store, store->layout->label_step);
    }
    return status == PS_OK ? check_blank(store) : status;
}

ps_status_t ps_format(ps_store_t *store)
{
    ps_status_t first;
    ps_status_t status = writable(store);
    if (status == PS_OK && (ps_status_t)store->state == PS_BLANK) {
        status = begin_blank(store);
    } else if (status == PS_OK) {
        status = commit_moves(store);
    } else {
        return status;
    }
    if (status == PS_OK) {
        status = write_labels(store);
    }
    if (status == PS_OK) {
        status = find_label(store, &first);
        store->state = (uint8_t)(failed(status) ? PS_ERR_STATE : PS_OK);
    }
    if (refuses(status)) {
        store->state = PS_ERR_FOREIGN;
    }
    return status;
}

/* Write a label copy 0 that names no store, so that mount refuses the part from here to the end of
 * the wipe: rings erased in part would lead back to records that were wiped. A label there that is
 * not ours, such as this one from a wipe that was interrupted, does as well and stays. */
static ps_status_t mark_for_wipe(ps_store_t *store)
{
    const ps_layout_t *layout = store->layout;
    uint8_t mark[CHUNK_BYTES]; /* no label is longer */
    unsigned crc_at = layout->label_bytes - CRC_BYTES;
    unsigned i;
    ps_status_t status;
    be_patient(store);
    status = read_label(store, 0);
    if (failed(status)) {
        return refuses(status) ? PS_OK : status;
    }
    for (i = 0; i < crc_at; ++i) {
        mark[i] = i - LABEL_STORE_ID < ID_BYTES ? 0u : layout->label[i];
    }
    store->crc = CRC_START;
    crc_update(store, mark, crc_at);
    for (i = 0; i < CRC_BYTES; ++i) {
        mark[crc_at + i] = byte_of(~store->crc, i);
    }
    return write_span(store, 0, mark, layout->label_bytes);
}

ps_status_t ps_wipe(ps_store_t *store)
{
    const ps_layout_t *layout = store->layout;
    ps_status_t status;
    if (store->copies != 0u) {
        return PS_ERR_BUSY;
    }
    reset_ram(store);
    status = mark_for_wipe(store);
    if (status == PS_OK) {
        status = walk_rings(store, true);
    }
    if (status == PS_OK) {
        status = write_span(store, layout->label_step, NULL, layout->label_bytes);
    }
    if (status == PS_OK) {
        status = write_span(store, 0, NULL, layout->label_bytes);
    }
    if (status == PS_OK) {
        store->state = PS_BLANK;
    }
    return status;
}

/* ---- What earlier releases kept elsewhere -------------------------------------------------- */

/* A byte that no CRC vouches for: two readings in a row must agree. False with last_read set if none
 * do. */
static bool read_twice(ps_store_t *store, uint32_t address, uint8_t *byte)
{
    unsigned tries = READ_TRIES + 1u;
    bool agree = false;
    if (read_bytes(store, address, 1) != PS_OK) {
        return false;
    }
    for (; tries > 0u && !agree; --tries) {
        *byte = *page(store);
        if (read_bytes(store, address, 1) != PS_OK) {
            return false;
        }
        agree = *byte == *page(store);
    }
    if (!agree) {
        store->last_read = PS_ERR_BUS;
    }
    return agree;
}

/* Take a field over from the newest record of another place, byte by byte: a page may end in an
 * element. False if there is no value for it or it cannot be read. */
static bool move_field(ps_store_t *store, const ps_move_t *move)
{
    uint8_t *to = member(store, move->field);
    uint32_t address;
    uint8_t wire[8];
    unsigned left;
    unsigned i;
    store->group = group_at(store, move->source);
    address = record_address(store, ring_of(store, store->group)->sequence) + HEADER_BYTES +
              move->offset;
    for (left = move->count; left > 0u; --left) {
        for (i = 0; i < move->size; ++i) {
            if (!read_twice(store, address++, &wire[i])) {
                return false;
            }
            if (move->convert == NULL) {
                to[byte_place(i, move->size)] = wire[i];
            }
        }
        if (move->convert != NULL && !move->convert(wire, to)) {
            return false;
        }
        to += move->field->size;
    }
    return true;
}

void ps_take_over(ps_store_t *store)
{
    const ps_move_t *move = store->layout->moves;
    const ps_move_t *end = move + store->layout->move_count;
    while (move < end && read_ok(store)) {
        ps_ring_t *ring = ring_at(store, move->field->group);
        const ps_ring_t *source = ring_at(store, move->source);
        unsigned done = 1; /* rows */
        /* Is the field not in its group's record, and in the source's? */
        if (ring->revision < move->since &&
            (unsigned)source->revision - move->source_since < move->span) {
            bool moved = move_field(store, move);
            if (moved) {
                done += move->more_of_field;
            } else {
                done += move->more_of_parameter; /* half a curve is none */
                default_parameter(store, move->field);
            }
            if (read_ok(store)) {
                ring->health &= (uint8_t)~PS_HEALTH_DEFAULTS;
                ring->health |= PS_HEALTH_MIGRATED | PS_HEALTH_DIRTY;
                ring->health |= moved ? 0u : PS_HEALTH_LIMIT;
            }
        }
        move += done;
    }
}

/* ---- Factory image ------------------------------------------------------------------------- */

/* Where the record of a group is in an image. */
static const uint8_t *image_record(const ps_group_t *group, const uint8_t *image)
{
    return image + group->address;
}

/* Does a factory give this group values? Not if its record is erased in the image; without an image,
 * not if it is protected: defaults are no calibration. */
static bool has_factory_values(const ps_group_t *group, const uint8_t *image)
{
    if (image == NULL) {
        return (group->traits & PS_PROTECTED) == 0u;
    }
    return !all_erased(image_record(group, image), group->body_bytes + HEADER_BYTES + CRC_BYTES);
}

/* Is it an image of this layout and release, as packed: with record 1 of each group in slot 0 and
 * nothing behind its copies, or with none? A dump of a unit in use is no such image. */
static bool image_ok(ps_store_t *store, const uint8_t *image)
{
    const ps_layout_t *layout = store->layout;
    bool ok = order(image, layout->label, layout->label_bytes) == 0;
    unsigned g;
    for (g = 0; ok && g < layout->group_count; ++g) {
        store->group = group_at(store, g);
        store->crc = store->group->crc_start;
        crc_update(store, image_record(store->group, image), crc_offset(store) + CRC_BYTES);
        ok = !has_factory_values(store->group, image) ||
             (store->crc == CRC_RESIDUE && number(image_record(store->group, image)) == 1u &&
              all_erased(image + slot_address(store, store->group->copies), NUMBER_BYTES));
    }
    return ok;
}

/* The label goes first: mount takes a torn record without one for data of somebody else. */
ps_status_t ps_seed(ps_store_t *store, const uint8_t *image)
{
    ps_status_t status = writable(store);
    uint8_t g;
    if (status == PS_OK && image != NULL && !image_ok(store, image)) {
        status = PS_ERR_LAYOUT;
    }
    if (status == PS_OK && !labelled(store)) {
        status = ps_format(store);
    }
    for (g = 0; status == PS_OK && g < store->layout->group_count; ++g) {
        const ps_group_t *group = group_at(store, g);
        ps_ring_t *ring = ring_at(store, g);
        if (ring->sequence == ERASED && (ring->health & PS_HEALTH_MIGRATED) == 0u &&
            has_factory_values(group, image)) {
            load_group(store, group, image != NULL ? image_record(group, image) + HEADER_BYTES
                                                   : group->defaults);
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
    case PS_ERR_FULL: return "PS_ERR_FULL";
    case PS_ERR_BUSY: return "PS_ERR_BUSY";
    case PS_ERR_STATE: return "PS_ERR_STATE";
    case PS_ERR_ARGUMENT: return "PS_ERR_ARGUMENT";
    default: return "PS_ERR_ARGUMENT";
    }
}
