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
#ifndef Cuts_FAULTS_H
#define Cuts_FAULTS_H

#include <stdint.h>

#include "cuts_config.h"
#include "oracle.h"

/* The order is that of `paramstore/verify/cuts/faults.py`. */
enum {
    Class_NACK,       /* one byte is not acknowledged */
    Class_SILENT,     /* from one byte on none is */
    Class_HELD_ONCE,  /* the bus fails in one byte */
    Class_HELD,       /* the bus fails from one byte on */
    Class_RESET,      /* the controller alone restarts in one byte */
    Class_BROWNOUT,   /* the part alone loses its power in one page write: each kind of tear */
    Class_SLOW,       /* one page write takes almost as long as is waited for, or longer */
    Class_LOST,       /* one page write is acknowledged and changes nothing */
    Class_PROTECTED,  /* from one page write on all are */
    Class_WORN,       /* one page of a ring takes nothing any more */
    Class_STUCK,      /* one bit of a page of a ring does not change any more */
    Class_STRAY,      /* one page write lands on another page: one address bit wrong */
    Class_BROWNOUTS,  /* a hundred commits in a row, each cut, each followed by a boot */
    Class_BIT,        /* one bit of a label or of a slot is wrong */
    Class_BITS,       /* two bits of a slot are */
    Class_BURST,      /* up to 32 bits in a row are */
    Class_PAGE,       /* a page of a label or of a slot is erased, zero or noise */
    Class_STALE,      /* a page of a slot has what it held before it was written last */
    Class_SWAPPED,    /* a page holds what belongs to another page: one address bit wrong */
    Class_ALIAS,      /* one address bit has no effect */
    Class_SHIFTED,    /* the content begins at another address */
    Class_TRUNCATED,  /* from one page on everything is erased */
    Class_FOREIGN,    /* the part holds random bytes, or the label of another store */
    Class_READ,       /* the part alone loses its power in one read, the rest of which is FF */
    Class_READ_WIPE,  /* the same in a wipe */
    Class_READ_LATER, /* the same in a commit of a record that a later release has written */
    Class_UNREAD,     /* a whole mount reads FF; and a format, up to one byte */
    Class_WIPED,      /* a wipe is cut and ended; then a format, and a commit that is cut */
    Class_COPY,       /* a commit or ps_provision is cut, or one bit of a copy is wrong; then ps_refresh */
    Class_LOOKALIKE,  /* a whole record holds what looks like a label */
    Class_BLOCK,      /* a part without label holds a few bytes of somebody else in a ring */
    Class_VALUES,     /* whole records hold values that cannot be; judged in `impossible.py` */
    Fault_CLASSES
};

typedef struct faults_job {
    uint32_t seed;
    uint32_t kind; /* Class_ */
    uint32_t stride;
    uint32_t only; /* number of a case, or Faults_ALL */
} Faults_job_t;
#define Faults_ALL 0xFFFFFFFFu

typedef struct faults_result {
    uint32_t cases;     /* there are */
    uint32_t tried;     /* thereof */
    uint32_t served[5]; /* Served_ of the group that fares worst, at the first boot after it */
    uint32_t refused;   /* the part was not taken for ours at that boot */
    uint32_t failed;    /* calls that said that they failed */
    uint32_t violations;
    uint32_t first;     /* number of the first case that breaks a promise, or Faults_ALL */
    Oracle_finding_t finding; /* of that one */
    uint32_t mount_bits; /* the longest calls */
    uint32_t commit_bits;
} Faults_result_t;

extern Faults_job_t faults_job;
extern Faults_result_t faults_result;
extern uint32_t faults_limits[2]; /* most bits of a mount and of a commit under any fault */
extern const uint32_t faults_sizes[2]; /* of job and result, bytes */

/* Do `faults_job`. Return 0, or 1 if something was wrong. */
uint32_t faults_run(void);

#endif
