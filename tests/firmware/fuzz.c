/* fuzz.c: hostile parts and hostile buses against the runtime, for builds with sanitizers.
 *
 * Usage: fuzz SEED ROUNDS. Each round mounts a part whose bytes are random, or good but for some
 * damage, over a bus that may fail at any transfer, and makes random calls, also with arguments
 * that do not exist. It prints what happened. Undefined behaviour stops it, and so does a call that
 * makes too many transfers, a write outside the part's page, or a value that breaks its limits.
 */
#include FUZZ_HEADER

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static uint32_t state;
static uint8_t *memory; /* of the part: exactly its size, so that a sanitizer sees its end */
static unsigned fail_per_mille;
static unsigned silent; /* transfers that the part will not answer yet */
static bool mounted; /* values are defined from the first mount on */
static unsigned long transfers;
static unsigned long seen[32]; /* how often each status was returned */

static uint32_t chance(uint32_t below)
{
    state ^= state << 13;
    state ^= state >> 17;
    state ^= state << 5;
    return state % below;
}

static void demand(int condition, const char *what)
{
    if (!condition) {
        printf("broken: %s\n", what);
        exit(3);
    }
}

static ps_status_t transfer(void *user, uint8_t address, const uint8_t *out, uint16_t out_count,
                            uint8_t *in, uint16_t in_count)
{
    const ps_layout_t *layout = (const ps_layout_t *)user;
    uint32_t at = 0;
    uint16_t i;
    ++transfers;
    demand(out_count >= layout->address_bytes, "a transfer without a memory address");
    demand((in_count == 0) == (in == NULL), "a read needs a place, a write has none");
    for (i = 0; i < layout->address_bytes; ++i) {
        at = at << 8 | out[i];
    }
    at |= (uint32_t)((address ^ layout->address) >> layout->block_shift)
          << (8u * layout->address_bytes);
    if (silent > 0) {
        --silent;
        return PS_ERR_NACK;
    }
    if (chance(1000) < fail_per_mille) {
        silent = chance(2) ? chance(100) : 0;
        return chance(2) ? PS_ERR_NACK : PS_ERR_BUS;
    }
    if (in_count > 0) {
        demand(at + in_count <= layout->capacity, "a read beyond the part");
        memcpy(in, memory + at, in_count);
        if (chance(1000) < fail_per_mille) {
            in[chance(in_count)] ^= (uint8_t)(1u << chance(8));
        }
        return PS_OK;
    }
    out += layout->address_bytes;
    out_count = (uint16_t)(out_count - layout->address_bytes);
    demand(out_count > 0, "an empty write");
    demand(at / layout->page_bytes == (at + out_count - 1u) / layout->page_bytes,
           "a write across a page");
    demand(at + out_count <= layout->capacity, "a write beyond the part");
    memcpy(memory + at, out, out_count);
    if (chance(1000) < fail_per_mille) {
        memory[at + chance(out_count)] ^= (uint8_t)(1u << chance(8));
    }
    return PS_OK;
}

static void wait_us(void *user, uint16_t us)
{
    (void)user;
    demand(us > 0, "a wait of no time");
}

static bool supply_good(void *user)
{
    (void)user;
    return chance(1000) >= fail_per_mille;
}

static void note(ps_status_t status)
{
    demand(strncmp(ps_status_name(status), "PS_", 3) == 0, "a status without a name");
    ++seen[status];
}

/* Bytes of a bool other than 0 and 1 must never be in the values; texts end. */
static void look_at_values(const ps_store_t *store)
{
    const ps_layout_t *layout = store->layout;
    unsigned fields = 0;
    unsigned f, i;
    for (i = 0; i < layout->group_count; ++i) {
        fields += layout->groups[i].field_count;
    }
    for (f = 0; mounted && f < fields; ++f) {
        const ps_field_t *field = &layout->fields[f];
        const uint8_t *at = (const uint8_t *)store + field->member;
        if (field->size == 1 && field->range_count == 1) {
            for (i = 0; i < field->count; ++i) {
                int key = (field->form & PS_FORM) == PS_SIGNED ? at[i] ^ 0x80 : at[i];
                demand(key >= field->limits[0] && key <= field->limits[1],
                       "a value outside its limits");
            }
        }
        if ((field->form & PS_TEXT) != 0) {
            demand(at[field->count] == 0, "a text without an end");
        }
    }
}

