/* part.c: see part.h. */
#include "part.h"

#include "bytes.h"

#define ADDRESS_MASK ((uint8_t)(((1u << CUTS_BLOCK_BITS) - 1u) << CUTS_BLOCK_SHIFT))

part_t part;
uint32_t part_calls;
uint8_t part_image[CUTS_CAPACITY];

uint64_t part_scatter(uint64_t x)
{
    x ^= x >> 30;
    x *= 0xBF58476D1CE4E5B9u;
    x ^= x >> 27;
    x *= 0x94D049BB133111EBu;
    return x ^ x >> 31;
}

/* Byte by byte into words, so that every byte order gives the same number. */
uint64_t part_page_hash(uint32_t page, const uint8_t *bytes)
{
    uint64_t hash = part_scatter(page + 1u);
    unsigned i;
    for (i = 0; i < CUTS_PAGE; i += 4u) {
        uint32_t word = (uint32_t)bytes[i] | (uint32_t)bytes[i + 1u] << 8 |
                        (uint32_t)bytes[i + 2u] << 16 | (uint32_t)bytes[i + 3u] << 24;
        hash = (hash ^ word) * 0x9E3779B97F4A7C15u;
        hash ^= hash >> 29;
    }
    return hash;
}

void part_load(const uint8_t *image)
{
    uint32_t page;
    if (image == NULL) {
        memset(part_image, 0xFF, CUTS_CAPACITY);
    } else {
        memcpy(part_image, image, CUTS_CAPACITY);
    }
    part.hash = 0;
    for (page = 0; page < CUTS_CAPACITY / CUTS_PAGE; ++page) {
        part.hash += part_page_hash(page, part_image + page * CUTS_PAGE);
    }
    part.powered = true;
    part.fault.kind = FAULT_NONE;
    part.busy = 0;
    part_begin(NULL);
}

void part_begin(part_trace_t *trace)
{
    ++part_calls;
    part.bits = 0;
    part.transfers = 0;
    part.cycles = 0;
    part.sent = 0;
    part.read = 0;
    part.trace = trace;
    if (trace != NULL) {
        trace->count = 0;
    }
}

void part_put(uint32_t page, const uint8_t *bytes, uint64_t old_hash, uint64_t hash)
{
    memcpy(part_image + page * CUTS_PAGE, bytes, CUTS_PAGE);
    part.hash += hash - old_hash;
}

/* Random bytes, four from each number. */
typedef struct chance {
    uint64_t state;
    uint32_t word;
    unsigned left;
} chance_t;

static uint8_t chance_byte(chance_t *chance)
{
    uint8_t byte;
    if (chance->left == 0u) {
        chance->state += 0x9E3779B97F4A7C15u;
        chance->word = (uint32_t)(part_scatter(chance->state) >> 32);
        chance->left = 4;
    }
    byte = (uint8_t)chance->word;
    chance->word >>= 8;
    --chance->left;
    return byte;
}

static uint8_t torn_byte(const part_tear_t *tear, unsigned i, uint8_t before, uint8_t after,
                         chance_t *chance)
{
    switch (tear->kind) {
    case TEAR_NEW: return after;
    case TEAR_PREFIX: return i < tear->at ? after : before;
    case TEAR_SUFFIX: return i < tear->at ? before : after;
    case TEAR_ERASED: return 0xFFu;
    case TEAR_ZEROS: return 0u;
    case TEAR_ERASED_PREFIX: return i < tear->at ? after : 0xFFu;
    case TEAR_AND: return before & after;
    case TEAR_OR: return before | after;
    case TEAR_MIX: return (uint8_t)(before ^ ((before ^ after) & chance_byte(chance)));
    case TEAR_NOISE: return chance_byte(chance);
    default: return before;
    }
}

void part_tear(const part_write_t *write, const part_tear_t *tear, uint8_t *bytes)
{
    chance_t chance = {tear->seed, 0, 0};
    unsigned i;
    memcpy(bytes, write->before, CUTS_PAGE);
    for (i = 0; i < write->count; ++i) {
        unsigned at = (write->first + i) % CUTS_PAGE;
        bytes[at] = torn_byte(tear, i, write->before[at], write->after[at], &chance);
    }
    for (; tear->rest && i < CUTS_PAGE; ++i) {
        bytes[(write->first + i) % CUTS_PAGE] = chance_byte(&chance);
    }
}

/* Is `number` one of those that the fault strikes? */
static bool struck(uint32_t number)
{
    return number >= part.fault.at && number - part.fault.at <= part.fault.more;
}

/* What a fault makes of write cycle `number`. */
static void spoil(part_write_t *write, uint32_t number)
{
    const part_fault_t *fault = &part.fault;
    uint8_t torn[CUTS_PAGE];
    bool now = struck(number);
    switch (fault->kind) {
    case FAULT_CUT:
    case FAULT_BROWNOUT:
        if (now) {
            part_tear(write, &fault->tear, torn);
            memcpy(write->after, torn, CUTS_PAGE);
            part.powered = fault->kind == FAULT_BROWNOUT;
        }
        break;
    case FAULT_DEAD: now = struck(write->page); break;
    case FAULT_SLOW: part.busy = now ? fault->mask : 0u; break;
    case FAULT_STUCK:
        if (write->page == fault->at) {
            uint8_t *byte = &write->after[fault->more];
            *byte = (uint8_t)((*byte & ~fault->mask) | (write->before[fault->more] & fault->mask));
        }
        break;
    default: break;
    }
    if (now && (fault->kind == FAULT_LOST || fault->kind == FAULT_DEAD)) {
        memcpy(write->after, write->before, CUTS_PAGE);
    }
}

