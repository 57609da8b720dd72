/* dimmer_params.c: written by paramstore from the schema of `dimmer`. Change that, not this.
 *
 * This file belongs to the owner of the schema. For its interface see dimmer_params.h.
 */
#include "dimmer_params.h"

#include <limits.h>
#include <stddef.h>

/* ---- What the tables rely on --------------------------------------------------------------- */

#if CHAR_BIT != 8
#error "a byte must have 8 bits"
#endif
typedef char dimmer_needs_sizeof_bool_1[sizeof(bool) == 1u ? 1 : -1];
typedef char dimmer_needs_memory_below_64_KiB[sizeof(dimmer_t) - 1u < 65535u ? 1 : -1];
typedef char dimmer_needs_the_page_behind_the_store[offsetof(dimmer_t, page) == sizeof(ps_store_t) ? 1 : -1];

/* ---- Limits: keys of the lowest and highest value of each range ---------------------------- */

static const uint8_t limits[] = {
    /* 0: settings.level: 0 .. 100 % */
    0x00, 0x64,
    /* 2: settings.fade_ms: 0 .. 5000 ms */
    0x00, 0x00, 0x13, 0x88,
    /* 6: settings.on: false .. true */
    0x00, 0x01,
};

/* ---- Defaults: the payload of each group as it lies on the EEPROM -------------------------- */

static const uint8_t defaults_settings[] = {
    /* level: 60 % */
    0x3C,
    /* fade_ms: 400 ms */
    0x90, 0x01,
    /* on: false */
    0x00,
};

/* ---- Fields -------------------------------------------------------------------------------- */

static const ps_field_t fields[] = {
    { /* settings.level, DIMMER_SETTINGS_LEVEL */
        .limits = &limits[0],
        .offset = 0u,
        .member = (uint16_t)offsetof(dimmer_t, values.settings.level),
        .count = 1u,
        .size = 1u,
        .form = PS_UNSIGNED,
        .range_count = 1u,
        .group = DIMMER_SETTINGS,
        .since = 1u,
    },
    { /* settings.fade_ms, DIMMER_SETTINGS_FADE_MS */
        .limits = &limits[2],
        .offset = 1u,
        .member = (uint16_t)offsetof(dimmer_t, values.settings.fade_ms),
        .count = 1u,
        .size = 2u,
        .form = PS_UNSIGNED,
        .range_count = 1u,
        .group = DIMMER_SETTINGS,
        .since = 1u,
    },
    { /* settings.on, DIMMER_SETTINGS_ON */
        .limits = &limits[6],
        .offset = 3u,
        .member = (uint16_t)offsetof(dimmer_t, values.settings.on),
        .count = 1u,
        .size = 1u,
        .form = PS_UNSIGNED,
        .range_count = 1u,
        .group = DIMMER_SETTINGS,
        .since = 1u,
    },
};

/* ---- Groups -------------------------------------------------------------------------------- */

static const ps_group_t groups[] = {
    { /* DIMMER_SETTINGS */
        .defaults = defaults_settings,
        .rules = NULL,
        .crc_start = 0x19E3E334u, /* store id FBF885A5, group id 1 */
        .address = 0x00030u, /* page 6 */
        .slots = 3u,
        .slot_bytes = 16u, /* 2 pages */
        .body_bytes = 7u,
        .first_field = DIMMER_SETTINGS_LEVEL,
        .field_count = 3u,
        .ring = (uint16_t)offsetof(dimmer_t, rings[DIMMER_SETTINGS]),
        .rule_count = 0u,
        .copies = 1u,
        .revision = 1u,
        .flags = 0, /* setting */
    },
};

/* ---- The store ----------------------------------------------------------------------------- */

static const uint8_t label[] = {
    /* FORMAT.md, 2 */
    0x50, 0x53, 0x4C, 0xD5, 0x01, 0x13, 0x00, 0x00, 0xA5, 0x85, 0xF8, 0xFB,
    0x84, 0xFE, 0x0B, 0x96, 0x00, 0x00, 0x00, 0x00, 0x45, 0x76, 0x38, 0xE2,
};

const ps_layout_t dimmer_layout = {
    .address = 0x50u,
    .address_bytes = 1u,
    .block_shift = 0u,
    .label_bytes = 24u,
    .group_count = DIMMER_GROUP_COUNT,
    .ring_count = 1u,
    .field_count = 3u,
    .values = (uint16_t)offsetof(dimmer_t, values),
    .values_bytes = (uint16_t)sizeof(dimmer_values_t),
    .page_bytes = 8u,
    .label_step = 24u,
    .poll_us = 250u,
    .timeout_us = 10000u, /* write cycle of at most 5 ms */
    .migration_count = 0u,
    .earlier_count = 0u,
    .later_than = 65535u,
    .later_until = 0u,
    .capacity = 256uL,
    .label = label,
    .earlier_labels = NULL,
    .groups = groups,
    .fields = fields,
    .migrations = NULL,
    .migrate = NULL,
};

void dimmer_init(dimmer_t *unit, const ps_port_t *port)
{
    const ps_store_t store = {
        .layout = &dimmer_layout,
        .port = port,
        .group = NULL,
        .crc = 0u,
        .offset = 0u,
        .left_us = 0u,
        .wait_us = 0u,
        .copies = 0u,
        .skipped = 0u,
        .phase = 0u,
        .state = (uint8_t)PS_ERR_STATE,
        .address = {0u, 0u},
    };
    const ps_ring_t ring = {
        .sequence = 0u,
        .health = PS_HEALTH_DEFAULTS,
        .revision = 0u,
    };
    uint8_t g;

    unit->store = store;
    for (g = 0u; g < dimmer_layout.ring_count; ++g) {
        unit->rings[g] = ring;
    }
}
