/* part.h: a simulated EEPROM at the level of whole transfers and page writes, behind a ps_port_t.
 *
 * Knows bytes, pages and power; knows no store. A write cycle takes no time: the part is never busy
 * unless a fault asks for it. `cuts_config.h` is generated and has the geometry.
 *
 * Everything in the harness is freestanding C99 with static memory, so that the same code runs on
 * this computer and on an emulated microcontroller. One part exists: `part`.
 */
#ifndef Cuts_PART_H
#define Cuts_PART_H

#include <stdbool.h>
#include <stdint.h>

#include "cuts_config.h"
#include "paramstore.h"

/* What the cells of a written page hold after a cut inside its write cycle. The bytes written are
 * numbered from 0 in the order in which they went over the bus. */
enum {
    Tear_OLD,           /* nothing was changed */
    Tear_NEW,           /* everything was, but nobody was told */
    Tear_PREFIX,        /* the first `at` bytes are new */
    Tear_SUFFIX,        /* the bytes from `at` on are new */
    Tear_ERASED,        /* FF */
    Tear_ZEROS,         /* 00 */
    Tear_ERASED_PREFIX, /* the first `at` bytes are new, the others FF */
    Tear_AND,           /* old & new */
    Tear_OR,            /* old | new */
    Tear_MIX,           /* each bit old or new by chance */
    Tear_NOISE,         /* random bytes */
    Tear_KINDS
};

/* One torn outcome. `seed` fixes the random kinds, and what the rest of the page holds. */
typedef struct part_tear {
    uint8_t kind;
    bool rest; /* the bytes of the page that were not written are hit too: random bytes */
    uint16_t at;
    uint32_t seed;
} Part_tear_t;

/* One write cycle. */
typedef struct part_write {
    uint32_t page;
    uint16_t first; /* offset in the page of the first byte written */
    uint16_t count; /* bytes of the page that were written, rolling over inside it */
    uint64_t old_hash;
    uint64_t new_hash;
    uint8_t before[Cuts_PAGE];
    uint8_t after[Cuts_PAGE];
} Part_write_t;

/* The write cycles of one call to the store, in order. */
typedef struct part_trace {
    uint32_t count; /* all of them; those beyond Cuts_MAX_WRITES are not kept */
    Part_write_t writes[Cuts_MAX_WRITES];
} Part_trace_t;

/* Something that goes wrong. */
enum {
    Fault_NONE,
    /* At write cycle `at` (from 0, see `part.cycles`) and the `more` next ones: */
    Fault_CUT,      /* the power goes inside the write cycle; the page is left as `tear` says */
    Fault_LOST,     /* the write is acknowledged and changes nothing */
    Fault_BROWNOUT, /* the part alone loses its power inside the cycle; the controller goes on */
    Fault_STRAY,    /* the write lands on the page whose address differs in the bits `mask` */
    Fault_SLOW,     /* after it the part does not acknowledge `mask` transfers */
    /* Always: */
    Fault_STUCK, /* on page `at` the bits `mask` of byte `more` keep what they hold */
    Fault_DEAD,  /* page `at` keeps what it holds, and the `more` next ones */
    Fault_ALIAS, /* the address bits `mask` have no effect */
    /* At byte `at` that the part sends (from 0, see `part.read`) and the `more` next ones: */
    Fault_UNREAD, /* it reads FF, and so does the rest of that transfer */
    /* At byte `at` that the controller sends (from 0, see `part.sent`) and the `more` next ones: */
    Fault_NACK,  /* it is not acknowledged; the STOP that follows writes what was loaded before */
    Fault_HELD,  /* the data line is held: the bus fails, and no STOP gets through */
    Fault_RESET  /* the controller restarts; the part goes on, and ends its write cycle */
};
#define Fault_FOR_EVER 0x40000000u

typedef struct part_fault {
    uint8_t kind;
    uint32_t at;
    uint32_t more;
    uint32_t mask;
    Part_tear_t tear;
} Part_fault_t;

typedef struct part {
    uint64_t hash;       /* of the image: the sum of its pages' hashes */
    uint32_t bits;       /* on the bus since part_begin */
    uint32_t transfers;  /* since part_begin */
    uint32_t cycles;     /* write cycles since part_begin */
    uint32_t sent;       /* bytes from the controller since part_begin; of a failed transfer, all */
    uint32_t read;       /* bytes from the part since part_begin */
    uint32_t busy;       /* transfers that the part will not acknowledge, as a write cycle goes on */
    bool powered;        /* without power every transfer fails and changes nothing */
    Part_trace_t *trace; /* where write cycles are recorded; may be NULL */
    Part_fault_t fault;
} Part_t;

extern Part_t part;
extern uint32_t part_calls; /* how often part_begin was called: it stands still in a call without end */
extern uint8_t part_image[Cuts_CAPACITY];
extern const ps_port_t part_port;

/* Load an image of Cuts_CAPACITY bytes; a blank one if it is NULL. Power is on, no fault waits. */
void part_load(const uint8_t *image);

/* Before a call to the store: set the counters to 0, record write cycles in `trace`. */
void part_begin(Part_trace_t *trace);

/* Change a page behind the back of everyone. `hash` is part_page_hash of the new content, `old_hash`
 * that of the content so far. */
void part_put(uint32_t page, const uint8_t *bytes, uint64_t old_hash, uint64_t hash);

/* A number that tells apart what a page holds; equal contents on different pages differ too. */
uint64_t part_page_hash(uint32_t page, const uint8_t *bytes);

/* What a cut inside `write` leaves of its page. */
void part_tear(const Part_write_t *write, const Part_tear_t *tear, uint8_t *bytes);

/* Spread the bits of a number: the harness' only source of chance (finaliser of splitmix64, Steele,
 * Lea and Flood 2014). */
uint64_t part_scatter(uint64_t x);

#endif
