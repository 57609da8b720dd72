/* bitbang.h: an example port. I2C on two pins in software, for one controller on the bus.
 *
 *     static ps_bitbang_t bus = {set_scl, set_sda, get_scl, get_sda, delay, 1000u, NULL};
 *     static const ps_port_t port = {ps_bitbang_transfer, board_wait_us, NULL, &bus};
 *
 * The pins are open drain with pull-up resistors: "high" means let go, never drive high.
 */
#ifndef PS_BITBANG_H
#define PS_BITBANG_H

#include "paramstore.h"

#ifdef __cplusplus
extern "C" {
#endif

typedef struct ps_bitbang {
    void (*set_scl)(void *pins, bool high); /* true: let go; false: pull low */
    void (*set_sda)(void *pins, bool high);
    bool (*get_scl)(void *pins); /* the level on the line, whoever makes it */
    bool (*get_sda)(void *pins);
    /* Half a clock period: at least 5 us for 100 kHz, 1.6 us for up to 400 kHz (tLOW and the longest
     * fall time in UM10204). Where SCL is not high at once, one period takes a delay more. Longer
     * does no harm, so interrupts may stay on. */
    void (*delay)(void *pins);
    /* How many half periods another device may hold SCL low before it counts as stuck. */
    uint16_t stretch_limit;
    void *pins; /* handed to the functions */
} ps_bitbang_t;

/* One transfer as `ps_port_t.transfer` asks for it; `user` points to a ps_bitbang_t. Frees a bus
 * that it finds held first. The bus is let go on return, whatever happened. */
ps_status_t ps_bitbang_transfer(void *user, uint8_t address, const uint8_t *out,
                                uint16_t out_count, uint8_t *in, uint16_t in_count);

/* Free a bus on which a part was interrupted while it sent: up to nine clocks until it lets SDA
 * go, then START and STOP, which end whatever it was doing without starting a write cycle.
 * PS_ERR_BUS if a line stays low: only taking the power away helps then. */
ps_status_t ps_bitbang_recover(const ps_bitbang_t *bus);

#ifdef __cplusplus
}
#endif

#endif
