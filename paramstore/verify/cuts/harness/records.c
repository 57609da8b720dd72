/* records.c: see records.h. */
#include "records.h"

#include "bytes.h"
#include "cuts_config.h"
#include "part.h"

#define Most_SKIPS 3u

uint32_t records_slot(const ps_group_t *group, uint32_t slot)
{
    return group->address + slot * group->slot_bytes;
}

uint32_t records_place(const ps_group_t *group, uint32_t sequence)
{
    return records_slot(group, (sequence - 1u) % group->slots);
}

uint32_t records_number(uint32_t address)
{
    const uint8_t *at = part_image + address;
    return (uint32_t)at[0] | (uint32_t)at[1] << 8 | (uint32_t)at[2] << 16 | (uint32_t)at[3] << 24;
}

void records_put_number(uint32_t address, uint32_t number)
{
    unsigned i;
    for (i = 0; i < 4u; ++i) {
        part_image[address + i] = (uint8_t)(number >> (8u * i));
    }
}

/* CRC-32C of a record up to its CRC, its store and its group included. */
static uint32_t crc_of(const ps_group_t *group, uint32_t address)
{
    uint32_t crc = group->crc_start;
    uint32_t i;
    unsigned bit;
    for (i = 0; i < group->body_bytes + Records_HEADER; ++i) {
        crc ^= part_image[address + i];
        for (bit = 0; bit < 8u; ++bit) {
            crc = (crc & 1u) != 0u ? crc >> 1 ^ 0x82F63B78u : crc >> 1;
        }
    }
    return ~crc;
}

void records_seal(const ps_group_t *group, uint32_t address)
{
    records_put_number(address + group->body_bytes + Records_HEADER, crc_of(group, address));
}

bool records_whole(const ps_group_t *group, uint32_t sequence)
{
    uint32_t address = records_place(group, sequence);
    return records_number(address) == sequence &&
           records_number(address + group->body_bytes + Records_HEADER) == crc_of(group, address);
}

unsigned records_copies(const ps_group_t *group, uint32_t sequence)
{
    const uint8_t *newest = part_image + records_place(group, sequence) + 4u;
    unsigned found = 1;
    uint32_t back;
    for (back = 1; back < group->slots && back < sequence && back < group->copies + Most_SKIPS;
         ++back) {
        if (records_whole(group, sequence - back)) {
            const uint8_t *copy = part_image + records_place(group, sequence - back) + 4u;
            if (memcmp(copy, newest, group->body_bytes + 1u) != 0) {
                break;
            }
            ++found;
        }
    }
    return found;
}

unsigned records_free(const ps_layout_t *layout, unsigned group)
{
    const ps_group_t *ring = &layout->groups[group];
    unsigned end = 0;
    unsigned i;
    for (i = 0; i < ring->field_count; ++i) {
        const ps_field_t *field = &layout->fields[ring->first_field + i];
        unsigned size = field->size != 0u ? field->size : 1u;
        unsigned behind = field->offset + (unsigned)field->count * size;
        end = end < behind ? behind : end;
    }
    return end;
}
