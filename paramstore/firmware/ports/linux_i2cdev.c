/* linux_i2cdev.c: see linux_i2cdev.h. */
#define _POSIX_C_SOURCE 200809L

#include "linux_i2cdev.h"

#include <errno.h>
#include <fcntl.h>
#include <linux/i2c-dev.h>
#include <linux/i2c.h>
#include <stddef.h>
#include <sys/ioctl.h>
#include <time.h>
#include <unistd.h>

#define INTERRUPTED_MOST 16u /* tries of one transfer that signals end */

/* Transfers in a row that may fail with EIO, or ETIMEDOUT, and still look like a busy part. The
 * runtime asks 20 times in the longest write cycle; a driver that waits for its adapter has waited
 * for longer than one. */
#define EIO_MOST 30u
#define ETIMEDOUT_MOST 2u

/* ENXIO: no acknowledge of the address; EREMOTEIO: of a byte, in many drivers (from memory of the
 * kernel's i2c/fault-codes). Some drivers say EIO or ETIMEDOUT instead. That may be the bus as
 * well, so it passes for a missing acknowledge a bounded number of times: sending a page again
 * does no harm. */
static ps_status_t failure(ps_i2cdev_t *bus, int number)
{
    unsigned most;
    if (number == EIO) {
        most = EIO_MOST;
    } else if (number == ETIMEDOUT) {
        most = ETIMEDOUT_MOST;
    } else {
        most = 0u;
    }
    if (number == ENXIO || number == EREMOTEIO) {
        return PS_ERR_NACK;
    }
    if (bus->unclear >= most) {
        bus->unclear = 0u;
        return PS_ERR_BUS;
    }
    ++bus->unclear;
    return PS_ERR_NACK;
}

bool ps_i2cdev_open(ps_i2cdev_t *bus, const char *path)
{
    unsigned long can = 0;
    bus->unclear = 0u;
    bus->file = open(path, O_RDWR | O_CLOEXEC);
    if (bus->file < 0) {
        return false;
    }
    if (ioctl(bus->file, I2C_FUNCS, &can) < 0 || (can & I2C_FUNC_I2C) == 0u) {
        ps_i2cdev_close(bus);
        errno = ENOTSUP;
        return false;
    }
    return true;
}

void ps_i2cdev_close(ps_i2cdev_t *bus)
{
    (void)close(bus->file);
    bus->file = -1;
}

ps_status_t ps_i2cdev_transfer(void *user, uint8_t address, const uint8_t *out, uint16_t out_count,
                               uint8_t *in, uint16_t in_count)
{
    ps_i2cdev_t *bus = (ps_i2cdev_t *)user;
    struct i2c_msg messages[2];
    struct i2c_rdwr_ioctl_data transfer;
    unsigned tries = 0;
    int result;
    messages[0].addr = address;
    messages[0].flags = 0;
    messages[0].len = out_count;
    messages[0].buf = (__u8 *)(uintptr_t)out; /* not const, though the kernel only reads it */
    messages[1].addr = address;
    messages[1].flags = I2C_M_RD;
    messages[1].len = in_count;
    messages[1].buf = in;
    transfer.msgs = messages;
    transfer.nmsgs = in_count > 0u ? 2u : 1u;
    do {
        result = ioctl(bus->file, I2C_RDWR, &transfer);
    } while (result < 0 && errno == EINTR && ++tries < INTERRUPTED_MOST);
    if (result == (int)transfer.nmsgs) {
        bus->unclear = 0u;
        return PS_OK;
    }
    return failure(bus, result < 0 ? errno : 0);
}

void ps_i2cdev_wait_us(void *user, uint16_t us)
{
    struct timespec left;
    (void)user;
    left.tv_sec = 0;
    left.tv_nsec = 1000L * (long)us;
    while (nanosleep(&left, &left) != 0 && errno == EINTR) {
    }
}
