/* histories.h: random lives of one group on a part whose cut writes leave weak cells.
 *
 * Write a job into `histories_job`, call histories_run(), read `histories_result`; all plain words.
 *
 * A history begins with a formatted part and some commits, so that the newest record may lie in any
 * slot. Then come 2 to 14 boots. Each mounts, uses the values, and makes 1 to 8 commits of new ones;
 * by chance the power goes inside one of its page writes, any of them, which leaves the page in any of
 * the ways of part.h, each as likely as the others, and with weak bits. A last boot is never cut.
 *
 * With `settle`, a boot commits what it has mounted before it uses it; if that is cut, it has used
 * nothing.
 */
#ifndef Cuts_HISTORIES_H
#define Cuts_HISTORIES_H

#include <stdint.h>

#define Histories_BOOTS 14u
#define Histories_COMMITS 8u

/* What may go wrong in a history. A boot that had to use defaults, and says so: LOST and EMPTY. */
enum {
    History_LOST,     /* used something else than the last acknowledged values or later ones */
    History_BACK,     /* used values older than those that an earlier boot used */
    History_RETURNED, /* used values never acknowledged, though a later commit was */
    History_EMPTY,    /* no record was readable */
    History_MIXED,    /* used values that nobody ever committed */
    History_FAILED,   /* a call failed with the power on */
    History_KINDS
};

typedef struct histories_job {
    uint32_t seed;
    uint32_t first; /* number of the first history; seed and number make the history */
    uint32_t count;
    uint32_t settle; /* 0 or 1 */
    uint32_t bits;   /* weak bits of a cut; see cells.h */
    uint32_t share;
    uint32_t chance; /* of 256 boots, so many are cut */
} Histories_job_t;

typedef struct histories_result {
    uint32_t histories[History_KINDS]; /* in which that happened, once or more */
    uint32_t boots;
    uint32_t cuts;
} Histories_result_t;

extern Histories_job_t histories_job;
extern Histories_result_t histories_result;
extern const uint32_t histories_sizes[2]; /* of job and result, bytes */

/* Do `histories_job` with group 0. Return 0, or 1 if the part cannot be formatted. */
uint32_t histories_run(void);

#endif