static void call(ps_store_t *store, unsigned fields)
{
    const ps_layout_t *layout = store->layout;
    uint8_t group = (uint8_t)chance(layout->group_count + 1u);
    uint16_t field = (uint16_t)chance(fields + 1u);
    uint8_t bytes[64];
    unsigned i;
    for (i = 0; i < sizeof bytes; ++i) {
        bytes[i] = (uint8_t)(chance(4) ? chance(256) : chance(2));
    }
    bytes[chance(20)] = 0; /* ends a text, sooner or later */
    bytes[63] = 0;
    switch (chance(14)) {
    case 0: note(ps_mount(store)); mounted = true; look_at_values(store); break;
    case 1: note(ps_format(store)); break;
    case 2: note(ps_unlock(store, group)); break;
    case 3: note(ps_lock(store, group)); break;
    case 4: note(ps_reset(store, group)); break;
    case 5: note(ps_reset_field(store, field)); break;
    case 6: note(ps_touch(store, group)); break;
    case 7: note(ps_set_text(store, field, (const char *)bytes)); break;
    case 8: note(ps_commit(store, group)); break;
    case 9: note(ps_commit_all(store)); break;
    case 10: note(ps_commit_begin(store, group)); break;
    case 11: note(ps_step(store, (uint16_t)chance(65536))); break;
    case 12: if (chance(20) == 0) { note(ps_wipe(store)); } break;
    default:
        note(ps_set(store, field, (uint16_t)chance(4), (uint16_t)chance(5), bytes));
        look_at_values(store);
        break;
    }
    demand(ps_sequence(store, layout->group_count) == 0, "a record of no group");
}

int main(int count, char **words)
{
    const ps_layout_t *layout = &FUZZ_STORE(layout);
    const ps_port_t port = {transfer, wait_us, supply_good, (void *)(uintptr_t)layout};
    unsigned long rounds = count > 2 ? strtoul(words[2], NULL, 10) : 0;
    unsigned fields = 0;
    uint32_t i, k;
    state = (uint32_t)strtoul(count > 1 ? words[1] : "1", NULL, 10) * 2u + 1u;
    memory = (uint8_t *)malloc(layout->capacity);
    for (i = 0; i < layout->group_count; ++i) {
        fields += layout->groups[i].field_count;
    }
    memset(memory, 0xFF, layout->capacity);
    for (; rounds > 0; --rounds) {
        /* On the heap, so that a sanitizer sees its ends; with garbage in it. */
        FUZZ_STORE(t) *unit = (FUZZ_STORE(t) *)malloc(sizeof *unit);
        memset(unit, 0xA5, sizeof *unit);
        mounted = false;
        FUZZ_STORE(init)(unit, &port);
        fail_per_mille = 0;
        silent = 0;
        switch (chance(12)) {
        case 0:
            for (i = 0; i < layout->capacity; ++i) {
                memory[i] = (uint8_t)chance(256);
            }
            break;
        case 1:
        case 2:
            memset(memory, 0xFF, layout->capacity);
            if (chance(4)) {
                demand(ps_mount(&unit->store) == PS_BLANK, "a blank part is not blank");
                demand(ps_format(&unit->store) == PS_OK, "a blank part is not formatted");
            }
            break;
        case 3:
        case 4:
            for (k = chance(20); k > 0; --k) {
                memory[chance(layout->capacity)] ^= (uint8_t)(1u << chance(8));
            }
            break;
        default: break; /* as the last round left it */
        }
        FUZZ_STORE(init)(unit, &port);
        fail_per_mille = chance(3) ? 0 : chance(60);
        for (k = chance(40) + 1u; k > 0; --k) {
            unsigned long before = transfers;
            call(&unit->store, fields);
            demand(transfers - before < 200000u, "a call that does not end");
            if (k % 8u == 0u) {
                note(ps_mount(&unit->store));
                mounted = true;
                look_at_values(&unit->store);
            }
        }
        free(unit);
    }
    free(memory);
    for (i = 0; i <= PS_ERR_ARGUMENT; ++i) {
        printf("%s %lu\n", ps_status_name((ps_status_t)i), seen[i]);
    }
    return 0;
}
