/* cases.h: one case of a fault after another: the start state, the calls, what is judged.
 *
 * For strikes.c, damage.c and hostile.c only; see faults.h.
 */
#ifndef Cuts_CASES_H
#define Cuts_CASES_H

#include <stdbool.h>
#include <stdint.h>

#include "cuts_config.h"
#include Cuts_HEADER
#include "explore.h"
#include "oracle.h"
#include "part.h"

#define Cases_PAGES (Cuts_CAPACITY / Cuts_PAGE)

/* Operations besides those of explore.h: ps_reload of a group. */
#define Cases_RELOAD Explore_OPERATIONS
#define Cases_OPERATIONS (Cases_RELOAD + Cuts_GROUPS)

typedef struct cases {
    Cuts_STORE_T memory; /* the RAM of the firmware */
    Part_trace_t trace;
    uint8_t image[Cuts_CAPACITY]; /* that a case begins with */
    Oracle_t known;               /* the same */
    uint64_t chance;
    bool ready; /* the store was mounted with a label */
    bool sound; /* no promise has been broken in this case */
} Cases_t;

extern Cases_t cases;

/* A random number below `end`, which is not 0. */
uint32_t cases_draw(uint32_t end);

/* The part and the oracle are as a case begins. */
void cases_restore(void);

/* Begin the next case, if it is to be done. */
bool cases_due(void);

/* A promise is broken, unless the finding is good; one violation of a case is counted. */
void cases_judge(const Oracle_finding_t *finding);
void cases_blame(uint32_t verdict, uint32_t group, uint32_t what, uint32_t expected,
                 uint32_t found);

/* A status that has to be another one. */
void cases_demand(uint32_t verdict, unsigned group, ps_status_t due, ps_status_t status);

bool cases_label_whole(uint32_t at);

/* A controller that starts; the part may have had its power all the time. It must not write. */
ps_status_t cases_mount(void);
void cases_mount_judged(void);

/* With `must`, a commit may not fail. */
ps_status_t cases_commit(unsigned group);
ps_status_t cases_commit_judged(unsigned group, bool must);

/* ps_reload of a group serves what was there. */
ps_status_t cases_reload_judged(unsigned group, bool must);

/* A store that has come through: it takes a commit of a group, and keeps it. */
void cases_go_on(unsigned group);

/* Bytes that the controller and the part send, and write cycles, of an operation in which nothing
 * goes wrong. */
typedef struct cases_counts {
    uint32_t sent;
    uint32_t read;
    uint32_t cycles;
} Cases_counts_t;
Cases_counts_t cases_rehearse(unsigned operation);

Part_fault_t cases_fault(uint8_t kind, uint32_t at, uint32_t more, uint32_t mask);

/* A torn write of any kind, at write cycle `at`. */
Part_fault_t cases_cut(uint8_t kind, uint32_t at);

/* Does a commit pass over a slot that takes nothing? */
bool cases_can_pass(unsigned operation);

#endif
