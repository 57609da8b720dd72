/* pipe.c: the harness as a program that takes orders, so that it can be built with sanitizers, which
 * a library in somebody else's program cannot.
 *
 * One order a line, bytes in hexadecimal:
 *   r NAME OFFSET COUNT         print bytes of a variable
 *   w NAME OFFSET COUNT BYTES   change them
 *   c NAME NUMBER               call a function and print its result
 */
#include "explore.h"

#include <stdio.h>
#include <string.h>

typedef struct variable {
    const char *name;
    void *at;
    size_t size;
} variable_t;

static const variable_t variables[] = {
    {"explore_sizes", (void *)(uintptr_t)explore_sizes, sizeof explore_sizes},
    {"explore_job", &explore_job, sizeof explore_job},
    {"explore_result", &explore_result, sizeof explore_result},
    {"explore_path", explore_path, sizeof explore_path},
    {"explore_factory", explore_factory, sizeof explore_factory},
    {"oracle_limits", &oracle_limits, sizeof oracle_limits},
    {"part_image", part_image, sizeof part_image},
};

static uint32_t call(const char *name, uint32_t number)
{
    return strcmp(name, "explore_learn") == 0    ? explore_learn(number)
           : strcmp(name, "explore_start") == 0  ? explore_start()
           : strcmp(name, "explore_run") == 0    ? explore_run()
           : strcmp(name, "explore_replay") == 0 ? explore_replay(number)
                                                 : 0xFFFFFFFFu;
}

static uint8_t *find(const char *name, size_t end)
{
    size_t i;
    for (i = 0; i < sizeof variables / sizeof variables[0]; ++i) {
        if (strcmp(name, variables[i].name) == 0 && end <= variables[i].size) {
            return (uint8_t *)variables[i].at;
        }
    }
    return NULL;
}

int main(void)
{
    char order;
    char name[32];
    unsigned number;
    while (scanf(" %c %31s %u", &order, name, &number) == 3) {
        unsigned count = 0;
        unsigned byte;
        uint8_t *at;
        if (order == 'c') {
            printf("%lu\n", (unsigned long)call(name, number));
        } else if (order == 'r' && scanf("%u", &count) == 1 &&
                   (at = find(name, (size_t)number + count)) != NULL) {
            for (at += number; count > 0; --count) {
                printf("%02X", *at++);
            }
            printf("\n");
        } else if (order == 'w' && scanf("%u", &count) == 1 &&
                   (at = find(name, (size_t)number + count)) != NULL) {
            for (at += number; count > 0 && scanf("%2x", &byte) == 1; --count) {
                *at++ = (uint8_t)byte;
            }
        } else {
            return 2;
        }
        fflush(stdout);
    }
    return 0;
}
