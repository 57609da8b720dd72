/* paramstore.c: see paramstore.h for the interface, FORMAT.md for the bytes on the EEPROM.
 *
 * In order: numbers of the format, elements and limits, texts, values, bus, records, the newest
 * record of a ring, changes of values, commit, label, mount and format, migration, provisioning.
 *
 * All bus traffic goes through `receive` and `send_page`. Bytes from the part are trusted only as
 * far as their CRC goes, and are never used as an index or a length. Counters are `unsigned`, which
 * has at least 16 bits: no record is longer than 32 KiB. The code is written to be small: what can
 * be derived is not stored.
 */
#include "paramstore.h"

#include <stddef.h>

/* ---- Numbers of the format ----------------------------------------------------------------- */

/* A test compares these with the numbers that `paramstore pack` and `unpack` use. */

/* A record: sequence number, revision, body, CRC. */
#define SEQUENCE_BYTES 4u
#define RECORD_REVISION 4u /* offset of the revision */
#define RECORD_BODY 5u     /* offset of the body */
#define CRC_BYTES 4u

/* Offsets in a label, and sizes of what is there. */
#define LABEL_VERSION 4u
#define LABEL_GEOMETRY 5u
#define LABEL_RELEASE 6u
#define LABEL_STORE_ID 8u
#define LABEL_LAYOUT_ID 12u
#define LABEL_LINEAGE 16u /* low bytes of the layout ids of the releases before, latest first */
#define MAGIC_BYTES 4u
#define ID_BYTES 4u
#define LINEAGE_BYTES 4u

/* Sequence numbers end below the magic of the label read as a number, so no slot begins like a
 * label. */
#define SEQUENCE_END 0xD0000000u
#define SEQUENCE_FULL (SEQUENCE_END - 256u) /* no commit begins from here on */
#define SKIP_LIMIT 3u                       /* slots that one commit may skip */

/* CRC-32C: the start value, and the remainder of data with their CRC behind them. */
#define CRC_START 0xFFFFFFFFu
#define CRC_POLYNOMIAL 0x82F63B78u
#define CRC_RESIDUE 0xB798B438u

/* What the head of a slot reads as, if that is no sequence number of this slot. */
#define SEQ_NONE 0u /* erased; of a ring: no record */
#define SEQ_INVALID 0xFFFFFFFFu

/* ---- Limits of this code ------------------------------------------------------------------- */

#define LOAD_TRIES 3u /* scans for another record before mount takes defaults */
#define READ_TRIES 2u /* a record that reads wrong is read again before that counts */

/* Read-back compares this many bytes at a time; they lie on the stack. The page buffer has room for
 * as many, or for a page if that is smaller. No label is longer. */
#define CHUNK_BYTES 32u

/* Never inlined: keeps its stack frame out of its callers', and costs its code once. */
#if defined(__GNUC__)
#define NOINLINE __attribute__((noinline)) static
#else
#define NOINLINE static
#endif

/* ---- Predicates and small helpers ---------------------------------------------------------- */

/* Functions that read from the part return PS_OK if they found what they ask for, PS_FLAGGED if
 * something else is there, and PS_ERR_NACK or PS_ERR_BUS if they could not read. */
static bool is_bus_error(ps_status_t status)
{
    return status == PS_ERR_NACK || status == PS_ERR_BUS;
}

/* The part is not ours, or not of this layout or size. */
static bool is_refusal(ps_status_t status)
{
    return status == PS_ERR_FOREIGN || status == PS_ERR_LAYOUT || status == PS_ERR_PART;
}

/* The error is about one group: other groups can still be committed. */
static bool concerns_group(ps_status_t status)
{
    return status == PS_ERR_LIMIT || status == PS_ERR_RULE || status == PS_ERR_LOCKED ||
           status == PS_ERR_FULL || status == PS_ERR_VERIFY;
}

/* Is the label of this release, or of a later one, on the part? Then commits are accepted. */
static bool labelled(const ps_store_t *store)
{
    return (ps_status_t)store->state == PS_OK;
}

static unsigned min(unsigned a, unsigned b)
{
    return a < b ? a : b;
}

/* Below 0, 0 or above 0, as `a` is less than, equal to or greater than `b`; first byte first. */
NOINLINE int compare_bytes(const uint8_t *a, const uint8_t *b, unsigned count)
{
    int difference = 0;
    while (count-- > 0u && difference == 0) {
        difference = *a++ - *b++;
    }
    return difference;
}

static bool all_erased(const uint8_t *bytes, unsigned count)
{
    unsigned every = 0xFFu;
    for (; count > 0u; --count) {
        every &= *bytes++;
    }
    return every == 0xFFu;
}

static uint32_t load_u32_le(const uint8_t *bytes)
{
    uint32_t number = 0;
    unsigned i = 4u;
    while (i-- > 0u) {
        number = number << 8 | bytes[i];
    }
    return number;
}

/* Byte `i` of a number, least significant first. */
static uint8_t byte_of(uint32_t number, unsigned i)
{
    return (uint8_t)(number >> (8u * i));
}

/* ---- Elements and limits ------------------------------------------------------------------- */

/* Index in RAM of byte `i` of a run of elements on the EEPROM, in either byte order. */
static unsigned ram_index(unsigned i, unsigned size)
{
    const uint16_t one = 1u;
    bool little = *(const uint8_t *)&one == 1u;
    return little ? i : i ^ (size - 1u);
}

/* The key of an element in RAM, see ps_field_t. Comparing keys needs neither 64-bit nor
 * floating-point arithmetic. -0.0 has the key of 0.0; a NaN lies beyond infinity, in no range. */
static void load_key(uint8_t key[8], const uint8_t *element, const ps_field_t *field)
{
    unsigned size = field->size;
    unsigned form = field->form & PS_FORM;
    unsigned flip = 0; /* FF for a float below zero */
    if (form == PS_FLOAT && element[ram_index(size - 1u, size)] >= 0x80u) {
        flip = 0xFFu;
    }
    unsigned carry = flip & 1u;
    for (unsigned i = 0; i < size; ++i) {
        carry += element[ram_index(i, size)] ^ flip;
        key[size - 1u - i] = (uint8_t)carry;
        carry >>= 8;
    }
    if (form != PS_UNSIGNED && flip == 0u) {
        key[0] ^= 0x80u;
    }
}

static bool within_limits(const ps_field_t *field, const uint8_t *key)
{
    const uint8_t *limit = field->limits;
    unsigned size = field->size;
    if ((field->form & PS_MASK) != 0u) {
        for (unsigned i = 0; i < size; ++i) {
            if ((key[i] & ~(unsigned)limit[i]) != 0u) {
                return false;
            }
        }
        return true;
    }
    /* Find the first limit that is not below the key: equal to it, or the upper end of a range? */
    for (unsigned i = 0; i < 2u * field->range_count; ++i) {
        int difference = compare_bytes(key, limit, size);
        if (difference <= 0) {
            return difference == 0 || i % 2u != 0u;
        }
        limit = &limit[size];
    }
    return field->range_count == 0u;
}

/* Are all of `count` elements in RAM within the limits of their field? */
static bool all_within_limits(const ps_field_t *field, const uint8_t *element, unsigned count)
{
    uint8_t key[8];
    for (; count > 0u; --count) {
        load_key(key, element, field);
        if (!within_limits(field, key)) {
            return false;
        }
        element += field->size;
    }
    return true;
}

/* ---- Texts --------------------------------------------------------------------------------- */

/* Bytes before the first 0; `most` if there is none in so many bytes. */
static unsigned text_length(const uint8_t *text, unsigned most)
{
    unsigned length = 0;
    while (length < most && text[length] != 0u) {
        ++length;
    }
    return length;
}