/* A write cycle with `count` bytes of data, longer than a page or not: the page buffer rolls over. */
static void write_cycle(uint32_t address, const uint8_t *data, unsigned count)
{
    static part_write_t spare;
    bool kept = part.trace != NULL && part.trace->count < CUTS_MAX_WRITES;
    part_write_t *write = kept ? &part.trace->writes[part.trace->count] : &spare;
    uint32_t number = part.cycles++;
    unsigned i;
    if (part.fault.kind == FAULT_STRAY && struck(number)) {
        address ^= part.fault.mask;
    }
    write->page = address / CUTS_PAGE;
    write->first = (uint16_t)(address % CUTS_PAGE);
    write->count = (uint16_t)(count < CUTS_PAGE ? count : CUTS_PAGE);
    memcpy(write->before, part_image + write->page * CUTS_PAGE, CUTS_PAGE);
    memcpy(write->after, write->before, CUTS_PAGE);
    for (i = 0; i < count; ++i) {
        write->after[(write->first + i) % CUTS_PAGE] = data[i];
    }
    if (part.fault.kind != FAULT_NONE) {
        spoil(write, number);
    }
    write->old_hash = part_page_hash(write->page, write->before);
    write->new_hash = part_page_hash(write->page, write->after);
    part_put(write->page, write->after, write->old_hash, write->new_hash);
    if (part.trace != NULL) {
        ++part.trace->count;
    }
}

static void read_bytes(uint32_t address, uint8_t *in, unsigned count)
{
    if (address + count <= CUTS_CAPACITY) {
        memcpy(in, part_image + address, count);
        return;
    }
    for (; count > 0u; --count) {
        *in++ = part_image[address++ % CUTS_CAPACITY];
    }
}

/* Without power the part lets the data line go: the rest of a transfer reads FF. */
static void unread(uint8_t *in, unsigned count)
{
    uint32_t first = part.read;
    unsigned i;
    part.read += count;
    for (i = 0; part.fault.kind == FAULT_UNREAD && i < count; ++i) {
        if (struck(first + i) || (first <= part.fault.at && part.fault.at < first + i)) {
            in[i] = 0xFFu;
        }
    }
}

/* A fault on the bus: does it end this transfer of `count` bytes from the controller, of which those
 * from `first_data` on are data to write? Then the status is the one to return. */
static bool bus_fails(uint32_t address, const uint8_t *data, unsigned first_data, unsigned count,
                      ps_status_t *status)
{
    uint32_t first = part.sent;
    unsigned passed = 0;
    part.sent += count;
    if (part.fault.kind < FAULT_NACK) {
        return false;
    }
    while (passed < count && !struck(first + passed)) {
        ++passed;
    }
    if (passed == count) {
        return false;
    }
    part.bits += 9u * (passed + 1u) + 2u;
    *status = PS_ERR_BUS;
    if (part.fault.kind == FAULT_RESET) {
        part.powered = false;
    } else if (part.fault.kind == FAULT_NACK) {
        *status = PS_ERR_NACK;
        if (passed > first_data) {
            write_cycle(address, data, passed - first_data);
        }
    }
    return true;
}

static ps_status_t transfer(void *user, uint8_t device, const uint8_t *out, uint16_t out_count,
                            uint8_t *in, uint16_t in_count)
{
    uint32_t address;
    ps_status_t status;
    (void)user;
    if (!part.powered) {
        return PS_ERR_BUS;
    }
    ++part.transfers;
    if ((device & (uint8_t)~ADDRESS_MASK) != (CUTS_ADDRESS & (uint8_t)~ADDRESS_MASK) ||
        out_count < CUTS_ADDRESS_BYTES || part.busy > 0u) {
        part.bits += 11u;
        part.busy -= part.busy > 0u;
        return PS_ERR_NACK;
    }
    address = (uint32_t)(device & ADDRESS_MASK) >> CUTS_BLOCK_SHIFT;
    address = address << 8 | out[0];
#if CUTS_ADDRESS_BYTES == 2
    address = address << 8 | out[1];
#endif
    address %= CUTS_CAPACITY;
    if (part.fault.kind == FAULT_ALIAS) {
        address &= ~part.fault.mask;
    }
    if (bus_fails(address, out + CUTS_ADDRESS_BYTES, 1u + CUTS_ADDRESS_BYTES,
                  1u + out_count + (in_count > 0u), &status)) {
        return status;
    }
    if (in_count > 0u) {
        part.bits += 9u * (2u + out_count + in_count) + 3u;
        read_bytes(address, in, in_count);
        unread(in, in_count);
        return PS_OK;
    }
    part.bits += 9u * (1u + out_count) + 2u;
    if (out_count > CUTS_ADDRESS_BYTES) {
        write_cycle(address, out + CUTS_ADDRESS_BYTES, out_count - CUTS_ADDRESS_BYTES);
    }
    return part.powered ? PS_OK : PS_ERR_BUS;
}

static void wait_us(void *user, uint16_t us)
{
    (void)user;
    (void)us;
}

const ps_port_t part_port = {transfer, wait_us, NULL, NULL};
