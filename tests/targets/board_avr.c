/* board_avr.c: an ATmega1284P; the line is its register GPIOR0, which `avr_simulator.c` connects. */
#include "monitor.h"

#include <avr/io.h>

uint8_t board_take(void)
{
    return GPIOR0;
}

void board_give(uint8_t byte)
{
    GPIOR0 = byte;
}

int main(void)
{
    monitor();
    return 0;
}
