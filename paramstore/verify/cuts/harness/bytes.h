/* bytes.h: the three functions on bytes that every C compiler asks of its surroundings, even where
 * there is no C library (GCC manual, "Language Standards Supported by GCC"). <string.h> may be missing
 * there, so they are declared here. */
#ifndef Cuts_BYTES_H
#define Cuts_BYTES_H

#include <stddef.h>

void *memcpy(void *to, const void *from, size_t count);
void *memset(void *to, int value, size_t count);
int memcmp(const void *a, const void *b, size_t count);

#endif
