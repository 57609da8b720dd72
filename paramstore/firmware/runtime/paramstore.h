/* paramstore.h: a parameter store on an I2C EEPROM, runtime.
 *
 * C99, no heap, no recursion, no floating point, either byte order, int of 16 bits or more.
 * Use it with the tables that `paramstore generate` writes from your schema:
 *
 *     tank_probe_t probe;                               the values and all working memory
 *     tank_probe_init(&probe, &port);                   your port, see ps_port_t
 *     ps_status_t st = ps_mount(&probe.store);          values are valid from here on
 *     if (st == PS_BLANK || st == PS_OLDER) { st = ps_format(&probe.store); }
 *     tank_probe_set_settings_interval(&probe, 30u);    range-checked, in RAM
 *     st = ps_commit(&probe.store, TANK_PROBE_SETTINGS) on the EEPROM when it returns PS_OK
 *
 * A store is used from one thread of execution. No function blocks for ever: each ends within a
 * bounded number of bus transfers, whatever the bus and the part do (PORTING.md).
 */
#ifndef PARAMSTORE_H
#define PARAMSTORE_H

#include <stdbool.h>
#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

/* Version of the tables below. Generated files refuse to compile with another one. */
#define PS_TABLES_VERSION 4

/* ---- Results ------------------------------------------------------------------------------- */

/* What a call returns. From PS_ERR_NACK on the call failed: see ps_failed. */
typedef enum ps_status {
    PS_OK = 0,
    PS_PENDING,      /* a commit is not complete: call ps_step again */
    PS_FLAGGED,      /* mounted; at least one group has a flag, see ps_health */
    PS_BLANK,        /* no store on the part yet: values are defaults; call ps_format */
    PS_OLDER,        /* mounted; the part is of an earlier release: call ps_format */
    PS_ERR_NACK,     /* the part did not answer within its time */
    PS_ERR_BUS,      /* the bus failed: arbitration lost, line stuck */
    PS_ERR_SUPPLY,   /* supply not good: no further page was written */
    PS_ERR_VERIFY,   /* what was read back is not what was written: write-protected or worn */
    PS_ERR_FOREIGN,  /* the part holds another store, or data that is not ours */
    PS_ERR_LAYOUT,   /* the part holds this store in another layout */
    PS_ERR_PART,     /* the part has another size than the layout asks for */
    PS_ERR_LIMIT,    /* a value is outside its limits, or a text is not UTF-8 */
    PS_ERR_RULE,     /* values break a rule between them: axis not rising, low not below high */
    PS_ERR_LOCKED,   /* the group is locked: see ps_unlock */
    PS_ERR_FULL,     /* no sequence numbers left in the group, after 3,489,660,672 commits */
    PS_ERR_BUSY,     /* a commit is not complete */
    PS_ERR_STATE,    /* not mounted, or no label yet: see ps_format */
    PS_ERR_ARGUMENT  /* no such group, field or element; text too long */
} ps_status_t;

/* Did the call fail? */
static inline bool ps_failed(ps_status_t status)
{
    return status >= PS_ERR_NACK;
}

/* Name of a status, such as "PS_OK"; for logs. */
const char *ps_status_name(ps_status_t status);

/* Flags of one group, see ps_health. 0: the newest record was read and all is well. */
#define PS_HEALTH_DEFAULTS 0x01u  /* no readable record: the values are defaults */
#define PS_HEALTH_DAMAGE 0x02u    /* a slot was unreadable: interrupted write, damage, bad read */
#define PS_HEALTH_LIMIT 0x04u     /* stored values broke a limit or a rule: defaults instead */
#define PS_HEALTH_WORN 0x08u      /* a slot did not take a record since mount: skipped */
#define PS_HEALTH_DIRTY 0x10u     /* values changed in RAM, not committed yet */
#define PS_HEALTH_UNLOCKED 0x20u  /* a protected group is open for one commit */
#define PS_HEALTH_MIGRATED 0x40u  /* values are from where an earlier release kept them */
#define PS_HEALTH_COPIES 0x80u    /* fewer whole copies than the schema asks: see ps_refresh */

/* ---- What you port ------------------------------------------------------------------------- */

