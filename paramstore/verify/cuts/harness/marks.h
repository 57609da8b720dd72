/* marks.h: values of a group that tell which version they are.
 *
 * Only for groups whose payload has four bytes or more and takes any bytes at all: parameters without
 * limits and rules. The first four bytes are the number of the version, the others follow from it and
 * from `salt`, so that values put together from two versions are not taken for either.
 */
#ifndef Cuts_MARKS_H
#define Cuts_MARKS_H

#include <stdint.h>

#include "paramstore.h"

#define Marks_NONE 0xFFFFFFFFu /* the values are of no version up to the last one */

/* Give a group the values of a version. */
void marks_put(ps_store_t *store, unsigned group, uint32_t salt, uint32_t version);

/* Which version a group has, at most `last`. */
uint32_t marks_get(ps_store_t *store, unsigned group, uint32_t salt, uint32_t last);

#endif
