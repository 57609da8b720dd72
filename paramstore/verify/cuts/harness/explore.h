/* explore.h: cuts the power at every page write of every workload, and lets the oracle judge.
 *
 * Write a job into `explore_job`, call explore_run(), read `explore_result`. All three are plain words
 * in memory, so that they can be driven from outside, whatever processor runs this.
 *
 * Every workload of up to `operations` operations out of `alphabet` is run from a start state. Each
 * operation is run to its end, and cut at each of its page writes, torn in every way; after a cut
 * comes a boot, which may be cut too if it writes; up to `depth` cuts in one history.
 */
#ifndef Cuts_EXPLORE_H
#define Cuts_EXPLORE_H

#include <stdint.h>

#include "cuts_config.h"
#include "oracle.h"
#include "part.h"

/* Operations. */
enum {
    Op_BOOT,   /* controller and part are switched off and on; mount */
    Op_FORMAT, /* ps_format */
    Op_WIPE,   /* ps_wipe */
    Op_COMMIT  /* and the index of a group: new values, then ps_commit */
};
#define Explore_OPERATIONS (Op_COMMIT + Cuts_GROUPS)

#define Explore_DEPTH 3u   /* cuts in one history, at most */
#define Explore_LENGTH 3u  /* operations of a workload, at most */
#define Explore_LEVELS 8u  /* operations, a boot after each cut, and one at the end */
#define Explore_SAVED 8u   /* violations that are described */
#define Explore_NO_CUT 0xFFFFFFFFu

/* Columns of a tally: the tears, and */
enum {
    Column_REST = Tear_KINDS, /* any tear, with the rest of its page hit too */
    Column_LATER,             /* no cut, or operations were completed after the last one */
    Explore_COLUMNS
};

typedef struct explore_job {
    uint32_t seed;
    uint32_t packed;     /* 0: the part is blank and gets a format; 1: it holds `explore_factory`;
                          * 2: that is of an earlier release, and this firmware has to take it over */
    uint32_t present;    /* of such a part: bit g: group g has values */
    uint32_t rounds;     /* commits of every group before the workload */
    uint32_t pass;       /* 1: in the last of them, each group passes over a slot if it can */
    uint32_t operations; /* of a workload, at most Explore_LENGTH */
    uint32_t depth;      /* cuts of a history, at most Explore_DEPTH */
    uint32_t samples;    /* mixes and noises of each page write */
    uint32_t fixed;      /* the workload begins with so many operations of `prefix` */
    uint32_t prefix[Explore_LENGTH];
    uint32_t shares;     /* the states that a cut first operation leaves are shared out: to run */
    uint32_t share;      /* `share` of them only; what follows it uncut belongs to share 0 */
    uint32_t letters;    /* operations in `alphabet` */
    uint32_t alphabet[Explore_OPERATIONS];
} Explore_job_t;

/* An operation of a history and, unless `write` is Explore_NO_CUT, the cut in it. */
typedef struct explore_step {
    uint32_t operation;
    uint32_t write; /* index of the page write, from 0 */
    uint32_t kind;  /* of the tear */
    uint32_t rest;
    uint32_t at;
    uint32_t seed;
} Explore_step_t;

typedef struct explore_violation {
    Oracle_finding_t finding;
    uint32_t steps;
    Explore_step_t step[Explore_LEVELS];
} Explore_violation_t;

/* Histories by number of cuts and by what the last one left. */
typedef struct explore_tally {
    uint64_t count[Explore_DEPTH + 1u][Explore_COLUMNS];
} Explore_tally_t;

/* What a run has counted. A history is a workload with its cuts that ends with a boot, which is
 * judged. Histories that lead to equal states are run once and counted each. */
typedef struct explore_result {
    Explore_tally_t histories;
    uint64_t boots;      /* that were run and judged */
    uint64_t torn;       /* different states of a torn page that were booted from */
    uint64_t random;     /* those of them that mixes, noise or a hit rest made */
    uint64_t late;       /* boots that served an interrupted commit that an earlier one had missed */
    uint64_t calls;      /* of commit, format and wipe that were run */
    uint64_t violations;
    uint64_t digest;     /* of every image that was booted from and of what was served, in order */
    uint32_t mount_bits; /* the longest calls */
    uint32_t format_bits;
    uint32_t wipe_bits;
    uint32_t commit_bits[Cuts_GROUPS];
    uint32_t saved;      /* violations described, the first ones */
    Explore_violation_t violation[Explore_SAVED];
} Explore_result_t;

extern Explore_job_t explore_job;
extern Explore_result_t explore_result;
extern uint8_t explore_factory[Cuts_CAPACITY];

/* Sizes of job, result, limits and the values of a store in bytes: whoever drives this must agree on them. */
extern const uint32_t explore_sizes[4];

/* Take what a mount of `explore_factory` serves as picture `index`; the last index: of a blank
 * part, the defaults. Return the status of the mount. Once for each picture, before any run. */
uint32_t explore_learn(uint32_t index);

/* Mount `explore_factory` and leave what is served in `explore_seen`, the flags of all groups too.
 * Return the status of the mount. */
typedef struct explore_seen {
    Cuts_VALUES_T values;
    uint8_t health[Cuts_GROUPS];
} Explore_seen_t;
extern Explore_seen_t explore_seen;
uint32_t explore_see(void);

/* Bring the part into the start state of `explore_job`. Return 0, or 1 if that went wrong: then
 * the result has the violation. */
uint32_t explore_start(void);

/* The first address in a ring, used or retired, or in a label at which the part is not erased;
 * Cuts_CAPACITY if there is none. */
uint32_t explore_remains(void);

/* Do `explore_job`. Return 0, or 1 if something was wrong. */
uint32_t explore_run(void);

/* One history, step by step with real cuts inside the calls instead of their equals: after
 * explore_start, each step of `explore_path`; return the verdict. A boot after each cut is a step
 * of its own. */
extern Explore_step_t explore_path[Explore_LEVELS];
extern uint32_t explore_steps; /* of the path, up to the one at hand; 0: on the way to the start */
uint32_t explore_replay(uint32_t steps);

#endif
