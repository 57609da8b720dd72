/* cells.c: see cells.h. */
#include "cells.h"

#include "bytes.h"
#include "part.h"

Cells_t cells;

static uint64_t draw(void)
{
    cells.chance += 0x9E3779B97F4A7C15u;
    return part_scatter(cells.chance);
}

uint32_t cells_below(uint32_t end)
{
    return (uint32_t)(((draw() >> 32) * end) >> 32);
}

void cells_begin(uint64_t chance)
{
    memset(&cells, 0, sizeof cells);
    cells.chance = chance;
    cells.powered = true;
    cells.cut_in = Cells_NEVER;
}

/* ---- Weak bits ----------------------------------------------------------------------------- */

static Cells_weak_t *weak_page(uint32_t page)
{
    unsigned i;
    for (i = 0; i < cells.weak_pages; ++i) {
        if (cells.weak[i].page == page) {
            return &cells.weak[i];
        }
    }
    return NULL;
}

/* The write cycle of these bytes came to its end. */
static void strengthen(const Part_write_t *write)
{
    Cells_weak_t *weak = weak_page(write->page);
    unsigned left = 0;
    unsigned i;
    if (weak == NULL) {
        return;
    }
    for (i = 0; i < write->count; ++i) {
        weak->mask[(write->first + i) % Cuts_PAGE] = 0;
    }
    for (i = 0; i < Cuts_PAGE; ++i) {
        left |= weak->mask[i];
    }
    if (left == 0u) {
        *weak = cells.weak[--cells.weak_pages];
    }
}

static unsigned count_bits(const Part_write_t *write)
{
    unsigned count = 0;
    unsigned i;
    for (i = 0; i < Cuts_PAGE; ++i) {
        unsigned changed = write->before[i] ^ write->after[i];
        for (; changed != 0u; changed &= changed - 1u) {
            ++count;
        }
    }
    return count;
}

/* The write cycle was cut: weaken some of the bits that it was to change, each as likely as any other
 * (selection sampling: Knuth, The Art of Computer Programming, 3.4.2, algorithm S). */
static void weaken(const Part_write_t *write)
{
    Cells_weak_t *weak = weak_page(write->page);
    unsigned left = count_bits(write);
    unsigned wanted = cells.share == 0u ? cells.bits : left / cells.share;
    unsigned i;
    unsigned bit;
    if (cells.share != 0u && wanted == 0u) {
        wanted = 1;
    }
    if (weak == NULL) {
        weak = &cells.weak[cells.weak_pages++];
        memset(weak, 0, sizeof *weak);
        weak->page = write->page;
    }
    for (i = 0; i < Cuts_PAGE; ++i) {
        for (bit = 1; bit < 0x100u; bit <<= 1) {
            if (((write->before[i] ^ write->after[i]) & bit) == 0u) {
                continue;
            }
            if (cells_below(left--) < wanted) {
                weak->mask[i] |= (uint8_t)bit;
                --wanted;
            }
        }
    }
}

/* ---- Transfers ----------------------------------------------------------------------------- */

/* What a cut leaves: each tear is as likely as any other. */
static void cut(Part_write_t *write)
{
    uint8_t torn[Cuts_PAGE];
    Part_tear_t tear;
    tear.kind = (uint8_t)cells_below(Tear_KINDS);
    tear.rest = false;
    tear.at = (uint16_t)cells_below(write->count);
    tear.seed = (uint32_t)draw();
    part_tear(write, &tear, torn);
    weaken(write);
    memcpy(write->after, torn, Cuts_PAGE);
    cells.powered = false;
}

static void write_cycle(uint32_t address, const uint8_t *data, unsigned count)
{
    static Part_write_t write;
    uint32_t page = address / Cuts_PAGE;
    uint8_t *place = part_image + page * Cuts_PAGE;
    unsigned i;
    if (cells.life[page] != 0u && cells.cycles[page] == cells.life[page]) {
        ++cells.refused;
        return;
    }
    ++cells.cycles[page];
    write.page = page;
    write.first = (uint16_t)(address % Cuts_PAGE);
    write.count = (uint16_t)(count < Cuts_PAGE ? count : Cuts_PAGE);
    memcpy(write.before, place, Cuts_PAGE);
    memcpy(write.after, place, Cuts_PAGE);
    for (i = 0; i < count; ++i) {
        write.after[(write.first + i) % Cuts_PAGE] = data[i];
    }
    if (cells.cut_in == 0u) {
        cut(&write);
    } else {
        cells.cut_in -= cells.cut_in != Cells_NEVER;
        strengthen(&write);
    }
    memcpy(place, write.after, Cuts_PAGE);
}

static void read_bytes(uint32_t address, uint8_t *in, unsigned count)
{
    unsigned i;
    for (i = 0; i < count; ++i) {
        in[i] = part_image[(address + i) % Cuts_CAPACITY];
    }
    for (i = 0; cells.weak_pages != 0u && i < count; ++i) {
        uint32_t at = (address + i) % Cuts_CAPACITY;
        const Cells_weak_t *weak = weak_page(at / Cuts_PAGE);
        if (weak != NULL && weak->mask[at % Cuts_PAGE] != 0u) {
            in[i] ^= (uint8_t)(weak->mask[at % Cuts_PAGE] & (draw() >> 32));
        }
    }
}

static ps_status_t transfer(void *user, uint8_t device, const uint8_t *out, uint16_t out_count,
                            uint8_t *in, uint16_t in_count)
{
    uint32_t address = (uint32_t)(device & ((1u << Cuts_BLOCK_BITS) - 1u) << Cuts_BLOCK_SHIFT) >>
                       Cuts_BLOCK_SHIFT;
    unsigned i;
    (void)user;
    if (!cells.powered) {
        return PS_ERR_BUS;
    }
    for (i = 0; i < Cuts_ADDRESS_BYTES; ++i) {
        address = address << 8 | out[i];
    }
    address %= Cuts_CAPACITY;
    if (in_count > 0u) {
        read_bytes(address, in, in_count);
    } else if (out_count > Cuts_ADDRESS_BYTES) {
        write_cycle(address, out + Cuts_ADDRESS_BYTES, out_count - Cuts_ADDRESS_BYTES);
    }
    return cells.powered ? PS_OK : PS_ERR_BUS;
}

static void wait_us(void *user, uint16_t us)
{
    (void)user;
    (void)us;
}

const ps_port_t cells_port = {transfer, wait_us, NULL, NULL};
