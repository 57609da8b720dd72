/* monitor.h: what a board gives the monitor, and what it answers to. */
#ifndef MONITOR_H
#define MONITOR_H

#include <stdint.h>

/* The line to the host. `board_take` waits for a byte, for ever if need be. */
uint8_t board_take(void);
void board_give(uint8_t byte);

/* Answer commands until the line ends. */
void monitor(void);

/* One conversion of a generated header, on values as they lie in memory. */
typedef struct monitor_conversion {
    /* Returns the status; 0 where there is none. */
    uint8_t (*run)(const uint8_t *in, uint8_t *out);
    uint8_t in_bytes;
    uint8_t out_bytes;
} monitor_conversion_t;

extern const monitor_conversion_t monitor_conversions[];

#endif