/* The bus and the clock of your board. PORTING.md has the contract point by point. */
typedef struct ps_port {
    /* One transfer: START, address + W, `out_count` bytes; if `in_count` > 0: repeated START,
     * address + R, `in_count` bytes, the last one not acknowledged; STOP. `address` has 7 bits.
     * out_count is never 0. Return PS_OK, PS_ERR_NACK (any byte not acknowledged; STOP was
     * sent) or PS_ERR_BUS (anything else; the bus is free again or needs you). */
    ps_status_t (*transfer)(void *user, uint8_t address, const uint8_t *out, uint16_t out_count,
                            uint8_t *in, uint16_t in_count);
    /* Let at least `us` microseconds pass. Called by blocking functions only, never by ps_step. */
    void (*wait_us)(void *user, uint16_t us);
    /* Is there enough supply left to end one page write? Asked before each. May be NULL. */
    bool (*supply_good)(void *user);
    void *user; /* handed to the three functions */
} ps_port_t;

/* ---- Tables, generated from the schema; const ---------------------------------------------- */

/* ps_field_t.form: how the bytes of an element are ordered as numbers, and what else it is. */
#define PS_UNSIGNED 0x00u
#define PS_SIGNED 0x01u
#define PS_FLOAT 0x02u
#define PS_FORM 0x03u   /* mask of the three above */
#define PS_TEXT 0x04u   /* bytes of a text: the member has one more byte, always 0 */
#define PS_MASK 0x08u   /* `limits` is one key: the bits that may be set */
#define PS_X 0x10u      /* x of a curve: the field behind is its y */
#define PS_Y 0x20u      /* y of a curve: the field before is its x */

/* One field: a run of equal elements. Limits are keys: the `size` bytes of an element, changed so
 * that they order as numbers do when compared byte by byte, first byte first. The most significant
 * byte is first; if signed, its top bit is inverted; a float below zero is a two's complement. */
typedef struct ps_field {
    const uint8_t *limits; /* NULL if there are none */
    uint16_t offset;       /* in the payload of its group, bytes */
    uint16_t member;       /* offset of the first element in the generated type, bytes */
    uint16_t count;        /* elements, 1 or more */
    uint8_t size;          /* of an element: 1, 2, 4 or 8 bytes; 0: `count` bytes without a member */
    uint8_t form;          /* PS_UNSIGNED ... PS_Y */
    uint8_t range_count;   /* pairs of lowest and highest allowed key, ascending; 0: any */
    uint8_t group;         /* index of its group */
    uint8_t since;         /* first revision of the group whose records hold it */
} ps_field_t;

/* Field `low` must stay strictly below field `high`, element by element.
 * If both are the same field, each of its elements must be less than the next: a rising axis. */
typedef struct ps_rule {
    const ps_field_t *low;
    const ps_field_t *high;
} ps_rule_t;

/* One group and its ring. */
typedef struct ps_group {
    const uint8_t *defaults; /* the payload with all defaults, as it lies on the EEPROM */
    const ps_rule_t *rules;  /* NULL if there are none */
    uint32_t crc_start;      /* CRC register after the store id and the group id */
    uint32_t address;        /* of slot 0, bytes */
    uint16_t slots;          /* 2 or more */
    uint16_t slot_bytes;     /* whole pages */
    uint16_t body_bytes;     /* payload and bytes reserved for growth */
    uint16_t first_field;
    uint16_t field_count;
    uint16_t ring;           /* offset of its ring in the generated type, bytes */
    uint8_t rule_count;
    uint8_t copies;  /* records of one commit */
    uint8_t revision;
    uint8_t flags;   /* PS_PROTECTED, PS_RESERVED */
} ps_group_t;

#define PS_PROTECTED 0x01u /* ps_unlock before a change */
#define PS_RESERVED 0x02u  /* has bytes without a member, of former fields: a commit keeps them */

/* Where an earlier release kept a field. The row applies if the newest record of the field's group
 * is of a revision before `since`, and that of `source` of one of the `span` revisions from
 * `source_since` on. All rows of a parameter are together, for each field the latest place first. A
 * group that is the source of another one comes after it. */
typedef struct ps_migration {
    /* Convert one element from bytes as they lie on the EEPROM to the member's type; false: no
     * value can hold it. NULL: the same bytes. */
    bool (*convert)(const uint8_t *from, void *to);
    const ps_field_t *field;
    uint16_t offset; /* in the body of the source's record */
    uint16_t count;  /* elements there */
    uint8_t size;    /* of one there, bytes */
    uint8_t since;
    uint8_t source;  /* index of a group; retired ones stand behind the others */
    uint8_t source_since;
    uint8_t span;
    uint8_t more_of_field;     /* rows of the same field that follow */
    uint8_t more_of_parameter; /* and of the same parameter */
} ps_migration_t;

/* What the label of an earlier release says of it: release, store id, layout id. */
#define PS_EARLIER_BYTES 10u

struct ps_store;

