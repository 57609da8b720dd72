/* linux_i2cdev.h: an example port for a Linux board, over /dev/i2c-N.
 *
 *     ps_i2cdev_t bus;
 *     if (ps_i2cdev_open(&bus, "/dev/i2c-1")) {
 *         ps_port_t port = {ps_i2cdev_transfer, ps_i2cdev_wait_us, NULL, &bus};
 *         ...
 *         ps_i2cdev_close(&bus);
 *     }
 *
 * The adapter must do plain I2C (not only SMBus), and no kernel driver may hold the part: another
 * owner could write between two transfers of a commit.
 */
#ifndef PS_LINUX_I2CDEV_H
#define PS_LINUX_I2CDEV_H

#include "paramstore.h"

#ifdef __cplusplus
extern "C" {
#endif

typedef struct ps_i2cdev {
    int file;
    unsigned unclear; /* transfers in a row that failed as if a byte was not acknowledged */
} ps_i2cdev_t;

/* Open a bus; false, with errno set, if it cannot be opened or cannot do plain I2C. */
bool ps_i2cdev_open(ps_i2cdev_t *bus, const char *path);
void ps_i2cdev_close(ps_i2cdev_t *bus);

/* For ps_port_t; `user` points to an open ps_i2cdev_t. */
ps_status_t ps_i2cdev_transfer(void *user, uint8_t address, const uint8_t *out, uint16_t out_count,
                               uint8_t *in, uint16_t in_count);
void ps_i2cdev_wait_us(void *user, uint16_t us);

#ifdef __cplusplus
}
#endif

#endif
