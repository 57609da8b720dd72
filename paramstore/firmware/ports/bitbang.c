/* bitbang.c: see bitbang.h. Between the functions below SCL is low, except before START and after
 * STOP; SDA changes only while SCL is low, except to make those two. */
#include "bitbang.h"

#include <stddef.h>

/* Let SCL go, wait until it is high, then half a period more: tHIGH and the set-up times count from
 * there. A device may stretch the clock, but not for ever, and an edge may be slow. */
static bool scl_high(const ps_bitbang_t *bus)
{
    uint16_t left = bus->stretch_limit;
    bus->set_scl(bus->pins, true);
    while (!bus->get_scl(bus->pins)) {
        if (left-- == 0u) {
            return false;
        }
        bus->delay(bus->pins);
    }
    bus->delay(bus->pins);
    return true;
}

static void sda(const ps_bitbang_t *bus, bool high)
{
    bus->set_sda(bus->pins, high);
    bus->delay(bus->pins);
}

/* START, or a repeated START. */
static bool start(const ps_bitbang_t *bus)
{
    sda(bus, true);
    if (!scl_high(bus) || !bus->get_sda(bus->pins)) {
        return false;
    }
    sda(bus, false);
    bus->set_scl(bus->pins, false);
    return true;
}

static bool stop(const ps_bitbang_t *bus)
{
    bool done;
    sda(bus, false);
    done = scl_high(bus);
    sda(bus, true);
    return done && bus->get_sda(bus->pins);
}

/* Clock one bit: put `out` on SDA (true: listen) and return what was there while SCL was high. */
static bool clock_bit(const ps_bitbang_t *bus, bool out, bool *seen)
{
    sda(bus, out);
    if (!scl_high(bus)) {
        return false;
    }
    *seen = bus->get_sda(bus->pins);
    bus->set_scl(bus->pins, false);
    return true;
}

/* PS_ERR_BUS if the clock is stuck, or SDA does not follow a 1: somebody else drives it. */
static ps_status_t send(const ps_bitbang_t *bus, uint8_t byte)
{
    bool seen = false;
    uint8_t mask;
    for (mask = 0x80u; mask != 0u; mask >>= 1) {
        bool bit = (byte & mask) != 0u;
        if (!clock_bit(bus, bit, &seen) || (bit && !seen)) {
            return PS_ERR_BUS;
        }
    }
    if (!clock_bit(bus, true, &seen)) {
        return PS_ERR_BUS;
    }
    return seen ? PS_ERR_NACK : PS_OK;
}

static ps_status_t receive(const ps_bitbang_t *bus, uint8_t *byte, bool last)
{
    bool seen = false;
    uint8_t value = 0;
    uint8_t i;
    for (i = 0; i < 8u; ++i) {
        if (!clock_bit(bus, true, &seen)) {
            return PS_ERR_BUS;
        }
        value = (uint8_t)(2u * value + (seen ? 1u : 0u));
    }
    *byte = value;
    return clock_bit(bus, last, &seen) ? PS_OK : PS_ERR_BUS;
}

static ps_status_t send_all(const ps_bitbang_t *bus, uint8_t control, const uint8_t *out,
                            uint16_t count)
{
    ps_status_t status = start(bus) ? send(bus, control) : PS_ERR_BUS;
    uint16_t i;
    for (i = 0; status == PS_OK && i < count; ++i) {
        status = send(bus, out[i]);
    }
    return status;
}

ps_status_t ps_bitbang_recover(const ps_bitbang_t *bus)
{
    uint8_t clocks = 0;
    sda(bus, true);
    if (!scl_high(bus)) {
        return PS_ERR_BUS;
    }
    while (!bus->get_sda(bus->pins)) {
        if (clocks++ == 9u) {
            return PS_ERR_BUS;
        }
        bus->set_scl(bus->pins, false);
        bus->delay(bus->pins);
        if (!scl_high(bus)) {
            return PS_ERR_BUS;
        }
    }
    return start(bus) && stop(bus) ? PS_OK : PS_ERR_BUS;
}

ps_status_t ps_bitbang_transfer(void *user, uint8_t address, const uint8_t *out,
                                uint16_t out_count, uint8_t *in, uint16_t in_count)
{
    const ps_bitbang_t *bus = (const ps_bitbang_t *)user;
    ps_status_t status = PS_OK;
    uint16_t i;
    if (!bus->get_sda(bus->pins) || !bus->get_scl(bus->pins)) {
        status = ps_bitbang_recover(bus);
    }
    if (status == PS_OK) {
        status = send_all(bus, (uint8_t)(2u * address), out, out_count);
    }
    if (status == PS_OK && in_count > 0u) {
        status = send_all(bus, (uint8_t)(2u * address + 1u), NULL, 0);
    }
    for (i = 0; status == PS_OK && i < in_count; ++i) {
        status = receive(bus, &in[i], i + 1u == in_count);
    }
    if (status == PS_OK || status == PS_ERR_NACK) {
        return stop(bus) ? status : PS_ERR_BUS;
    }
    /* No STOP here: after part of a write it could start a write cycle. */
    bus->set_sda(bus->pins, true);
    bus->set_scl(bus->pins, true);
    return status;
}