/* The whole store. */
typedef struct ps_layout {
    uint8_t address;        /* of the part, 7 bits */
    uint8_t address_bytes;  /* memory-address bytes on the bus: 1 or 2 */
    uint8_t block_shift;    /* where the address bits above those go in the device address */
    uint8_t label_bytes;
    uint8_t group_count;
    uint8_t ring_count;     /* with the retired groups behind, which are read to migrate values */
    uint16_t field_count;
    uint16_t values;        /* offset of the values struct in the generated type, bytes */
    uint16_t values_bytes;  /* its size */
    uint16_t page_bytes;
    uint16_t label_step;    /* from label copy 0 to copy 1, bytes */
    uint16_t poll_us;       /* time between two tries while the part is busy */
    uint16_t timeout_us;    /* twice the longest write cycle */
    uint16_t migration_count;
    uint16_t earlier_count; /* earlier releases in `earlier_labels` */
    uint16_t later_than;    /* a label of a release number above this ... */
    uint16_t later_until;   /* ... and up to this is of a later release of the same series */
    uint32_t capacity;      /* of the part, bytes */
    const uint8_t *label;   /* the label as it must lie on the part */
    const uint8_t *earlier_labels; /* PS_EARLIER_BYTES for each; NULL if there are none */
    const ps_group_t *groups;
    const ps_field_t *fields;
    const ps_migration_t *migrations;
    /* ps_migrate if there are migrations; else NULL, so that it is not linked. */
    ps_status_t (*migrate)(struct ps_store *store);
} ps_layout_t;

/* ---- Working memory ------------------------------------------------------------------------ */

/* State of one ring. Read it through ps_health and ps_sequence. */
typedef struct ps_ring {
    uint32_t sequence; /* of the newest record; 0: none */
    uint8_t health;    /* PS_HEALTH_ flags */
    uint8_t revision;  /* of the newest record; 0: none */
} ps_ring_t;

#define PS_ADDRESS_BYTES 2u

/* A store. Declare the generated type: it begins with a store; the page buffer, rings and values
 * follow. The members are private. */
typedef struct ps_store {
    const ps_layout_t *layout;
    const ps_port_t *port;
    const ps_group_t *group; /* the current one: being committed, or read */
    uint32_t crc;       /* of its record, or of a label, so far */
    uint16_t offset;    /* in the record, of the page that is being written */
    uint16_t left_us;   /* until a part that does not answer counts as failed */
    uint16_t wait_us;   /* until the next try */
    uint8_t copies;     /* records still to write; 0: no commit */
    uint8_t skipped;    /* slots that this commit has skipped since its last record */
    uint8_t phase;      /* state of the page, see "Commit" in paramstore.c */
    uint8_t state;      /* a ps_status_t: how the label was found, or why writing is refused */
    uint8_t address[PS_ADDRESS_BYTES]; /* memory address on the bus, right before the page */
} ps_store_t;

/* ---- Mount --------------------------------------------------------------------------------- */

/* Read the newest record of each group into the values. Writes nothing to the part.
 * PS_OK         every group was read
 * PS_FLAGGED    mounted; some group has a flag (defaults in use, damage seen, ...), or the first
 *               copy of the label is damaged: ps_format writes it anew
 * PS_BLANK      no label and no record on the part; the values are defaults
 * PS_OLDER      mounted; the part is of an earlier release, and values that it kept in another way
 *               were migrated in RAM (PS_HEALTH_MIGRATED). ps_format makes it a part of this
 *               release; commits are refused until then. A part of a later release is mounted as one of this
 *               release, and commits keep what the later one added
 * PS_ERR_FOREIGN, _LAYOUT, _PART   not this store: values are defaults, writing is refused
 * PS_ERR_NACK, _BUS                the part could not be read: values are defaults */
ps_status_t ps_mount(ps_store_t *store);

/* Write the label copies that are not whole, so that commits are accepted. On a part of an earlier
 * release it commits the migrated values first. On a part that mount found blank it reads label
 * copy 0 and every page of all rings again, before and after it writes label copy 1, and returns
 * PS_ERR_FOREIGN if anything is there; then mount again. Pages outside label and rings are neither
 * read nor written. Writes nothing if the label is whole. After a power cut, mount and format
 * again. */
ps_status_t ps_format(ps_store_t *store);

/* Erase label and rings, every page, whatever they hold. Then the part is blank, and no byte of a
 * record is left. If it is interrupted, ps_mount returns PS_ERR_FOREIGN until another ps_wipe is
 * complete. */
ps_status_t ps_wipe(ps_store_t *store);

/* Read one group from the part again; changes in RAM are lost. PS_FLAGGED: see ps_health. If the
 * part cannot be read, nothing is written until the next ps_mount. */
