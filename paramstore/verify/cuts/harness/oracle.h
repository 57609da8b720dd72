/* oracle.h: what a store must have kept, whatever happened to the power.
 *
 * An independent model: it knows which values were handed to commits, which of them were
 * acknowledged, and what each boot served. It knows no slot, no record, no CRC, and calls nothing of
 * the store but what firmware calls to look at it.
 *
 * After a cut a group may hold its settled version, or one of those whose commits were cut since the
 * last acknowledged one; usually the last of them. Whatever a boot serves is settled then.
 *
 * Values are told apart by versions. Version 0 of a group are its defaults; commit after commit
 * uses the next of its pictures, in turn. A picture is the group's values as they lie in RAM.
 */
#ifndef Cuts_ORACLE_H
#define Cuts_ORACLE_H

#include <stdbool.h>
#include <stdint.h>

#include "cuts_config.h"
#include Cuts_HEADER

/* What is wrong. The order is that of `paramstore/verify/cuts/results.py`. */
enum {
    Oracle_GOOD,
    Oracle_MIXED,     /* I1: served values that were never committed */
    Oracle_LOST,      /* I2: an acknowledged commit is gone, an older one is served */
    Oracle_BACK,      /* I3: an older value than an earlier boot has handed out */
    Oracle_RETURNED,  /* I4: an interrupted commit is served after a later acknowledged one */
    Oracle_EMPTY,     /* I5: defaults are served, though the group has been committed */
    Oracle_UNSTABLE,  /* I6: a boot serves what the one before did not, or calls fail after a cut */
    Oracle_OUTSIDE,   /* I7: a page outside the group's ring was written */
    Oracle_UNFLAGGED, /* I8: flags and status do not say what is served */
    Oracle_LONG,      /* I9: a call took more bus bits than it may */
    Oracle_WEAR,      /* I10: a call wrote more pages than planned */
    Oracle_REFUSED,   /* I13: our own part is not recognised */
    Oracle_CHANGED,   /* I14: values in RAM changed in a call that must not change them */
    Oracle_REMAINS,   /* I15: after a wipe bytes of a record are left on the part */
    Oracle_SPOILT,    /* I16: bytes of somebody else, or of a later release, were written over */
    Oracle_DIFFERENT, /* I17: firmware serves something else than the host says */
    Oracle_UNTOLD,    /* I18: a later release loses a value unsaid; judged in `announced.py` */
    Oracle_VERDICTS
};

typedef struct oracle_group {
    uint32_t sequence; /* the greatest that a boot or an acknowledged commit has shown */
    uint32_t begun;    /* bit v mod 32: version v was being written when the power went */
    uint32_t landed;   /* bit v mod 32: version v has been acknowledged, or served by a boot */
    uint16_t tried;    /* newest version handed to a commit */
    uint16_t settled;  /* version that an acknowledged commit or the last boot has shown */
    uint16_t acked;    /* newest version whose commit was acknowledged */
    uint16_t open;     /* version whose commit was cut since the last boot; 0: none */
} Oracle_group_t;

typedef struct oracle {
    Oracle_group_t groups[Cuts_GROUPS];
    uint32_t wiping;  /* 1: ps_wipe was cut: everything is there, or nothing, or it must go on */
    uint32_t refused; /* 1: the last boot said that it must go on */
    uint32_t older;   /* 1: the label that counts is of an earlier release */
} Oracle_t;

/* What the two numbers of a finding are. The order is that of `paramstore/verify/cuts/results.py`. */
enum {
    Oracle_VERSION, /* of the values of a group; found may be Oracle_NO_VERSION: none that is known */
    Oracle_NUMBER,  /* the sequence number of a record; it may not be less */
    Oracle_STATUS,  /* what a call returned, ps_status_t */
    Oracle_FLAGS,   /* a version, and the PS_HEALTH_ flags found beside it */
    Oracle_BITS,    /* of one call on the bus; they may not be more */
    Oracle_WRITES,  /* page writes of one call; they may not be more */
    Oracle_PAGE,    /* the first page of a ring, and a page that was written */
    Oracle_BYTE     /* an address on the part, and the byte there, which must not be */
};

/* What is wrong, in which group (Cuts_GROUPS: in none), what had to be there and what was. */
typedef struct oracle_finding {
    uint32_t verdict;
    uint32_t group;
    uint32_t what; /* `expected` and `found` are */
    uint32_t expected;
    uint32_t found;
} Oracle_finding_t;

extern const Oracle_finding_t oracle_good; /* of no group */

Oracle_finding_t oracle_finding(uint32_t verdict, unsigned group, uint32_t what, uint32_t expected,
                                uint32_t found);

#define Oracle_NO_VERSION 0xFFFFFFFFu

/* The most that a call may take; set before a run. */
typedef struct oracle_limits {
    uint32_t mount_bits;
    uint32_t format_bits;
    uint32_t commit_bits[Cuts_GROUPS];
    uint32_t commit_writes[Cuts_GROUPS];
} Oracle_limits_t;

extern Oracle_t oracle;
extern Oracle_limits_t oracle_limits;

/* Groups, a bit each, whose record of an earlier release holds a value that this one does not allow: it
 * is served with its default, and flagged, until the group is committed. */
extern uint32_t oracle_limited;
extern uint64_t oracle_late; /* boots that served an interrupted commit after they had missed it */
extern Cuts_VALUES_T oracle_pictures[Cuts_PICTURES + 1]; /* the last one: defaults */

/* Nothing has ever been committed. */
void oracle_blank(void);

/* The part has been programmed with version 1 of every group; of an earlier release, with values that
 * become version 1 of those groups whose bit is set. */
void oracle_packed(uint32_t present);

/* A commit of a group is about to begin: it has its next version, which oracle_next puts into the
 * values. */
void oracle_try(unsigned group);
void oracle_next(unsigned group, Cuts_VALUES_T *values);

/* The power went in a commit, or in ps_wipe. */
void oracle_commit_cut(unsigned group);
void oracle_wipe_cut(void);

/* ps_commit returned: judge it. `ready`: the store has a whole label. */
Oracle_finding_t oracle_commit_done(const ps_store_t *store, unsigned group, ps_status_t status,
                                    bool ready);

/* What a boot serves of a group after damage that no store can undo, from good to bad. */
enum {
    Served_NEWEST,   /* what was acknowledged last, or a commit that had been cut */
    Served_OLDER,    /* something committed before, and a flag says that there is damage */
    Served_DEFAULTS, /* defaults, flagged */
    Served_SILENTLY, /* something committed before, and no flag */
    Served_WRONG     /* values never committed, or defaults that are not flagged */
};
unsigned oracle_served(const ps_store_t *store, unsigned group);

/* The newest version that looks like what is served, or Oracle_NO_VERSION. */
uint32_t oracle_version(const ps_store_t *store, unsigned group);

/* ps_reload returned: it serves what the last boot or commit has shown. */
Oracle_finding_t oracle_reload_done(const ps_store_t *store, unsigned group, ps_status_t status);

/* Records were lost to damage: sequence numbers may go back. */
void oracle_forgive(void);

/* ps_format returned: judge it. */
Oracle_finding_t oracle_format_done(ps_status_t status);

/* ps_wipe returned PS_OK. */
void oracle_wiped(void);

/* A boot has mounted the store: judge what it serves, and hold later boots to it. `labels`: how many
 * copies of the label are whole on the part. */
Oracle_finding_t oracle_boot(const ps_store_t *store, ps_status_t status, bool first_label,
                             bool second_label);

#endif