/* Well-formed UTF-8 by table 3-7 of the Unicode standard: shortest forms only, no surrogates,
 * nothing above U+10FFFF. */
NOINLINE bool utf8_ok(const uint8_t *text, unsigned count)
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
            /* ASCII: one byte. */
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

/* The values of a field in RAM. */
static uint8_t *field_ptr(ps_store_t *store, const ps_field_t *field)
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

/* Find the field that contains payload offset `at` of the current group; NULL behind the last one.
 * A linear search, about 15 cycles for each field on a Cortex-M0+, needs no state. */
static const ps_field_t *find_field(const ps_store_t *store, unsigned at)
{
    const ps_field_t *field = field_at(store, store->group->first_field);
    for (unsigned left = store->group->field_count; left > 0u; --left) {
        if (at - field->offset < field_bytes(field)) {
            return field;
        }
        ++field;
    }
    return NULL;
}

/* Where the byte at payload offset `at` of the current group lies in RAM; NULL if nowhere, or if
 * records of `revision` do not hold it. */
NOINLINE uint8_t *payload_to_ram(ps_store_t *store, unsigned at, unsigned revision)
{
    const ps_field_t *field = find_field(store, at);
    if (field == NULL || field->size == 0u || field->since > revision) {
        return NULL;
    }
    return field_ptr(store, field) + ram_index(at - field->offset, field->size);
}

