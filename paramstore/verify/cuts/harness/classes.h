/* classes.h: what each file does of the classes in faults.h. */
#ifndef Cuts_CLASSES_H
#define Cuts_CLASSES_H

#include <stdbool.h>
#include <stdint.h>

/* strikes.c: classes that strike a running call, and faults that last. */
void strikes_run(uint32_t kind);

/* damage.c: classes that damage the part at rest. */
void damage_run(uint32_t kind);

/* What a boot may serve in place of the newest values; those of a group kept in copies never, unless
 * more than one slot is damaged. */
typedef enum allowance {
    Allow_FLAGGED, /* something older or defaults, flagged */
    Allow_SILENT,  /* something older without a flag: on such a part that is what was committed last */
    Allow_REFUSAL  /* and the part need not be taken for ours */
} Allowance_t;

/* The part is damaged: mount, see what is served, mend. */
void damage_look(Allowance_t allowed);

/* hostile.c: what the part holds, or the bus says, is meant to mislead. */
void hostile_run(uint32_t kind);

/* copies.c: records of groups that are kept in copies. */
void copies_run(void);

#endif
