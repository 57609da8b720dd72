/* cells.h: a simulated EEPROM whose cells can be weak or worn out, behind a ps_port_t.
 *
 * Knows bytes, pages and power; knows no store. It shares the image and the tears of part.h, but not its
 * counters. A write cycle takes no time.
 *
 * Weak cells: a cut write cycle leaves some of the bits that it was to change reading at random, each
 * time anew and with even odds, until their byte is written by a cycle that comes to its end.
 * Worn cells: after its number of cycles a page acknowledges writes and keeps what it holds.
 */
#ifndef Cuts_CELLS_H
#define Cuts_CELLS_H

#include <stdbool.h>
#include <stdint.h>

#include "cuts_config.h"
#include "paramstore.h"

#define Cells_PAGES (Cuts_CAPACITY / Cuts_PAGE)
#define Cells_WEAK_PAGES 16u
#define Cells_NEVER 0xFFFFFFFFu

typedef struct cells_weak {
    uint32_t page;
    uint8_t mask[Cuts_PAGE]; /* 1: this bit reads at random */
} Cells_weak_t;

typedef struct cells {
    uint64_t chance; /* all randomness comes from here: the same start, the same life */
    bool powered;    /* without power every transfer fails and changes nothing */
    uint32_t cut_in; /* write cycles that come to their end before one is cut; or Cells_NEVER */
    uint32_t bits;   /* a cut leaves so many weak bits, */
    uint32_t share;  /* or, unless this is 0, one in so many of the bits to change, at least one */
    uint32_t refused; /* write cycles that a worn page did not take */
    uint32_t weak_pages; /* at most Cells_WEAK_PAGES: do no more cuts after one cells_begin */
    Cells_weak_t weak[Cells_WEAK_PAGES];
    uint32_t cycles[Cells_PAGES]; /* write cycles that each page has taken */
    uint32_t life[Cells_PAGES];   /* cycles that each page takes; 0: no end */
} Cells_t;

extern Cells_t cells;
extern const ps_port_t cells_port;

/* Power on, no weak bit, no wear, no cut to come. Leaves the image alone. */
void cells_begin(uint64_t chance);

/* A random number below `end`, which is not 0. */
uint32_t cells_below(uint32_t end);

#endif