/* Copy the fields from `field` to before `end` from a payload of their group into the values. */
static void load_fields(ps_store_t *store, const uint8_t *payload, const ps_field_t *field,
                        const ps_field_t *end)
{
    for (; field != end; ++field) {
        uint8_t *to = field_ptr(store, field);
        for (unsigned i = 0; i < (unsigned)field->count * field->size; ++i) {
            to[ram_index(i, field->size)] = payload[field->offset + i];
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

/* Set one parameter to its default. A curve has two fields, which belong together. */
static void default_parameter(ps_store_t *store, const ps_field_t *field)
{
    load_fields(store, group_at(store, field->group)->defaults,
                (field->form & PS_Y) != 0u ? field - 1 : field,
                (field->form & PS_X) != 0u ? field + 2 : field + 1);
}

/* Is each element of `low` below that of `high`? For one field: each below the next? */
NOINLINE bool rule_ok(ps_store_t *store, const ps_field_t *low, const ps_field_t *high)
{
    const uint8_t *a = field_ptr(store, low);
    const uint8_t *b = field_ptr(store, high);
    unsigned left = low->count;
    if (a == b) {
        b += low->size;
        --left;
    }
    for (; left > 0u; --left) {
        uint8_t key_a[8];
        uint8_t key_b[8];
        load_key(key_a, a, low);
        load_key(key_b, b, low);
        if (compare_bytes(key_a, key_b, low->size) >= 0) {
            return false;
        }
        a += low->size;
        b += low->size;
    }
    return true;
}

/* Are the values of a field in RAM valid? Fills a text with 0 behind its end. */
static bool field_ok(ps_store_t *store, const ps_field_t *field)
{
    uint8_t *values = field_ptr(store, field);
    if ((field->form & PS_TEXT) == 0u) {
        return all_within_limits(field, values, field->count);
    }
    unsigned i = text_length(values, field->count);
    if (values[i] != 0u || !utf8_ok(values, i)) {
        return false;
    }
    for (; i <= field->count; ++i) { /* including the byte behind the field */
        values[i] = 0;
    }
    return true;
}

/* Check every limit and rule of the current group. With `repair`, set each parameter that breaks a
 * limit to its default, then both parameters of each broken rule, until no rule is broken. That
 * ends: defaults keep all rules, and every pass resets a parameter that was not reset before. */
static ps_status_t check_group(ps_store_t *store, bool repair)
{
    const ps_group_t *group = store->group;
    const ps_field_t *field = field_at(store, group->first_field);
    ps_status_t status = PS_OK;
    for (unsigned left = group->field_count; left > 0u; --left) {
        if (!field_ok(store, field)) {
            status = PS_ERR_LIMIT;
            if (repair) {
                default_parameter(store, field);
            }
        }
        ++field;
    }
    bool again;
    do {
        again = false;
        for (unsigned i = 0; i < group->rule_count; ++i) {
            const ps_rule_t *rule = &group->rules[i];
            if (!rule_ok(store, rule->low, rule->high)) {
                status = PS_ERR_RULE;
                again = repair;
                if (repair) {
                    default_parameter(store, rule->low);
                    default_parameter(store, rule->high);
                }
            }
        }
    } while (again);
    return status;
}

/* ---- Bus ----------------------------------------------------------------------------------- */

/* The memory address in the store and the page behind it go out as one run of bytes. The generated
 * file checks that the page lies right behind the store. */
typedef char
    ps_needs_the_address_at_the_end
    [offsetof(ps_store_t, address) + PS_ADDRESS_BYTES == sizeof(ps_store_t) ? 1 : -1];

static uint8_t *page(ps_store_t *store)
{
    return (uint8_t *)store + sizeof *store;
}

/* Put a memory address before the page. Returns the device address; the upper bits of the memory
 * address are part of it on some parts. */
static uint8_t set_address(ps_store_t *store, uint32_t address)
{
    const ps_layout_t *layout = store->layout;
    store->address[1] = (uint8_t)address;
    address >>= 8;
    if (layout->address_bytes > 1u) {
        store->address[0] = (uint8_t)address;
        address >>= 8;
    }
    return (uint8_t)(layout->address | address << layout->block_shift);
}

/* Read `count` bytes into `in`, once. */
static ps_status_t receive(ps_store_t *store, uint32_t address, uint8_t *in, unsigned count)
{
    const ps_port_t *port = store->port;
    unsigned front = store->layout->address_bytes;
    uint8_t device = set_address(store, address);
    return port->transfer(port->user, device, page(store) - front, (uint16_t)front, in,
                          (uint16_t)count);
}

/* Write `count` bytes of the page, once. */
NOINLINE ps_status_t send_page(ps_store_t *store, uint32_t address, unsigned count)
{
    const ps_port_t *port = store->port;
    unsigned front = store->layout->address_bytes;
    uint8_t device = set_address(store, address);
    return port->transfer(port->user, device, page(store) - front, (uint16_t)(front + count), NULL,
                          0u);
}

static uint16_t time_left(uint16_t us, unsigned elapsed_us)
{
    return us > elapsed_us ? (uint16_t)(us - elapsed_us) : 0u;
}

/* From here on the part may take its longest write cycle once: a write from before a reset may
 * still be going on, and no other one begins between reads. So a slow or missing part is waited for
 * once, not at each of some hundred reads. */
static void start_timeout(ps_store_t *store)
{
    store->left_us = store->layout->timeout_us;
}

/* Read into `in`, and ask again while the part is busy. */
NOINLINE ps_status_t read_bytes(ps_store_t *store, uint32_t address, uint8_t *in, unsigned count)
{
    for (;;) {
        ps_status_t status = receive(store, address, in, count);
        if (status != PS_ERR_NACK || store->left_us == 0u) {
            return status;
        }
        store->port->wait_us(store->port->user, store->layout->poll_us);
        store->left_us = time_left(store->left_us, store->layout->poll_us);
    }
}

static ps_status_t read_to_page(ps_store_t *store, uint32_t address, unsigned count)
{
    return read_bytes(store, address, page(store), count);
}

static unsigned clip_to_page(const ps_store_t *store, unsigned count)
{
    return min(count, store->layout->page_bytes);
}

/* CRC-32C, bit by bit: about 80 cycles a byte on a Cortex-M0+; the bus takes 22 us for it. */
static void crc_update(ps_store_t *store, const uint8_t *bytes, unsigned count)
{
    uint32_t crc = store->crc;
    for (; count > 0u; --count) {
        crc ^= *bytes++;
        for (unsigned bit = 0; bit < 8u; ++bit) {
            crc = (crc >> 1) ^ (CRC_POLYNOMIAL & (0u - (crc & 1u)));
        }
    }
    store->crc = crc;
}

/* ---- Records ------------------------------------------------------------------------------- */

/* Offset of the CRC in a record of the current group. */
static unsigned crc_offset(const ps_store_t *store)
{
    return store->group->body_bytes + RECORD_BODY;
}

static unsigned record_bytes(const ps_store_t *store)
{
    return crc_offset(store) + CRC_BYTES;
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

/* Read record `sequence` into the values, which must be defaults: a field that is not in the record
 * keeps its default. PS_FLAGGED: the record is not valid, and the values are spoilt. */
NOINLINE ps_status_t read_record(ps_store_t *store, uint32_t sequence)
{
    ps_ring_t *ring = ring_of(store, store->group);
    uint32_t address = record_address(store, sequence);
    unsigned end = record_bytes(store);
    unsigned at = 0;
    store->crc = store->group->crc_start;
    while (at < end) {
        unsigned n = clip_to_page(store, end - at);
        ps_status_t status = read_to_page(store, address + at, n);
        if (status != PS_OK) {
            return status;
        }
        const uint8_t *from = page(store);
        if (at == 0u) {
            if (load_u32_le(from) != sequence) {
                return PS_FLAGGED;
            }
            ring->revision = from[RECORD_REVISION];
        }
        crc_update(store, from, n);
        for (; n > 0u; --n) {
            uint8_t *to = NULL;
            if (at >= RECORD_BODY) {
                to = payload_to_ram(store, at - RECORD_BODY, ring->revision);
            }
            if (to != NULL) {
                *to = *from;
            }
            ++from;
            ++at;
        }
    }
    return store->crc == CRC_RESIDUE ? PS_OK : PS_FLAGGED;
}

/* ---- The newest record of a ring ----------------------------------------------------------- */

/* Read the sequence number at the head of a slot: SEQ_NONE if erased; SEQ_INVALID if it does not
 * belong there, or cannot be read. */
static ps_status_t read_head(ps_store_t *store, unsigned slot, uint32_t *sequence)
{
    ps_status_t status = read_to_page(store, slot_address(store, slot), SEQUENCE_BYTES);
    if (status != PS_OK) {
        *sequence = SEQ_INVALID;
        return status;
    }
    uint32_t s = load_u32_le(page(store));
    *sequence = s;
    if (s == 0xFFFFFFFFu) {
        *sequence = SEQ_NONE;
    } else if (s == 0u || s >= SEQUENCE_END || slot_of(store, s) != slot) {
        *sequence = SEQ_INVALID;
    } else {
        /* It belongs in this slot. */
    }
    return PS_OK;
}

/* The same. A head other than `expected` speaks against a newer record, so it is read twice:
 * SEQ_INVALID if the two readings differ. */
static ps_status_t confirm_head(ps_store_t *store, unsigned slot, uint32_t expected,
                                uint32_t *sequence)
{
    ps_status_t status = read_head(store, slot, sequence);
    uint32_t first = *sequence;
    if (status == PS_OK && first != expected) {
        status = read_head(store, slot, sequence);
        if (*sequence != first) {
            *sequence = SEQ_INVALID;
        }
    }
    return status;
}

/* How many slots one commit may skip: never as far as the newest record. */
static unsigned skip_limit(const ps_store_t *store)
{
    return min(store->group->slots - 2u, SKIP_LIMIT);
}

/* The number that a slot held before record `sequence` was written to it. */
static uint32_t previous_lap(const ps_store_t *store, uint32_t sequence)
{
    return sequence > store->group->slots ? sequence - store->group->slots : SEQ_NONE;
}

/* Find the newest number of a ring by its heads: SEQ_NONE if there is none, SEQ_INVALID if they are
 * not in order or cannot be read. From slot 0 to the newest record numbers rise by one; the slots
 * behind it are one lap before. So bisection finds it with about log2(slots) reads. A commit may
 * have skipped slots without a trace: as many behind the newest must be in order too. */
NOINLINE ps_status_t find_newest(ps_store_t *store, uint32_t *newest)
{
    unsigned low = 0;
    unsigned span = store->group->slots;
    uint32_t head;
    *newest = SEQ_INVALID;
    ps_status_t status = read_head(store, 0, &head);
    if (head == SEQ_NONE) {
        status = read_head(store, 0, &head);
    }
    if (head == SEQ_INVALID) {
        return status;
    }
    uint32_t s = head;
    while (span > 1u) {
        unsigned half = span / 2u;
        status = confirm_head(store, low + half, s + half, &head);
        if (head == s + half) {
            low += half;
            s = head;
            span -= half;
        } else if (head == previous_lap(store, s + half)) {
            span = half;
        } else {
            return status;
        }
    }
    /* The first slot behind the newest was met above. */
    for (unsigned k = 2; k <= skip_limit(store) + 1u; ++k) {
        status = confirm_head(store, (low + k) % store->group->slots, s + k, &head);
        if (head != previous_lap(store, s + k)) {
            return status;
        }
    }
    *newest = s;
    return PS_OK;
}

/* Find the greatest valid number below `limit`, looking at every slot; SEQ_NONE if there is none.
 * Spoils the values. Goes down from the slot before that of `limit`: usually just one record is
 * read. */
static ps_status_t scan(ps_store_t *store, uint32_t limit, uint32_t *newest)
{
    unsigned slot = slot_of(store, limit);
    *newest = SEQ_NONE;
    for (unsigned left = store->group->slots; left > 0u; --left) {
        bool found = false;
        slot = (slot > 0u ? slot : store->group->slots) - 1u;
        for (unsigned tries = READ_TRIES; tries > 0u && !found; --tries) {
            uint32_t s;
            ps_status_t status = read_head(store, slot, &s);
            if (s > *newest && s < limit) {
                status = read_record(store, s);
                found = status == PS_OK;
            }
            if (ps_failed(status)) {
                return status;
            }
            if (found) {
                *newest = s;
            }
        }
    }
    return PS_OK;
}

/* Load record `sequence` of the current group. PS_FLAGGED: it was not valid, twice. */
static ps_status_t load_record(ps_store_t *store, uint32_t sequence)
{
    ps_status_t status = PS_FLAGGED;
    for (unsigned tries = READ_TRIES; tries > 0u && status == PS_FLAGGED; --tries) {
        default_group(store, store->group);
        status = read_record(store, sequence);
    }
    return status;
}

/* Is record `copy` valid, with the body of record `sequence`? PS_OLDER: valid, with another body.
 * PS_FLAGGED: not valid. */
NOINLINE ps_status_t read_copy(ps_store_t *store, uint32_t sequence, uint32_t copy)
{
    uint8_t chunk[CHUNK_BYTES];
    uint32_t from = record_address(store, sequence);
    uint32_t copy_from = record_address(store, copy);
    unsigned crc_at = crc_offset(store);
    unsigned at = 0;
    ps_status_t body = PS_OK;
    store->crc = store->group->crc_start;
    while (at < crc_at + CRC_BYTES) {
        unsigned n = min(clip_to_page(store, crc_at + CRC_BYTES - at), CHUNK_BYTES);
        ps_status_t status = read_bytes(store, copy_from + at, chunk, n);
        if (status == PS_OK && at == 0u && load_u32_le(chunk) != copy) {
            status = PS_FLAGGED;
        }
        if (status == PS_OK) {
            status = read_to_page(store, from + at, n);
        }
        if (status != PS_OK) {
            return status;
        }
        crc_update(store, chunk, n);
        for (unsigned i = 0; i < n; ++i) {
            if (at >= SEQUENCE_BYTES && at < crc_at && chunk[i] != page(store)[i]) {
                body = PS_OLDER;
            }
            ++at;
        }
    }
    return store->crc == CRC_RESIDUE ? body : PS_FLAGGED;
}

/* Has the newest record of the current group as many copies as the group asks? They are the records
 * right before it; skipped slots may lie between. */
static ps_status_t check_copies(ps_store_t *store, uint32_t sequence)
{
    const ps_group_t *group = store->group;
    unsigned missing = group->copies - 1u;
    unsigned most = min(missing + skip_limit(store), group->slots - 1u);
    for (unsigned k = 1; missing > 0u && k <= most && k < sequence; ++k) {
        ps_status_t status = PS_FLAGGED;
        bool older = false;
        for (unsigned tries = READ_TRIES; tries > 0u && status != PS_OK; --tries) {
            status = read_copy(store, sequence, sequence - k);
            if (ps_failed(status)) {
                return status;
            }
            older = older || status == PS_OLDER;
        }
        if (status == PS_OK) {
            --missing;
        } else if (older) {
            return PS_FLAGGED;
        } else {
            /* A skipped slot, or a damaged copy. */
        }
    }
    return missing == 0u ? PS_OK : PS_FLAGGED;
}

/* Load the newest record of a group into values that are defaults; they stay so if there is none.
 * Returns PS_OK, or the error of the bus. */
static ps_status_t mount_group(ps_store_t *store, unsigned g)
{
    ps_ring_t *ring = ring_at(store, g);
    store->group = group_at(store, g);
    uint32_t newest;
    ps_status_t status = find_newest(store, &newest);
    for (unsigned scans = 0; status == PS_OK && newest != SEQ_NONE; ++scans) {
        status = newest != SEQ_INVALID ? load_record(store, newest) : PS_FLAGGED;
        if (status == PS_OK) {
            ring->sequence = newest;
            ring->health &= (uint8_t)~PS_HEALTH_DEFAULTS;
            status = check_copies(store, newest);
            if (status != PS_OK) {
                ring->health |= PS_HEALTH_COPIES;
            }
            return ps_failed(status) ? status : PS_OK;
        }
        if (status == PS_FLAGGED) {
            ring->health |= PS_HEALTH_DAMAGE;
            /* A record that a scan found may read otherwise when it is loaded: then the one
             * before. */
            status = PS_OK;
            if (scans < LOAD_TRIES) {
                status = scan(store, newest, &newest);
            } else {
                newest = SEQ_NONE;
            }
        }
        ring->revision = 0;
        default_group(store, store->group);
    }
    return status;
}

/* Mount the groups from `g` to before `end`, until that fails. */
NOINLINE ps_status_t mount_groups(ps_store_t *store, unsigned g, unsigned end)
{
    ps_status_t status = PS_OK;
    for (; status == PS_OK && g < end; ++g) {
        status = mount_group(store, g);
    }
    return status;
}

/* ---- Changes of values --------------------------------------------------------------------- */

/* May anything be written to the part? */
static ps_status_t check_ready(const ps_store_t *store)
{
    if (store->copies != 0u) {
        return PS_ERR_BUSY;
    }
    return ps_failed((ps_status_t)store->state) ? (ps_status_t)store->state : PS_OK;
}

static ps_status_t check_index(const ps_store_t *store, unsigned g)
{
    return g < store->layout->group_count ? PS_OK : PS_ERR_ARGUMENT;
}

/* May the values of this group change? */
static ps_status_t check_writable(ps_store_t *store, unsigned g)
{
    if (check_index(store, g) != PS_OK) {
        return PS_ERR_ARGUMENT;
    }
    if (store->copies != 0u && store->group == group_at(store, g)) {
        return PS_ERR_BUSY;
    }
    if ((group_at(store, g)->flags & PS_PROTECTED) != 0u &&
        (ring_at(store, g)->health & PS_HEALTH_UNLOCKED) == 0u) {
        return PS_ERR_LOCKED;
    }
    return PS_OK;
}

static ps_status_t check_field_writable(ps_store_t *store, unsigned field)
{
    if (field >= store->layout->field_count) {
        return PS_ERR_ARGUMENT;
    }
    return check_writable(store, field_at(store, field)->group);
}

/* Change bytes of a field in RAM. The group becomes dirty if a byte differs, or if it has no record
 * yet. */
static void change(ps_store_t *store, const ps_field_t *field, unsigned offset,
                   const uint8_t *from, unsigned count)
{
    ps_ring_t *ring = ring_at(store, field->group);
    uint8_t *to = field_ptr(store, field) + offset;
    bool changed = ring->sequence == SEQ_NONE;
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
    ps_status_t status = check_field_writable(store, field);
    if (status != PS_OK) {
        return status;
    }
    const ps_field_t *f = field_at(store, field);
    if (first > f->count || count > f->count - first) {
        return PS_ERR_ARGUMENT;
    }
    if (!all_within_limits(f, (const uint8_t *)values, count)) {
        return PS_ERR_LIMIT;
    }
    change(store, f, (unsigned)first * f->size, (const uint8_t *)values,
           (unsigned)count * f->size);
    return PS_OK;
}

ps_status_t ps_set_text(ps_store_t *store, uint16_t field, const char *text)
{
    static const uint8_t end = 0;
    ps_status_t status = check_field_writable(store, field);
    if (status != PS_OK) {
        return status;
    }
    const uint8_t *bytes = (const uint8_t *)text;
    const ps_field_t *f = field_at(store, field);
    unsigned length = text_length(bytes, f->count + 1u);
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
    ps_status_t status = check_field_writable(store, field);
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
    ps_status_t status = check_writable(store, group);
    if (status == PS_OK) {
        ring_at(store, group)->health |= PS_HEALTH_DIRTY;
    }
    return status;
}

ps_status_t ps_unlock(ps_store_t *store, uint8_t group)
{
    ps_status_t status = check_index(store, group);
    if (status == PS_OK) {
        ring_at(store, group)->health |= PS_HEALTH_UNLOCKED;
    }
    return status;
}

ps_status_t ps_lock(ps_store_t *store, uint8_t group)
{
    ps_status_t status = check_index(store, group);
    if (status == PS_OK) {
        ring_at(store, group)->health &= (uint8_t)~PS_HEALTH_UNLOCKED;
    }
    return status;
}

/* A ring to read; NULL if there is no such group. */
static const ps_ring_t *const_ring_at(const ps_store_t *store, unsigned g)
{
    if (check_index(store, g) != PS_OK) {
        return NULL;
    }
    return (const ps_ring_t *)(const void *)((const uint8_t *)store + group_at(store, g)->ring);
}

uint8_t ps_health(const ps_store_t *store, uint8_t group)
{
    const ps_ring_t *ring = const_ring_at(store, group);
    return ring != NULL ? ring->health : (uint8_t)PS_HEALTH_DEFAULTS;
}

uint32_t ps_sequence(const ps_store_t *store, uint8_t group)
{
    const ps_ring_t *ring = const_ring_at(store, group);
    return ring != NULL ? ring->sequence : SEQ_NONE;
}

/* ---- Commit -------------------------------------------------------------------------------- */

/* A commit writes the values of its group as `copies` records, one sequence number and one slot
 * further each, page by page. Its state in ps_store_t: `copies` counts the records still to write
 * (0: idle), `skipped` the slots skipped since the last record, `offset` is that of the page in the
 * record, and `phase` the state of that page.
 *
 *   state   event                              next state            what it guarantees
 *   ------  ---------------------------------  --------------------  ------------------------------
 *   idle    values keep limits and rules       BEGIN, page 0         the record will be valid
 *   BEGIN   newest record has bytes to keep    READ
 *           it has none                        WRITE                 the buffer has the page
 *   READ    page of the newest record read     CHECK
 *   CHECK   it reads the same again            WRITE                 the bytes to keep are true
 *           it reads otherwise                 idle, PS_ERR_BUS      nothing sent of this page
 *   WRITE   supply not good                    idle, PS_ERR_SUPPLY   nothing sent of this page
 *           page sent                          VERIFY
 *   VERIFY  equal, more pages                  BEGIN, next page      this page is on the part
 *           equal, last page, more copies      BEGIN, page 0         this record is the newest one
 *           equal, last page of last copy      idle, PS_OK           all copies are on the part
 *           differs, a slot is left to skip    BEGIN, page 0         not in this slot
 *           differs, none is left              idle, PS_ERR_VERIFY
 *   any     no acknowledge, time left          the same, later       busy parts are waited for
 *           no acknowledge, no time left       idle, PS_ERR_NACK
 *           bus error                          idle, PS_ERR_BUS
 *
 * In every state the newest record is untouched: the slot that is written is another one. So after
 * a power cut or an error the part holds the values committed last, or the new ones. `page_begin`
 * is BEGIN, `page_try` the row `any`, and `ps_step` the rest.
 */
enum { PHASE_READ, PHASE_CHECK, PHASE_WRITE, PHASE_VERIFY };

/* The number of the record that is being written. */
static uint32_t next_sequence(ps_store_t *store)
{
    return ring_of(store, store->group)->sequence + 1u + store->skipped;
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

/* Has the newest record bytes to keep: of former fields, or of a later release? */
static bool keeps_bytes(const ps_group_t *group, const ps_ring_t *ring)
{
    return ring->sequence != SEQ_NONE &&
           ((group->flags & PS_RESERVED) != 0u || is_later(group, ring));
}

/* Byte `at` of a body to be written. If it is not ours: `old`, what the newest record holds there,
 * or the default if the newest record is of a revision before that byte. */
NOINLINE uint8_t body_byte(ps_store_t *store, unsigned at, uint8_t old)
{
    const ps_group_t *group = store->group;
    const ps_ring_t *ring = ring_of(store, group);
    const uint8_t *value = payload_to_ram(store, at, group->revision);
    if (value != NULL) {
        return *value;
    }
    const ps_field_t *field = find_field(store, at);
    if (field != NULL) {
        return ring->revision < field->since ? group->defaults[at] : old;
    }
    return is_later(group, ring) ? old : 0xFFu; /* room for growth */
}

/* Put the page at `store->offset` of the record into the buffer, which holds the same page of the
 * newest record if there are bytes to keep. Takes it into the CRC. */
static void fill_page(ps_store_t *store)
{
    const ps_group_t *group = store->group;
    unsigned offset = store->offset;
    unsigned crc_at = crc_offset(store);
    unsigned end = offset + clip_to_page(store, crc_at + CRC_BYTES - offset);
    unsigned at = offset;
    uint8_t *to = page(store);
    if (at == 0u) {
        store->crc = group->crc_start;
        for (; at < SEQUENCE_BYTES; ++at) {
            *to++ = byte_of(next_sequence(store), at);
        }
        *to++ = newer_revision(group, ring_of(store, group));
        ++at;
    }
    for (; at < end && at < crc_at; ++at) {
        *to = body_byte(store, at - RECORD_BODY, *to);
        ++to;
    }
    crc_update(store, page(store), at - offset);
    for (; at < end; ++at) {
        *to++ = byte_of(~store->crc, at - crc_at);
    }
}

/* Go to a state of the page. A part that was just sent a page is busy: do not ask it at once. */
static ps_status_t enter(ps_store_t *store, unsigned phase)
{
    start_timeout(store);
    store->wait_us = phase == PHASE_VERIFY ? store->layout->poll_us : 0u;
    store->phase = (uint8_t)phase;
    return PS_PENDING;
}

/* BEGIN: go on with the page at `offset` of the record. */
static ps_status_t page_begin(ps_store_t *store, unsigned offset)
{
    store->offset = (uint16_t)offset;
    if (keeps_bytes(store->group, ring_of(store, store->group))) {
        return enter(store, PHASE_READ);
    }
    fill_page(store);
    return enter(store, PHASE_WRITE);
}

/* Compare the page buffer with the part. Serves as the acknowledge poll too: a busy part does not
 * answer. */
static ps_status_t page_compare(ps_store_t *store, uint32_t address, unsigned count)
{
    uint8_t chunk[CHUNK_BYTES];
    const uint8_t *sent = page(store);
    while (count > 0u) {
        unsigned n = min(count, CHUNK_BYTES);
        ps_status_t status = receive(store, address, chunk, n);
        if (status != PS_OK) {
            return status;
        }
        if (compare_bytes(chunk, sent, n) != 0) {
            return PS_ERR_VERIFY;
        }
        address += n;
        sent = &sent[n];
        count -= n;
    }
    return PS_OK;
}

/* The same. A page that differs is read again: one bad read must not count as a worn page. Then it
 * must be equal twice: bad reads must not hide a lost write either. */
static ps_status_t page_confirm(ps_store_t *store, uint32_t address, unsigned count)
{
    ps_status_t status = page_compare(store, address, count);
    if (status == PS_ERR_VERIFY) {
        status = page_compare(store, address, count);
        if (status == PS_OK) {
            status = page_compare(store, address, count);
        }
    }
    return status;
}

static bool supply_good(const ps_store_t *store)
{
    return store->port->supply_good == NULL || store->port->supply_good(store->port->user);
}

/* Try what the state asks for, with a page of `count` bytes at `address`. PS_PENDING: it is not due,
 * or the part is busy: call again when wait_us has passed. PS_ERR_VERIFY: the page differs. */
static ps_status_t page_try(ps_store_t *store, uint32_t address, unsigned count,
                            unsigned elapsed_us)
{
    ps_status_t status;
    store->left_us = time_left(store->left_us, elapsed_us);
    store->wait_us = time_left(store->wait_us, elapsed_us);
    if (store->wait_us != 0u) {
        return PS_PENDING;
    }
    switch (store->phase) {
    case PHASE_READ:
        status = receive(store, address, page(store), count);
        break;
    case PHASE_WRITE:
        status = supply_good(store) ? send_page(store, address, count) : PS_ERR_SUPPLY;
        break;
    default: /* PHASE_CHECK, PHASE_VERIFY */
        status = page_confirm(store, address, count);
        break;
    }
    if (status == PS_ERR_NACK && store->left_us != 0u) {
        store->wait_us = store->layout->poll_us;
        status = PS_PENDING;
    }
    return status;
}

/* A page that ends at `end` of the record is on the part: go on with the next page, with the next
 * copy, or end. */
static ps_status_t page_written(ps_store_t *store, unsigned end)
{
    ps_ring_t *ring = ring_of(store, store->group);
    if (end < record_bytes(store)) {
        return page_begin(store, end);
    }
    ring->sequence = next_sequence(store);
    ring->revision = newer_revision(store->group, ring);
    ring->health &= (uint8_t)~(PS_HEALTH_DEFAULTS | PS_HEALTH_DAMAGE | PS_HEALTH_LIMIT);
    store->skipped = 0;
    --store->copies;
    if (store->copies != 0u) {
        ring->health |= PS_HEALTH_COPIES;
        return page_begin(store, 0);
    }
    ring->health &= (uint8_t)~(PS_HEALTH_DIRTY | PS_HEALTH_UNLOCKED | PS_HEALTH_MIGRATED |
                               PS_HEALTH_COPIES);
    return PS_OK;
}

/* The slot does not take the record: go on with the next one, unless that is one too far. */
static ps_status_t skip_slot(ps_store_t *store)
{
    ps_status_t status = PS_ERR_VERIFY;
    ring_of(store, store->group)->health |= PS_HEALTH_WORN;
    if (store->skipped < skip_limit(store)) {
        ++store->skipped;
        status = page_begin(store, 0);
    }
    return status;
}

ps_status_t ps_step(ps_store_t *store, uint16_t elapsed_us)
{
    if (store->copies == 0u) {
        return PS_OK;
    }
    bool reads = store->phase == PHASE_READ || store->phase == PHASE_CHECK;
    uint32_t sequence = reads ? ring_of(store, store->group)->sequence : next_sequence(store);
    unsigned offset = store->offset;
    unsigned count = clip_to_page(store, record_bytes(store) - offset);
    ps_status_t status = page_try(store, record_address(store, sequence) + offset, count,
                                  elapsed_us);
    switch (store->phase) {
    case PHASE_READ:
        if (status == PS_OK) {
            status = enter(store, PHASE_CHECK);
        }
        break;
    case PHASE_CHECK:
        if (status == PS_OK) {
            fill_page(store);
            status = enter(store, PHASE_WRITE);
        } else if (status == PS_ERR_VERIFY) {
            status = PS_ERR_BUS; /* two readings of the newest record differ */
        } else {
            /* Not done yet, or failed. */
        }
        break;
    case PHASE_WRITE:
        if (status == PS_OK) {
            status = enter(store, PHASE_VERIFY);
        }
        break;
    default: /* PHASE_VERIFY */
        if (status == PS_OK) {
            status = page_written(store, offset + count);
        } else if (status == PS_ERR_VERIFY) {
            status = skip_slot(store);
        } else {
            /* Not done yet, or failed. */
        }
        break;
    }
    if (status != PS_PENDING) {
        store->copies = 0;
    }
    return status;
}

/* Begin a commit of a group, whether it is changed, locked, or neither. */
static ps_status_t commit_start(ps_store_t *store, unsigned g)
{
    store->group = group_at(store, g);
    ps_status_t status =
        ring_at(store, g)->sequence >= SEQUENCE_FULL ? PS_ERR_FULL : check_group(store, false);
    if (status == PS_OK) {
        store->skipped = 0;
        store->copies = store->group->copies;
        status = page_begin(store, 0);
    }
    return status;
}

ps_status_t ps_commit_begin(ps_store_t *store, uint8_t group)
{
    ps_status_t status = check_ready(store);
    if (status == PS_OK) {
        status = check_index(store, group);
    }
    if (status != PS_OK || (ring_at(store, group)->health & PS_HEALTH_DIRTY) == 0u) {
        return status;
    }
    status = labelled(store) ? check_writable(store, group) : PS_ERR_STATE;
    return status == PS_OK ? commit_start(store, group) : status;
}

/* Let the time pass until the next step is due. Returns how long that was. */
static unsigned page_wait(const ps_store_t *store)
{
    if (store->wait_us != 0u) {
        store->port->wait_us(store->port->user, store->wait_us);
    }
    return store->wait_us;
}

/* Do all steps of a commit that returned `status` when it began, and wait between them. */
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
    for (uint8_t g = 0; g < store->layout->group_count; ++g) {
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
    ps_status_t status = check_ready(store);
    if (status == PS_OK) {
        status = check_index(store, group);
    }
    if (status != PS_OK) {
        return status;
    }
    if ((ring_at(store, group)->health & PS_HEALTH_DIRTY) != 0u) {
        return ps_commit(store, group);
    }
    if (!labelled(store) || ring_at(store, group)->sequence == SEQ_NONE) {
        return PS_ERR_STATE;
    }
    return commit_finish(store, commit_start(store, group));
}

/* Write and verify `count` bytes outside of records, page by page; FF if `bytes` is NULL. */
static ps_status_t write_span(ps_store_t *store, uint32_t address, const uint8_t *bytes,
                              unsigned count)
{
    ps_status_t status = PS_OK;
    while (status == PS_OK && count > 0u) {
        unsigned n = clip_to_page(store, count);
        for (unsigned i = 0; i < n; ++i) {
            page(store)[i] = bytes != NULL ? *bytes++ : 0xFFu;
        }
        status = enter(store, PHASE_WRITE);
        while (status == PS_PENDING) {
            status = page_try(store, address, n, page_wait(store));
            if (status == PS_OK && store->phase == PHASE_WRITE) {
                status = enter(store, PHASE_VERIFY);
            }
        }
        start_timeout(store);
        address += n;
        count -= n;
    }
    return status;
}

/* ---- Label --------------------------------------------------------------------------------- */

/* No whole label, but nothing that is not ours either. */
static bool is_unlabelled(ps_status_t label)
{
    return label == PS_BLANK || label == PS_FLAGGED;
}

/* A label of our store on our part, of another release. PS_OLDER: of a known earlier one. PS_OK: of
 * a later one that follows from ours, as far as its lineage tells. */
static ps_status_t classify_release(const ps_layout_t *layout, const uint8_t *found)
{
    const uint8_t *earlier = layout->earlier_labels;
    for (unsigned left = layout->earlier_count; left > 0u; --left) {
        if (compare_bytes(found + LABEL_RELEASE, earlier, PS_EARLIER_BYTES) == 0) {
            return PS_OLDER;
        }
        earlier += PS_EARLIER_BYTES;
    }
    unsigned release = found[LABEL_RELEASE] | (unsigned)found[LABEL_RELEASE + 1u] << 8;
    unsigned gap = release - layout->later_than;
    return release > layout->later_than && release <= layout->later_until &&
                   (gap > LINEAGE_BYTES ||
                    found[LABEL_LINEAGE + gap - 1u] == layout->label[LABEL_LAYOUT_ID])
               ? PS_OK
               : PS_ERR_LAYOUT;
}

/* What the bytes in the page buffer say as a label. PS_OK: ours, or of a later release in which all
 * that this one knows is where it was. PS_OLDER: of a known earlier one. PS_BLANK: erased.
 * PS_FLAGGED: unreadable. Else why it is not ours. */
static ps_status_t classify_label(ps_store_t *store)
{
    const ps_layout_t *layout = store->layout;
    const uint8_t *found = page(store);
    const uint8_t *ours = layout->label;
    unsigned count = layout->label_bytes;
    store->crc = CRC_START;
    crc_update(store, found, count);
    if (store->crc != CRC_RESIDUE || compare_bytes(found, ours, MAGIC_BYTES) != 0) {
        return all_erased(found, count) ? PS_BLANK : PS_FLAGGED;
    }
    if (found[LABEL_VERSION] != ours[LABEL_VERSION]) {
        return PS_ERR_LAYOUT;
    }
    if (compare_bytes(found + LABEL_STORE_ID, ours + LABEL_STORE_ID, ID_BYTES) != 0) {
        return PS_ERR_FOREIGN;
    }
    if (found[LABEL_GEOMETRY] != ours[LABEL_GEOMETRY]) {
        return PS_ERR_PART;
    }
    return compare_bytes(found, ours, count) == 0 ? PS_OK : classify_release(layout, found);
}

/* Read the label copy at `step` into the page buffer. One bad read must make no label blank or
 * unreadable. Returns what classify_label says, or the error of the bus. */
static ps_status_t read_label(ps_store_t *store, unsigned step)
{
    ps_status_t label = PS_FLAGGED;
    for (unsigned tries = READ_TRIES; tries > 0u && is_unlabelled(label); --tries) {
        label = read_to_page(store, step, store->layout->label_bytes);
        if (label == PS_OK) {
            label = classify_label(store);
        }
    }
    return label;
}

/* Does the part read the same at `step` and at capacity / 2 + `step`? The page buffer holds what it
 * reads at `step`. */
static ps_status_t compare_halves(ps_store_t *store, unsigned step, unsigned count)
{
    uint8_t chunk[CHUNK_BYTES];
    ps_status_t status = read_bytes(store, store->layout->capacity / 2u + step, chunk, count);
    if (status == PS_OK && compare_bytes(chunk, page(store), count) != 0) {
        status = PS_FLAGGED;
    }
    return status;
}

/* Find the label that counts; `first` is what copy 0 reads as. Returns what classify_label says, or
 * the error of the bus. PS_ERR_PART too if an address bit has no effect: then capacity / 2 reads
 * the same as address 0. No slot begins capacity / 2 behind another one's first byte, and no sequence
 * number reads like a label, so no record can look like that (FORMAT.md, 2). */
static ps_status_t find_label(ps_store_t *store, ps_status_t *first)
{
    const ps_layout_t *layout = store->layout;
    ps_status_t halves = PS_FLAGGED;
    start_timeout(store);
    ps_status_t label = read_label(store, 0);
    *first = label;
    if (!ps_failed(label)) {
        halves = compare_halves(store, 0, layout->label_bytes);
    }
    if (is_unlabelled(label) && !ps_failed(halves)) {
        label = read_label(store, layout->label_step);
        if (is_unlabelled(label) || ps_failed(label)) {
            halves = PS_FLAGGED;
        } else if (halves == PS_OK) {
            halves = compare_halves(store, layout->label_step, MAGIC_BYTES);
        } else {
            /* The part has its size. */
        }
    }
    if (ps_failed(halves)) {
        return halves;
    }
    return halves == PS_OK ? PS_ERR_PART : label;
}

/* ---- Mount and format ---------------------------------------------------------------------- */

/* The state of a group before mount: every value a default, no record known. */
static void reset_group(ps_store_t *store, unsigned g)
{
    ps_ring_t *ring = ring_at(store, g);
    ring->sequence = SEQ_NONE;
    ring->revision = 0;
    ring->health = PS_HEALTH_DEFAULTS;
    default_group(store, group_at(store, g));
}

/* The same for all groups. */
static void reset_ram(ps_store_t *store)
{
    const ps_layout_t *layout = store->layout;
    uint8_t *values = (uint8_t *)store + layout->values;
    store->state = PS_ERR_STATE;
    store->copies = 0;
    for (unsigned i = 0; i < layout->values_bytes; ++i) {
        values[i] = 0; /* the byte after a text stays so */
    }
    for (unsigned g = 0; g < layout->ring_count; ++g) {
        reset_group(store, g);
    }
}

/* Set what breaks limits or rules to defaults. Returns the flags of the group. */
static unsigned repair_group(ps_store_t *store, unsigned g)
{
    ps_ring_t *ring = ring_at(store, g);
    store->group = group_at(store, g);
    if (check_group(store, true) != PS_OK) {
        ring->health |= PS_HEALTH_LIMIT;
    }
    return ring->health;
}

/* Repair all groups. Returns all their flags. */
NOINLINE unsigned repair_groups(ps_store_t *store)
{
    unsigned health = 0;
    for (unsigned g = 0; g < store->layout->group_count; ++g) {
        health |= repair_group(store, g);
    }
    return health;
}

static bool any_record(ps_store_t *store)
{
    bool found = false;
    for (unsigned g = 0; g < store->layout->ring_count; ++g) {
        found = found || ring_at(store, g)->sequence != SEQ_NONE;
    }
    return found;
}

ps_status_t ps_mount(ps_store_t *store)
{
    const ps_layout_t *layout = store->layout;
    ps_status_t first;
    reset_ram(store);
    ps_status_t label = find_label(store, &first);
    if (ps_failed(label)) {
        store->state = (uint8_t)(is_refusal(label) ? PS_ERR_FOREIGN : PS_ERR_STATE);
        return label;
    }
    bool older = label != PS_OK;
    ps_status_t status = mount_groups(store, 0, older ? layout->ring_count : layout->group_count);
    if (status == PS_OK && older && layout->migrate != NULL) {
        status = layout->migrate(store);
    }
    if (status != PS_OK) {
        reset_ram(store); /* half of the values would be worse than none */
        return status;
    }
    unsigned health = repair_groups(store);
    if (is_unlabelled(label) && any_record(store)) {
        store->state = PS_FLAGGED; /* valid records can only be ours */
        return PS_FLAGGED;
    }
    if (is_unlabelled(label)) {
        /* No label and no record. If copy 0 and the rings are erased, the part is blank, or its
         * very first format was interrupted. */
        label = first == PS_BLANK && (health & PS_HEALTH_DAMAGE) == 0u ? PS_BLANK : PS_ERR_FOREIGN;
    }
    store->state = (uint8_t)label;
    return label == PS_OK && (health != 0u || first != PS_OK) ? PS_FLAGGED : label;
}

ps_status_t ps_reload(ps_store_t *store, uint8_t group)
{
    ps_status_t status = check_ready(store);
    if (status == PS_OK) {
        status = check_index(store, group);
    }
    if (status != PS_OK) {
        return status;
    }
    if (!labelled(store)) {
        return PS_ERR_STATE;
    }
    reset_group(store, group);
    start_timeout(store);
    status = mount_groups(store, group, group + 1u);
    unsigned health = repair_group(store, group);
    if (status != PS_OK) {
        store->state = PS_ERR_STATE; /* the newest record is not known */
        return status;
    }
    return health != 0u ? PS_FLAGGED : PS_OK;
}

/* Commit the migrated groups, locked ones too. A group that others take values from comes last:
 * after a power cut they find there what they need. */
static ps_status_t commit_migrated(ps_store_t *store)
{
    const ps_migration_t *row = store->layout->migrations;
    ps_status_t status = PS_OK;
    for (unsigned left = store->layout->migration_count; status == PS_OK && left > 0u; --left) {
        if ((ring_at(store, row->field->group)->health & PS_HEALTH_MIGRATED) != 0u) {
            status = commit_finish(store, commit_start(store, row->field->group));
        }
        ++row;
    }
    return status;
}

/* Rings are searched and erased in blocks: a page or a part of one. */
static unsigned block_bytes(const ps_store_t *store)
{
    return clip_to_page(store, CHUNK_BYTES);
}

static ps_status_t read_block(ps_store_t *store, uint32_t address)
{
    ps_status_t status = read_to_page(store, address, block_bytes(store));
    if (status == PS_OK && !all_erased(page(store), block_bytes(store))) {
        status = PS_FLAGGED;
    }
    return status;
}

/* Erase one block, unless it reads erased twice. */
static ps_status_t erase_block(ps_store_t *store, uint32_t address)
{
    ps_status_t status = read_block(store, address);
    if (status == PS_OK) {
        status = read_block(store, address);
    }
    return status == PS_FLAGGED ? write_span(store, address, NULL, block_bytes(store)) : status;
}

static ps_status_t check_block(ps_store_t *store, uint32_t address)
{
    ps_status_t status = read_block(store, address);
    return status == PS_FLAGGED ? PS_ERR_FOREIGN : status;
}

/* Erase all rings, retired ones too, or check that they are erased, until that fails. */
static ps_status_t walk_rings(ps_store_t *store, bool erase)
{
    ps_status_t status = PS_OK;
    for (unsigned g = 0; status == PS_OK && g < store->layout->ring_count; ++g) {
        const ps_group_t *group = group_at(store, g);
        uint32_t address = group->address;
        uint32_t end = address + (uint32_t)group->slots * group->slot_bytes;
        while (status == PS_OK && address < end) {
            status = erase ? erase_block(store, address) : check_block(store, address);
            address += block_bytes(store);
        }
    }
    return status;
}

/* Is the part as blank as mount found it? One bad mount, such as over a bus that read FF only, must
 * not destroy what is there. Reads label copy 0 and every page of all rings; copy 1 may be torn. */
static ps_status_t check_blank(ps_store_t *store)
{
    ps_status_t first;
    ps_status_t label = find_label(store, &first);
    if (ps_failed(label)) {
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
    if (label == PS_OK || is_bus_error(label)) {
        return label;
    }
    return write_span(store, step, layout->label, layout->label_bytes);
}

/* Write the copies that are not whole. Never over the only whole one: copy 1 comes first, unless it
 * is whole. */
static ps_status_t write_labels(ps_store_t *store)
{
    unsigned step = store->layout->label_step;
    start_timeout(store);
    ps_status_t label = read_label(store, step);
    if (is_bus_error(label)) {
        return label;
    }
    if (label == PS_OK || label == PS_OLDER) {
        step = 0;
    }
    ps_status_t status = write_label(store, step);
    return status == PS_OK ? write_label(store, store->layout->label_step - step) : status;
}

/* Write copy 1 of a blank part. Its read-back proves that reads work; only then is it known that
 * the part is blank, and not a bus that reads FF. */
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
    ps_status_t status = check_ready(store);
    if (status != PS_OK) {
        return status;
    }
    if ((ps_status_t)store->state == PS_BLANK) {
        status = begin_blank(store);
    } else {
        status = commit_migrated(store);
    }
    if (status == PS_OK) {
        status = write_labels(store);
    }
    if (status == PS_OK) {
        status = find_label(store, &first);
        store->state = (uint8_t)(ps_failed(status) ? PS_ERR_STATE : PS_OK);
    }
    if (is_refusal(status)) {
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
    uint8_t mark[CHUNK_BYTES];
    unsigned crc_at = layout->label_bytes - CRC_BYTES;
    start_timeout(store);
    ps_status_t label = read_label(store, 0);
    if (ps_failed(label)) {
        return is_refusal(label) ? PS_OK : label;
    }
    for (unsigned i = 0; i < crc_at; ++i) {
        mark[i] = i - LABEL_STORE_ID < ID_BYTES ? 0u : layout->label[i];
    }
    store->crc = CRC_START;
    crc_update(store, mark, crc_at);
    for (unsigned i = 0; i < CRC_BYTES; ++i) {
        mark[crc_at + i] = byte_of(~store->crc, i);
    }
    return write_span(store, 0, mark, layout->label_bytes);
}

ps_status_t ps_wipe(ps_store_t *store)
{
    const ps_layout_t *layout = store->layout;
    if (store->copies != 0u) {
        return PS_ERR_BUSY;
    }
    reset_ram(store);
    ps_status_t status = mark_for_wipe(store);
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

/* ---- Migration: values that earlier releases kept elsewhere -------------------------------- */

/* Read a byte that no CRC covers: two readings in a row must agree. PS_ERR_BUS if none do. */
static ps_status_t read_twice(ps_store_t *store, uint32_t address, uint8_t *byte)
{
    ps_status_t status = read_to_page(store, address, 1);
    for (unsigned tries = READ_TRIES + 1u; status == PS_OK && tries > 0u; --tries) {
        *byte = *page(store);
        status = read_to_page(store, address, 1);
        if (status == PS_OK && *byte == *page(store)) {
            return PS_OK;
        }
    }
    return status == PS_OK ? PS_ERR_BUS : status;
}

/* Migrate a field from the newest record of its source, byte by byte: a page may end in an element.
 * PS_ERR_LIMIT: there is no value for it. Else the status of the bus. */
static ps_status_t migrate_field(ps_store_t *store, const ps_migration_t *row)
{
    uint8_t *to = field_ptr(store, row->field);
    uint8_t stored[8];
    store->group = group_at(store, row->source);
    uint32_t address = record_address(store, ring_of(store, store->group)->sequence) +
                       RECORD_BODY + row->offset;
    for (unsigned left = row->count; left > 0u; --left) {
        for (unsigned i = 0; i < row->size; ++i) {
            ps_status_t status = read_twice(store, address++, &stored[i]);
            if (status != PS_OK) {
                return status;
            }
            if (row->convert == NULL) {
                to[ram_index(i, row->size)] = stored[i];
            }
        }
        if (row->convert != NULL && !row->convert(stored, to)) {
            return PS_ERR_LIMIT;
        }
        to += row->field->size;
    }
    return PS_OK;
}

ps_status_t ps_migrate(ps_store_t *store)
{
    const ps_migration_t *row = store->layout->migrations;
    const ps_migration_t *end = row + store->layout->migration_count;
    while (row < end) {
        ps_ring_t *ring = ring_at(store, row->field->group);
        const ps_ring_t *source = ring_at(store, row->source);
        unsigned rows = 1;
        /* Is the field not in its group's record, and in the source's? */
        if (ring->revision < row->since &&
            (unsigned)source->revision - row->source_since < row->span) {
            ps_status_t status = migrate_field(store, row);
            if (status == PS_OK) {
                rows += row->more_of_field;
            } else if (status == PS_ERR_LIMIT) {
                rows += row->more_of_parameter; /* half a curve is none */
                default_parameter(store, row->field);
                ring->health |= PS_HEALTH_LIMIT;
            } else {
                return status;
            }
            ring->health &= (uint8_t)~PS_HEALTH_DEFAULTS;
            ring->health |= PS_HEALTH_MIGRATED | PS_HEALTH_DIRTY;
        }
        row += rows;
    }
    return PS_OK;
}

/* ---- Provisioning from a factory image ----------------------------------------------------- */

/* Where the record of a group is in an image. */
static const uint8_t *image_record(const ps_group_t *group, const uint8_t *image)
{
    return image + group->address;
}

/* Does the group have factory values? Not if its record is erased in the image; without an image,
 * not if it is protected: defaults are no calibration. */
static bool has_factory_values(const ps_group_t *group, const uint8_t *image)
{
    if (image == NULL) {
        return (group->flags & PS_PROTECTED) == 0u;
    }
    return !all_erased(image_record(group, image), group->body_bytes + RECORD_BODY + CRC_BYTES);
}

/* Is it an image of this layout and release, as packed: with record 1 of each group in slot 0 and
 * nothing behind its copies, or with no record? A dump of a unit in use is no such image. */
static bool image_ok(ps_store_t *store, const uint8_t *image)
{
    const ps_layout_t *layout = store->layout;
    bool ok = compare_bytes(image, layout->label, layout->label_bytes) == 0;
    for (unsigned g = 0; ok && g < layout->group_count; ++g) {
        store->group = group_at(store, g);
        store->crc = store->group->crc_start;
        const uint8_t *record = image_record(store->group, image);
        crc_update(store, record, record_bytes(store));
        ok = !has_factory_values(store->group, image) ||
             (store->crc == CRC_RESIDUE && load_u32_le(record) == 1u &&
              all_erased(image + slot_address(store, store->group->copies), SEQUENCE_BYTES));
    }
    return ok;
}

/* The label goes first: mount takes a torn record without a label for data of another owner. */
ps_status_t ps_provision(ps_store_t *store, const uint8_t *image)
{
    ps_status_t status = check_ready(store);
    if (status == PS_OK && image != NULL && !image_ok(store, image)) {
        status = PS_ERR_LAYOUT;
    }
    if (status == PS_OK && !labelled(store)) {
        status = ps_format(store);
    }
    for (uint8_t g = 0; status == PS_OK && g < store->layout->group_count; ++g) {
        const ps_group_t *group = group_at(store, g);
        ps_ring_t *ring = ring_at(store, g);
        if (ring->sequence == SEQ_NONE && (ring->health & PS_HEALTH_MIGRATED) == 0u &&
            has_factory_values(group, image)) {
            load_group(store, group, image != NULL ? image_record(group, image) + RECORD_BODY
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
