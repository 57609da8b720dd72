/* faults.h: what goes wrong besides the power: the bus, the part, and bytes that changed at rest.
 *
 * Write a job into `faults_job`, call faults_run(), read `faults_result`; all plain words. The part
 * must have been brought into a start state by explore_start() before.
 *
 * Each case of a class begins in that start state. In classes that strike a running call, every
 * operation is done once with the fault at every point where it can strike; then without it, so that a
 * fault that has passed must leave no trace. Classes that damage the part at rest change its bytes.
 * After each case the store is mounted, judged, committed to and mounted again.
 *
 * Every `stride`-th case is done, or with `only` that one alone.
 */
#ifndef CUTS_FAULTS_H
#define CUTS_FAULTS_H

#include <stdint.h>

#include "cuts_config.h"
#include "oracle.h"

/* The order is that of `paramstore/cuts/faults.py`. */
enum {
    CLASS_NACK,       /* one byte is not acknowledged */
    CLASS_SILENT,     /* from one byte on none is */
    CLASS_HELD_ONCE,  /* the bus fails in one byte */
    CLASS_HELD,       /* the bus fails from one byte on */
    CLASS_RESET,      /* the controller alone restarts in one byte */
    CLASS_BROWNOUT,   /* the part alone loses its power in one page write: each kind of tear */
    CLASS_SLOW,       /* one page write takes almost as long as is waited for, or longer */
    CLASS_LOST,       /* one page write is acknowledged and changes nothing */
    CLASS_PROTECTED,  /* from one page write on all are */
    CLASS_WORN,       /* one page of a ring takes nothing any more */
    CLASS_STUCK,      /* one bit of a page of a ring does not change any more */
    CLASS_STRAY,      /* one page write lands on another page: one address bit wrong */
    CLASS_BROWNOUTS,  /* a hundred commits in a row, each cut, each followed by a boot */
    CLASS_BIT,        /* one bit of a label or of a slot is wrong */
    CLASS_BITS,       /* two bits of a slot are */
    CLASS_BURST,      /* up to 32 bits in a row are */
    CLASS_PAGE,       /* a page of a label or of a slot is erased, zero or noise */
    CLASS_STALE,      /* a page of a slot has what it held before it was written last */
    CLASS_SWAPPED,    /* a page holds what belongs to another page: one address bit wrong */
    CLASS_ALIAS,      /* one address bit has no effect */
    CLASS_SHIFTED,    /* the content begins at another address */
    CLASS_TRUNCATED,  /* from one page on everything is erased */
    CLASS_FOREIGN,    /* the part holds random bytes, or the label of another store */
    CLASS_READ,       /* the part alone loses its power in one read, the rest of which is FF */
    CLASS_READ_WIPE,  /* the same in a wipe */
    CLASS_READ_LATER, /* the same in a commit of a record that a later release has written */
    CLASS_UNREAD,     /* a whole mount reads FF; and a format, up to one byte */
    CLASS_WIPED,      /* a wipe is cut and ended; then a format, and a commit that is cut */
    CLASS_COPY,       /* a commit or ps_seed is cut, or one bit of a copy is wrong; then ps_refresh */
    CLASS_LOOKALIKE,  /* a whole record holds what looks like a label */
    CLASS_BLOCK,      /* a part without label holds a few bytes of somebody else in a ring */
    CLASS_VALUES,     /* whole records hold values that cannot be; judged in `impossible.py` */
    FAULT_CLASSES
};

typedef struct faults_job {
    uint32_t seed;
    uint32_t kind; /* CLASS_ */
    uint32_t stride;
    uint32_t only; /* number of a case, or FAULTS_ALL */
} faults_job_t;
#define FAULTS_ALL 0xFFFFFFFFu

typedef struct faults_result {
    uint32_t cases;     /* there are */
    uint32_t tried;     /* thereof */
    uint32_t served[5]; /* SERVED_ of the group that fares worst, at the first boot after it */
    uint32_t refused;   /* the part was not taken for ours at that boot */
    uint32_t failed;    /* calls that said that they failed */
    uint32_t violations;
    uint32_t first;     /* number of the first case that breaks a promise, or FAULTS_ALL */
    oracle_finding_t finding; /* of that one */
    uint32_t mount_bits; /* the longest calls */
    uint32_t commit_bits;
} faults_result_t;

extern faults_job_t faults_job;
extern faults_result_t faults_result;
extern uint32_t faults_limits[2]; /* most bits of a mount and of a commit under any fault */
extern const uint32_t faults_sizes[2]; /* of job and result, bytes */

/* Do `faults_job`. Return 0, or 1 if something was wrong. */
uint32_t faults_run(void);

#endif
