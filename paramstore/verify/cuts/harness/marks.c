/* marks.c: see marks.h. */
#include "marks.h"

#include <stdbool.h>

#include "part.h"

static uint8_t mark(uint32_t salt, uint32_t version, unsigned i)
{
    uint64_t both = (uint64_t)salt << 32 | version;
    return i < 4u ? (uint8_t)(version >> (8u * i))
                  : (uint8_t)part_scatter(both ^ (uint64_t)i << 48);
}

/* Walk over the members of a group: with `put` change them, else stop where they differ. */
static bool walk(ps_store_t *store, unsigned group, uint32_t salt, uint32_t version, bool put)
{
    const ps_group_t *ring = &store->layout->groups[group];
    unsigned done = 0;
    unsigned f;
    unsigned i;
    for (f = ring->first_field; f < (unsigned)ring->first_field + ring->field_count; ++f) {
        const ps_field_t *field = &store->layout->fields[f];
        uint8_t *member = (uint8_t *)store + field->member;
        for (i = 0; i < (unsigned)field->count * field->size; ++i, ++done) {
            if (put) {
                member[i] = mark(salt, version, done);
            } else if (member[i] != mark(salt, version, done)) {
                return false;
            }
        }
    }
    return true;
}

void marks_put(ps_store_t *store, unsigned group, uint32_t salt, uint32_t version)
{
    (void)walk(store, group, salt, version, true);
}

uint32_t marks_get(ps_store_t *store, unsigned group, uint32_t salt, uint32_t last)
{
    uint32_t version = 0;
    unsigned done = 0;
    unsigned f = store->layout->groups[group].first_field;
    for (; done < 4u; ++f) {
        const ps_field_t *field = &store->layout->fields[f];
        const uint8_t *member = (const uint8_t *)store + field->member;
        unsigned i;
        for (i = 0; done < 4u && i < (unsigned)field->count * field->size; ++i, ++done) {
            version |= (uint32_t)member[i] << (8u * done);
        }
    }
    return version <= last && walk(store, group, salt, version, false) ? version : Marks_NONE;
}