ps_status_t ps_reload(ps_store_t *store, uint8_t group);

/* Called by ps_mount through the tables: migrate the values that earlier releases kept elsewhere.
 * Returns PS_OK, or the error of the bus. */
ps_status_t ps_migrate(ps_store_t *store);

/* ---- Values -------------------------------------------------------------------------------- */

/* Copy `count` elements from `values` (an array of the member's type) to field `field`, from
 * element `first` on. All or nothing. The generated setters call this with the right type.
 * Limits are checked here; rules between values by the commit (PS_ERR_RULE), so that two values
 * can be changed one after the other. */
ps_status_t ps_set(ps_store_t *store, uint16_t field, uint16_t first, uint16_t count,
                   const void *values);

/* Copy a text that ends with 0; PS_ERR_ARGUMENT if it is longer than the field, PS_ERR_LIMIT if it
 * is not UTF-8. */
ps_status_t ps_set_text(ps_store_t *store, uint16_t field, const char *text);

/* Give one field, or all fields of a group, their default values, in RAM. */
ps_status_t ps_reset_field(ps_store_t *store, uint16_t field);
ps_status_t ps_reset(ps_store_t *store, uint8_t group);

/* Mark a group as changed after writing to the values struct directly. The commit checks limits,
 * rules and texts, and fills a text with 0 behind its end. */
ps_status_t ps_touch(ps_store_t *store, uint8_t group);

/* Open a protected group (identity, calibration) for changes and one commit; close it again. */
ps_status_t ps_unlock(ps_store_t *store, uint8_t group);
ps_status_t ps_lock(ps_store_t *store, uint8_t group);

/* Flags of a group, PS_HEALTH_; PS_HEALTH_DEFAULTS for a group that does not exist. */
uint8_t ps_health(const ps_store_t *store, uint8_t group);

/* Sequence number of the newest record of a group; 0: none. */
uint32_t ps_sequence(const ps_store_t *store, uint8_t group);

/* ---- Commit -------------------------------------------------------------------------------- */

/* Write a group to the EEPROM and read it back. PS_OK: it is there after any later power cut.
 * PS_ERR_LIMIT, PS_ERR_RULE: nothing was written; if both are due it is PS_ERR_RULE. Returns PS_OK
 * at once if nothing changed. On an error the part holds the values committed last, or the new
 * ones, never a mixture; the group stays changed: call again to try again. */
ps_status_t ps_commit(ps_store_t *store, uint8_t group);

/* The same for every changed group, one after another. Returns the first error; goes on after one
 * that concerns its group only (PS_ERR_LOCKED, _LIMIT, _RULE, _VERIFY, _FULL). */
ps_status_t ps_commit_all(ps_store_t *store);

/* Commit a group although nothing changed, locked or not: after PS_HEALTH_COPIES, PS_HEALTH_DAMAGE
 * or PS_HEALTH_LIMIT, to have all copies, and the values in RAM, on the part again. A changed group
 * is committed as ps_commit does. PS_ERR_STATE if the group has no record. */
ps_status_t ps_refresh(ps_store_t *store, uint8_t group);

/* The same without waiting: begin, then call ps_step from the main loop until it returns
 * something other than PS_PENDING. `elapsed_us` is the time since the last call (or since
 * ps_commit_begin). Each step makes the transfers of at most one page. */
ps_status_t ps_commit_begin(ps_store_t *store, uint8_t group);
ps_status_t ps_step(ps_store_t *store, uint16_t elapsed_us);

/* ---- Factory image ------------------------------------------------------------------------- */

/* Give each group that has no record its factory values, and commit it; write the label before, if
 * there is none. `image` is one of this layout and release as `paramstore pack` makes it: the bytes
 * of a whole part from address 0 on, in the controller's own memory. A group that has no record in
 * it gets none. NULL: defaults, but no record for protected groups: a default is no calibration.
 * Call it after ps_mount returned PS_BLANK, or PS_FLAGGED for groups with PS_HEALTH_DEFAULTS. A
 * group with a record, or with values of an earlier release, stays as it is. After a power cut do
 * the same at the next boot: it continues.
 * PS_OK          every group with factory values has a record, except those that ps_commit_all has
 *                to store (PS_OLDER)
 * PS_ERR_LAYOUT  the image is of another layout, damaged, or of a unit in use; nothing was written
 * Otherwise as ps_format and ps_commit. */
ps_status_t ps_provision(ps_store_t *store, const uint8_t *image);

#ifdef __cplusplus
}
#endif

#endif
