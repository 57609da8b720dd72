/* board_hosted.c: a program under an operating system; the line is its standard input and output. */
#include "monitor.h"

#include <stdio.h>
#include <stdlib.h>

uint8_t board_take(void)
{
    int byte;
    (void)fflush(stdout);
    byte = getchar();
    if (byte == EOF) {
        exit(0);
    }
    return (uint8_t)byte;
}

void board_give(uint8_t byte)
{
    (void)putchar(byte);
}

int main(void)
{
    monitor();
    return 0;
}
