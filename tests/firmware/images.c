/* images.c: arbitrary images against ps_mount, for builds with sanitizers.
 *
 * Usage: images SEED COUNT. Every image is made anew: random bytes; a good part with damage; pages of
 * it in wrong places; or rings and labels built like good ones from random numbers, contents and
 * revisions, with a right CRC, so that hostile bytes get past it. It prints how many there were of
 * each kind and what mount said. Undefined behaviour stops it, and so does a mount that writes, that
 * does not end, that serves what has no right CRC without saying so, or values outside limits.
 *
 * The memory of the store ends where its block does, so that a sanitizer sees a step beyond. Knows
 * the format from FORMAT.md, and of the runtime no more than its header.
 */
#include IMAGES_HEADER

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define LAYOUT IMAGES_STORE(layout)
#define HEADER_BYTES 5u
#define MOST_TRANSFERS 20000u /* of one mount: all slots of all rings, more than once */

enum { NOISE, FLIPS, BURST, PAGES, SHIFT, RINGS, LABELS, KINDS };
static const char *const kind_names[KINDS] = {"noise", "flips", "burst", "pages",
                                              "shift", "rings", "labels"};

static uint64_t state;
static uint8_t *memory; /* of the part: exactly its size */
static uint8_t *good;   /* a part in use */
static uint32_t used;   /* bytes from the label to the end of the last ring */
static uint32_t crc_table[256];
static unsigned long transfers;
static bool may_write;
static unsigned long made[KINDS];
static unsigned long said[32]; /* how often each status was returned */
static unsigned long served;   /* groups that had a record */
static unsigned long mended;   /* groups with a value outside its limits */

static void demand(bool condition, const char *what)
{
    if (!condition) {
        printf("broken: %s\n", what);
        exit(3);
    }
}

/* ---- Chance -------------------------------------------------------------------------------- */

static uint64_t any64(void)
{
    state ^= state << 13;
    state ^= state >> 7;
    state ^= state << 17;
    return state;
}

static uint32_t chance(uint32_t below)
{
    return (uint32_t)(any64() >> 32) % below;
}

static void fill(uint8_t *to, uint32_t count)
{
    for (; count > 0; --count) {
        *to++ = (uint8_t)(any64() >> 40);
    }
}

/* ---- Bytes of the format, by FORMAT.md ----------------------------------------------------- */

static void crc_begin(void)
{
    uint32_t i;
    for (i = 0; i < 256; ++i) {
        uint32_t bit;
        uint32_t crc = i;
        for (bit = 0; bit < 8; ++bit) {
            crc = (crc >> 1) ^ ((crc & 1u) != 0 ? 0x82F63B78u : 0u);
        }
        crc_table[i] = crc;
    }
}

static uint32_t crc_of(uint32_t crc, const uint8_t *bytes, uint32_t count)
{
    for (; count > 0; --count) {
        crc = (crc >> 8) ^ crc_table[(crc ^ *bytes++) & 0xFFu];
    }
    return crc;
}

static void put32(uint8_t *to, uint32_t number)
{
    unsigned i;
    for (i = 0; i < 4; ++i) {
        to[i] = (uint8_t)(number >> (8u * i));
    }
}

static uint32_t get32(const uint8_t *from)
{
    return from[0] | (uint32_t)from[1] << 8 | (uint32_t)from[2] << 16 | (uint32_t)from[3] << 24;
}

static bool whole(const ps_group_t *group, const uint8_t *slot)
{
    uint32_t front = HEADER_BYTES + group->body_bytes;
    return get32(slot + front) == ~crc_of(group->crc_start, slot, front);
}

/* ---- The part ------------------------------------------------------------------------------ */

static ps_status_t transfer(void *user, uint8_t address, const uint8_t *out, uint16_t out_count,
                            uint8_t *in, uint16_t in_count)
{
    uint32_t at = 0;
    uint16_t i;
    (void)user;
    ++transfers;
    demand(out_count >= LAYOUT.address_bytes, "a transfer without a memory address");
    for (i = 0; i < LAYOUT.address_bytes; ++i) {
        at = at << 8 | out[i];
    }
    at |= (uint32_t)((address ^ LAYOUT.address) >> LAYOUT.block_shift)
          << (8u * LAYOUT.address_bytes);
    if (in_count > 0) {
        demand(at + in_count <= LAYOUT.capacity, "a read beyond the part");
        memcpy(in, memory + at, in_count);
    } else {
        demand(may_write, "mount writes");
        memcpy(memory + at, out + LAYOUT.address_bytes, (size_t)out_count - LAYOUT.address_bytes);
    }
    return PS_OK;
}

static void wait_us(void *user, uint16_t us)
{
    (void)user;
    (void)us;
}

/* ---- Images -------------------------------------------------------------------------------- */

