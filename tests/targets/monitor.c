/* monitor.c: the store on any target, driven byte by byte over a line.
 *
 * Numbers on the line have four bytes, least significant first. The host sends a command; while it
 * runs, the store asks the host for what its port has to do: the EEPROM is on the host. So the code of
 * the target is compared transfer by transfer, and no part has to fit into its RAM.
 *
 *     'i'                    -> bytes of an int, of a double, of a pointer, of the store, the number 1
 *                               as a uint16_t, whether char is signed
 *     'r'                    -> store memory filled with A5, then initialised
 *     'c' call count {argument} -> 'R' result; before it any of
 *          'T' address out_count in_count {out}   the host answers status {in}
 *          'W' microseconds                       no answer
 *          'S'                                    the host answers 0 or 1
 *     'm' field              -> offset of its values in the memory of the store
 *     'g' offset count       -> {byte}
 *     'p' offset count {byte}   bytes into that memory
 *     'x' conversion count {in} -> {status out}
 */
#include "monitor.h"

#include <string.h>

#include MONITOR_HEADER

#define MOST_ARGUMENTS 4u

typedef struct argument {
    const uint8_t *bytes; /* NULL: it is a number */
    uint32_t number;
} argument_t;

static MONITOR_STORE(t) memory;
static union {
    uint8_t bytes[SCRATCH_BYTES];
    uint64_t aligned;
} scratch;

/* ---- The line ------------------------------------------------------------------------------ */

static uint32_t take_number(void)
{
    uint32_t number = 0;
    uint8_t i;
    for (i = 0; i < 4u; ++i) {
        number |= (uint32_t)board_take() << (8u * i);
    }
    return number;
}

static void give_number(uint32_t number)
{
    uint8_t i;
    for (i = 0; i < 4u; ++i) {
        board_give((uint8_t)(number >> (8u * i)));
    }
}

static void take(uint8_t *to, uint32_t count)
{
    for (; count > 0u; --count) {
        *to++ = board_take();
    }
}

static void give(const uint8_t *from, uint32_t count)
{
    for (; count > 0u; --count) {
        board_give(*from++);
    }
}

/* ---- The port ------------------------------------------------------------------------------ */

static ps_status_t transfer(void *user, uint8_t address, const uint8_t *out, uint16_t out_count,
                            uint8_t *in, uint16_t in_count)
{
    ps_status_t status;
    (void)user;
    board_give('T');
    give_number(address);
    give_number(out_count);
    give_number(in_count);
    give(out, out_count);
    status = (ps_status_t)board_take();
    if (status == PS_OK) {
        take(in, in_count);
    }
    return status;
}

static void wait_us(void *user, uint16_t us)
{
    (void)user;
    board_give('W');
    give_number(us);
}

static bool supply_good(void *user)
{
    (void)user;
    board_give('S');
    return board_take() != 0u;
}

static const ps_port_t port = {transfer, wait_us, supply_good, NULL};

/* ---- Commands ------------------------------------------------------------------------------ */

static void inform(void)
{
    const uint16_t one = 1;
    const char lowest = (char)0x80;
    give_number((uint32_t)sizeof(int));
    give_number((uint32_t)sizeof(double));
    give_number((uint32_t)sizeof(void *));
    give_number((uint32_t)sizeof memory);
    give((const uint8_t *)&one, sizeof one);
    board_give(lowest < (char)1 ? 1u : 0u);
}

static void restart(void)
{
    memset(&memory, 0xA5, sizeof memory); /* what RAM holds when a controller starts */
    MONITOR_STORE(init)(&memory, &port);
}

static void call(void)
{
    argument_t a[MOST_ARGUMENTS] = {{NULL, 0}};
    ps_store_t *store = &memory.store;
    uint32_t which = take_number();
    uint32_t count = take_number();
    uint32_t used = 0;
    uint32_t result = 0;
    uint32_t i;
    for (i = 0; i < count; ++i) {
        uint8_t kind = board_take();
        a[i].number = take_number();
        if (kind != 0u) { /* so many bytes, at a place that suits any type */
            a[i].bytes = &scratch.bytes[used];
            take(&scratch.bytes[used], a[i].number);
            used += (a[i].number + 7u) & ~(uint32_t)7u;
        }
    }
    switch (which) {
#include "monitor_calls.inc"
    default:
        break;
    }
    board_give('R');
    give_number(result);
}

static void convert(void)
{
    const monitor_conversion_t *conversion = &monitor_conversions[take_number()];
    uint32_t count = take_number();
    uint8_t in[8];
    uint8_t out[8];
    for (; count > 0u; --count) {
        take(in, conversion->in_bytes);
        board_give(conversion->run(in, out));
        give(out, conversion->out_bytes);
    }
}

void monitor(void)
{
    for (;;) {
        uint8_t *bytes = (uint8_t *)&memory;
        uint32_t at;
        switch (board_take()) {
        case 'i': inform(); break;
        case 'r': restart(); break;
        case 'c': call(); break;
        case 'm': give_number(MONITOR_STORE(layout).fields[take_number()].member); break;
        case 'g': at = take_number(); give(bytes + at, take_number()); break;
        case 'p': at = take_number(); take(bytes + at, take_number()); break;
        case 'x': convert(); break;
        default: break;
        }
    }
}
