/* part.c: see part.h. */
#include "part.h"

#include "bytes.h"

#define Address_MASK ((uint8_t)(((1u << Cuts_BLOCK_BITS) - 1u) << Cuts_BLOCK_SHIFT))

Part_t part;
uint32_t part_calls;
uint8_t part_image[Cuts_CAPACITY];

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
    for (i = 0; i < Cuts_PAGE; i += 4u) {
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
        memset(part_image, 0xFF, Cuts_CAPACITY);
    } else {
        memcpy(part_image, image, Cuts_CAPACITY);
    }
    part.hash = 0;
    for (page = 0; page < Cuts_CAPACITY / Cuts_PAGE; ++page) {
        part.hash += part_page_hash(page, part_image + page * Cuts_PAGE);
    }
    part.powered = true;
    part.fault.kind = Fault_NONE;
    part.busy = 0;
    part_begin(NULL);
}

void part_begin(Part_trace_t *trace)
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
    memcpy(part_image + page * Cuts_PAGE, bytes, Cuts_PAGE);
    part.hash += hash - old_hash;
}

/* Random bytes, four from each number. */
typedef struct chance {
    uint64_t state;
    uint32_t word;
    unsigned left;
} Chance_t;

static uint8_t chance_byte(Chance_t *chance)
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

static uint8_t torn_byte(const Part_tear_t *tear, unsigned i, uint8_t before, uint8_t after,
                         Chance_t *chance)
{
    switch (tear->kind) {
    case Tear_NEW: return after;
    case Tear_PREFIX: return i < tear->at ? after : before;
    case Tear_SUFFIX: return i < tear->at ? before : after;
    case Tear_ERASED: return 0xFFu;
    case Tear_ZEROS: return 0u;
    case Tear_ERASED_PREFIX: return i < tear->at ? after : 0xFFu;
    case Tear_AND: return before & after;
    case Tear_OR: return before | after;
    case Tear_MIX: return (uint8_t)(before ^ ((before ^ after) & chance_byte(chance)));
    case Tear_NOISE: return chance_byte(chance);
    default: return before;
    }
}

void part_tear(const Part_write_t *write, const Part_tear_t *tear, uint8_t *bytes)
{
    Chance_t chance = {tear->seed, 0, 0};
    unsigned i;
    memcpy(bytes, write->before, Cuts_PAGE);
    for (i = 0; i < write->count; ++i) {
        unsigned at = (write->first + i) % Cuts_PAGE;
        bytes[at] = torn_byte(tear, i, write->before[at], write->after[at], &chance);
    }
    for (; tear->rest && i < Cuts_PAGE; ++i) {
        bytes[(write->first + i) % Cuts_PAGE] = chance_byte(&chance);
    }
}

/* Is `number` one of those that the fault strikes? */
static bool struck(uint32_t number)
{
    return number >= part.fault.at && number - part.fault.at <= part.fault.more;
}

/* What a fault makes of write cycle `number`. */
static void spoil(Part_write_t *write, uint32_t number)
{
    const Part_fault_t *fault = &part.fault;
    uint8_t torn[Cuts_PAGE];
    bool now = struck(number);
    switch (fault->kind) {
    case Fault_CUT:
    case Fault_BROWNOUT:
        if (now) {
            part_tear(write, &fault->tear, torn);
            memcpy(write->after, torn, Cuts_PAGE);
            part.powered = fault->kind == Fault_BROWNOUT;
        }
        break;
    case Fault_DEAD: now = struck(write->page); break;
    case Fault_SLOW: part.busy = now ? fault->mask : 0u; break;
    case Fault_STUCK:
        if (write->page == fault->at) {
            uint8_t *byte = &write->after[fault->more];
            *byte = (uint8_t)((*byte & ~fault->mask) | (write->before[fault->more] & fault->mask));
        }
        break;
    default: break;
    }
    if (now && (fault->kind == Fault_LOST || fault->kind == Fault_DEAD)) {
        memcpy(write->after, write->before, Cuts_PAGE);
    }
}

/* A write cycle with `count` bytes of data, longer than a page or not: the page buffer rolls over. */
static void write_cycle(uint32_t address, const uint8_t *data, unsigned count)
{
    static Part_write_t spare;
    bool kept = part.trace != NULL && part.trace->count < Cuts_MAX_WRITES;
    Part_write_t *write = kept ? &part.trace->writes[part.trace->count] : &spare;
    uint32_t number = part.cycles++;
    unsigned i;
    if (part.fault.kind == Fault_STRAY && struck(number)) {
        address ^= part.fault.mask;
    }
    write->page = address / Cuts_PAGE;
    write->first = (uint16_t)(address % Cuts_PAGE);
    write->count = (uint16_t)(count < Cuts_PAGE ? count : Cuts_PAGE);
    memcpy(write->before, part_image + write->page * Cuts_PAGE, Cuts_PAGE);
    memcpy(write->after, write->before, Cuts_PAGE);
    for (i = 0; i < count; ++i) {
        write->after[(write->first + i) % Cuts_PAGE] = data[i];
    }
    if (part.fault.kind != Fault_NONE) {
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
    if (address + count <= Cuts_CAPACITY) {
        memcpy(in, part_image + address, count);
        return;
    }
    for (; count > 0u; --count) {
        *in++ = part_image[address++ % Cuts_CAPACITY];
    }
}

/* Without power the part lets the data line go: the rest of a transfer reads FF. */
static void unread(uint8_t *in, unsigned count)
{
    uint32_t first = part.read;
    unsigned i;
    part.read += count;
    for (i = 0; part.fault.kind == Fault_UNREAD && i < count; ++i) {
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
    if (part.fault.kind < Fault_NACK) {
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
    if (part.fault.kind == Fault_RESET) {
        part.powered = false;
    } else if (part.fault.kind == Fault_NACK) {
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
    if ((device & (uint8_t)~Address_MASK) != (Cuts_ADDRESS & (uint8_t)~Address_MASK) ||
        out_count < Cuts_ADDRESS_BYTES || part.busy > 0u) {
        part.bits += 11u;
        part.busy -= part.busy > 0u;
        return PS_ERR_NACK;
    }
    address = (uint32_t)(device & Address_MASK) >> Cuts_BLOCK_SHIFT;
    address = address << 8 | out[0];
#if Cuts_ADDRESS_BYTES == 2
    address = address << 8 | out[1];
#endif
    address %= Cuts_CAPACITY;
    if (part.fault.kind == Fault_ALIAS) {
        address &= ~part.fault.mask;
    }
    if (bus_fails(address, out + Cuts_ADDRESS_BYTES, 1u + Cuts_ADDRESS_BYTES,
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
    if (out_count > Cuts_ADDRESS_BYTES) {
        write_cycle(address, out + Cuts_ADDRESS_BYTES, out_count - Cuts_ADDRESS_BYTES);
    }
    return part.powered ? PS_OK : PS_ERR_BUS;
}

static void wait_us(void *user, uint16_t us)
{
    (void)user;
    (void)us;
}

const ps_port_t part_port = {transfer, wait_us, NULL, NULL};