/* A part in use: every ring written over at least once. */
static void make_good(ps_store_t *store)
{
    unsigned g;
    unsigned i;
    memset(memory, 0xFF, LAYOUT.capacity);
    may_write = true;
    demand(ps_mount(store) == PS_BLANK && ps_format(store) == PS_OK, "no blank part");
    for (g = 0; g < LAYOUT.group_count; ++g) {
        const ps_group_t *group = &LAYOUT.groups[g];
        for (i = 0; i < group->slots + 2u; ++i) {
            (void)ps_unlock(store, (uint8_t)g);
            (void)ps_touch(store, (uint8_t)g);
            demand(ps_commit(store, (uint8_t)g) == PS_OK, "no commit");
        }
    }
    for (g = 0; g < LAYOUT.ring_count; ++g) {
        const ps_group_t *group = &LAYOUT.groups[g];
        uint32_t end = group->address + (uint32_t)group->slots * group->slot_bytes;
        used = used < end ? end : used;
    }
    may_write = false;
    memcpy(good, memory, LAYOUT.capacity);
}

/* A record of some revision: any content, or about what was there. */
static void put_record(const ps_group_t *group, unsigned slot, uint32_t sequence)
{
    uint8_t *at = memory + group->address + (uint32_t)slot * group->slot_bytes;
    uint32_t front = HEADER_BYTES + group->body_bytes;
    put32(at, sequence);
    at[4] = (uint8_t)(chance(4) ? group->revision : chance(256));
    if (chance(2)) {
        fill(at + HEADER_BYTES, group->body_bytes);
    } else {
        at[HEADER_BYTES + chance(group->body_bytes)] = (uint8_t)chance(256);
    }
    put32(at + front, ~crc_of(group->crc_start, at, front));
    if (chance(4) == 0) {
        at[chance(front + 4u)] ^= (uint8_t)(1u << chance(8));
    }
}

/* Numbers at the heads of a ring as they should be up to some slot, but for a few. */
static void make_ring(const ps_group_t *group)
{
    static const uint32_t edges[] = {1u, 2u, 0x10000u, 0x7FFFFFFFu, 0xFFFFFFFFu};
    uint32_t newest = edges[chance(5)] + chance(4u * group->slots) - 2u * group->slots;
    unsigned slot;
    for (slot = 0; slot < group->slots; ++slot) {
        uint8_t *head = memory + group->address + (uint32_t)slot * group->slot_bytes;
        uint32_t back = (newest - 1u - slot) % group->slots;
        uint32_t sequence = newest - back;
        switch (chance(12)) {
        case 0: put_record(group, slot, (uint32_t)any64()); break;
        case 1: put_record(group, slot, sequence + group->slots * chance(5)); break;
        case 2: fill(head, 4); break;
        case 3: memset(head, 0xFF, group->slot_bytes); break;
        case 4: memset(head, 0, group->slot_bytes); break;
        default: put_record(group, slot, sequence); break;
        }
    }
}

/* A copy of the label with any field changed; its CRC is right but for one in four. */
static void make_label(uint32_t at)
{
    uint8_t *label = memory + at;
    uint32_t crc_at = LAYOUT.label_bytes - 4u;
    memcpy(label, LAYOUT.label, LAYOUT.label_bytes);
    switch (chance(6)) {
    case 0: fill(label + 4, crc_at - 4u); break;
    case 1: label[chance(crc_at)] = (uint8_t)chance(256); break;
    case 2: put32(label + 4, get32(label + 4) ^ (1u << chance(32))); break;
    case 3:
        if (LAYOUT.earlier_count > 0) {
            memcpy(label + 6, LAYOUT.earlier_labels + chance(LAYOUT.earlier_count) * PS_EARLIER_BYTES,
                   PS_EARLIER_BYTES);
        }
        break;
    case 4: memset(label, chance(2) ? 0xFF : 0, LAYOUT.label_bytes); return;
    default: break;
    }
    put32(label + crc_at, ~crc_of(0xFFFFFFFFu, label, crc_at));
    if (chance(4) == 0) {
        label[chance(LAYOUT.label_bytes)] ^= (uint8_t)(1u << chance(8));
    }
}

static void move_pages(void)
{
    uint32_t pages = used / LAYOUT.page_bytes;
    unsigned i;
    for (i = chance(6) + 1u; i > 0; --i) {
        memcpy(memory + chance(pages) * LAYOUT.page_bytes,
               good + chance(pages) * LAYOUT.page_bytes, LAYOUT.page_bytes);
    }
}

