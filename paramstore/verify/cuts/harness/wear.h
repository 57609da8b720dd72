/* wear.h: the life of one ring in accelerated time: commits until its pages take no more.
 *
 * Write a job into `wear_job`, call wear_run(), read `wear_result`; all plain words.
 *
 * Each page of the part takes `endurance` write cycles and up to `spread` more; after that it acknowledges
 * writes and keeps what it holds. The group is committed until a commit fails, or `most` times. Every
 * `look` commits, after each commit that met a worn page, and at the end the store is mounted anew,
 * and must serve what was committed last.
 */
#ifndef Cuts_WEAR_H
#define Cuts_WEAR_H

#include <stdint.h>

typedef struct wear_job {
    uint32_t seed;
    uint32_t group;
    uint32_t endurance;
    uint32_t spread;
    uint32_t most;
    uint32_t look;
} Wear_job_t;

typedef struct wear_result {
    uint32_t commits;       /* acknowledged, all of them */
    uint32_t fresh_commits; /* thereof before a page first refused a write */
    uint32_t refused;       /* page writes that a worn page did not take */
    uint32_t looks;         /* mounts */
    uint32_t lost;          /* mounts that served something else than what was committed last */
    uint32_t ended;         /* 1: a commit failed */
    uint32_t least;         /* write cycles of the ring's pages after the commit that met a worn one: */
    uint32_t greatest;      /* of the one with the fewest, of the one with the most, */
    uint32_t sum;           /* and of all of them */
    uint32_t outside;       /* write cycles on pages beyond the ring, since the format */
} Wear_result_t;

extern Wear_job_t wear_job;
extern Wear_result_t wear_result;
extern const uint32_t wear_sizes[2]; /* of job and result, bytes */

/* Do `wear_job`. Return 0, or 1 if the part cannot be formatted. */
uint32_t wear_run(void);

#endif
