/* records.h: records as FORMAT.md describes them, read and made without the store's code. */
#ifndef Cuts_RECORDS_H
#define Cuts_RECORDS_H

#include <stdbool.h>
#include <stdint.h>

#include "paramstore.h"

#define Records_HEADER 5u /* sequence number and revision */
#define Records_CRC 4u

/* The address of a slot. */
uint32_t records_slot(const ps_group_t *group, uint32_t slot);

/* The address of the slot of record `sequence`. */
uint32_t records_place(const ps_group_t *group, uint32_t sequence);

/* The sequence number at the head of a slot, whatever it is. */
uint32_t records_number(uint32_t address);
void records_put_number(uint32_t address, uint32_t number);

/* Give the record at an address the CRC that its bytes ask for. */
void records_seal(const ps_group_t *group, uint32_t address);

/* Is record `sequence` whole in its slot? */
bool records_whole(const ps_group_t *group, uint32_t sequence);

/* How many whole records have the body of record `sequence`, that one included; those before it are looked
 * at until one is whole with another body. */
unsigned records_copies(const ps_group_t *group, uint32_t sequence);

/* The first byte that the fields of a group leave free in a body. */
unsigned records_free(const ps_layout_t *layout, unsigned group);

#endif