static void make_image(unsigned kind)
{
    uint32_t at = chance(used);
    uint32_t count;
    unsigned i;
    memcpy(memory, good, used);
    switch (kind) {
    case NOISE: fill(memory, used); break;
    case FLIPS:
        for (i = chance(20) + 1u; i > 0; --i) {
            memory[chance(used)] ^= (uint8_t)(1u << chance(8));
        }
        break;
    case BURST:
        count = chance(used - at < 200u ? used - at : 200u);
        if (chance(2)) {
            fill(memory + at, count);
        } else {
            memset(memory + at, chance(2) ? 0xFF : 0, used - at); /* cut off */
        }
        break;
    case PAGES: move_pages(); break;
    case SHIFT:
        count = chance(used);
        memcpy(memory + count, good, used - count);
        break;
    default:
        for (i = 0; i < LAYOUT.ring_count; ++i) {
            if (chance(2)) {
                make_ring(&LAYOUT.groups[i]);
            }
        }
        break;
    }
    memset(memory + LAYOUT.capacity / 2u, 0xFF, 64);
    if (kind == LABELS) {
        make_label(0);
        if (chance(2)) {
            make_label(LAYOUT.label_step);
        }
        if (chance(20) == 0) {
            memcpy(memory + LAYOUT.capacity / 2u, memory, 64);
        }
    }
}

/* ---- What mount made of it ----------------------------------------------------------------- */

static void look_at_fields(const ps_store_t *store, const ps_group_t *group)
{
    unsigned f;
    unsigned i;
    for (f = group->first_field; f < (unsigned)group->first_field + group->field_count; ++f) {
        const ps_field_t *field = &LAYOUT.fields[f];
        const uint8_t *at = (const uint8_t *)store + field->member;
        for (i = 0; field->size == 1 && field->range_count == 1 && i < field->count; ++i) {
            int key = (field->form & PS_FORM) == PS_SIGNED ? at[i] ^ 0x80 : at[i];
            demand(key >= field->limits[0] && key <= field->limits[1],
                   "a value outside its limits");
        }
        demand((field->form & PS_TEXT) == 0 || at[field->count] == 0, "a text without an end");
    }
}

static void look(const ps_store_t *store, ps_status_t status)
{
    unsigned g;
    unsigned flags = 0;
    demand(status == PS_OK || (status >= PS_FLAGGED && status <= PS_OLDER) ||
           (status >= PS_ERR_FOREIGN && status <= PS_ERR_PART), "a strange status");
    for (g = 0; g < LAYOUT.group_count; ++g) {
        const ps_group_t *group = &LAYOUT.groups[g];
        unsigned health = ps_health(store, (uint8_t)g);
        uint32_t sequence = ps_sequence(store, (uint8_t)g);
        unsigned slot = (unsigned)((sequence - 1u) % group->slots);
        const uint8_t *at = memory + group->address + (uint32_t)slot * group->slot_bytes;
        demand((sequence == 0) ==
               ((health & (PS_HEALTH_DEFAULTS | PS_HEALTH_MIGRATED)) != 0) ||
               (sequence != 0 && (health & PS_HEALTH_MIGRATED) != 0),
               "defaults without a flag");
        demand(sequence == 0 || (get32(at) == sequence && whole(group, at)),
               "a record that is none is served");
        look_at_fields(store, group);
        served += sequence != 0;
        mended += (health & PS_HEALTH_LIMIT) != 0;
        flags |= health;
    }
    demand(status != PS_OK || flags == 0, "all is well, but for a flag");
}

int main(int count, char **words)
{
    const ps_port_t port = {transfer, wait_us, NULL, NULL};
    unsigned long images = count > 2 ? strtoul(words[2], NULL, 10) : 0;
    IMAGES_STORE(t) *unit = (IMAGES_STORE(t) *)malloc(sizeof *unit);
    ps_store_t *store = &unit->store;
    unsigned i;
    state = strtoul(count > 1 ? words[1] : "1", NULL, 10) * 0x9E3779B97F4A7C15u + 1u;
    memory = (uint8_t *)malloc(LAYOUT.capacity);
    good = (uint8_t *)malloc(LAYOUT.capacity);
    crc_begin();
    memset(unit, 0xA5, sizeof *unit);
    IMAGES_STORE(init)(unit, &port);
    make_good(store);
    for (; images > 0; --images) {
        unsigned kind = chance(KINDS);
        ps_status_t status;
        ++made[kind];
        make_image(kind);
        memset(unit, 0xA5, sizeof *unit); /* what RAM holds when a controller starts */
        IMAGES_STORE(init)(unit, &port);
        transfers = 0;
        status = ps_mount(store);
        demand(transfers <= MOST_TRANSFERS, "a mount that does not end");
        ++said[status];
        look(store, status);
    }
    for (i = 0; i < KINDS; ++i) {
        printf("%s %lu\n", kind_names[i], made[i]);
    }
    for (i = 0; i <= PS_ERR_ARGUMENT; ++i) {
        if (said[i] > 0) {
            printf("%s %lu\n", ps_status_name((ps_status_t)i), said[i]);
        }
    }
    printf("served %lu\nmended %lu\n", served, mended);
    free(unit);
    free(memory);
    free(good);
    return 0;
}
