/* dimmer_params.h: written by paramstore from the schema of `dimmer`. Change that, not this.
 *
 * This file belongs to the owner of the schema.
 *
 * For AT24C02D: 256 bytes, pages of 8 bytes, at I2C address 0x50.
 * Layout 960BFE84, not released.
 */
#ifndef DIMMER_PARAMS_H
#define DIMMER_PARAMS_H

#include <stdbool.h>
#include <stdint.h>

#include "paramstore.h"

#if PS_TABLES_VERSION != 4
#error "dimmer_params.h needs another paramstore.h: write it anew with the paramstore you use"
#endif

#ifdef __cplusplus
extern "C" {
#endif

/* ---- Groups: what is committed together ---------------------------------------------------- */

enum {
    DIMMER_SETTINGS = 0,
    DIMMER_GROUP_COUNT = 1
};

/* ---- Fields: for ps_set and ps_reset_field ------------------------------------------------- */

enum {
    DIMMER_SETTINGS_LEVEL = 0,
    DIMMER_SETTINGS_FADE_MS = 1,
    DIMMER_SETTINGS_ON = 2
};

/* ---- Constants: values as they are stored -------------------------------------------------- */

/* settings.level */
#define DIMMER_SETTINGS_LEVEL_MIN 0u
#define DIMMER_SETTINGS_LEVEL_MAX 100u
#define DIMMER_SETTINGS_LEVEL_DEFAULT 60u

/* settings.fade_ms */
#define DIMMER_SETTINGS_FADE_MS_MIN 0u
#define DIMMER_SETTINGS_FADE_MS_MAX 5000u
#define DIMMER_SETTINGS_FADE_MS_DEFAULT 400u

/* settings.on */
#define DIMMER_SETTINGS_ON_DEFAULT false

/* ---- Values -------------------------------------------------------------------------------- */

/* settings */
typedef struct {
    /* 0 .. 100 %; default 60 % */
    uint8_t level;
    /* 0 .. 5000 ms; default 400 ms */
    uint16_t fade_ms;
    /* default false */
    bool on;
} dimmer_settings_t;

typedef struct {
    dimmer_settings_t settings;
} dimmer_values_t;

/* ---- The store ----------------------------------------------------------------------------- */

/* All the memory of one store: give it static storage. `values` may be read at any time after
 * ps_mount. Change them with the functions below, which check limits; or directly, and call
 * ps_touch: then limits are checked by the commit. */
typedef struct {
    ps_store_t store; /* first argument of the ps_ functions */
    uint8_t page[24];
    ps_ring_t rings[DIMMER_GROUP_COUNT];
    dimmer_values_t values;
} dimmer_t;

/* Connect a store with its tables and your port. Nothing goes over the bus: ps_mount is next. The
 * port must stay where it is as long as the store is used. */
void dimmer_init(dimmer_t *unit, const ps_port_t *port);

extern const ps_layout_t dimmer_layout;

/* ---- Getters and setters ------------------------------------------------------------------- */

/* Setters check limits and change RAM only. Rules between values are checked by ps_commit. */

static inline uint8_t dimmer_get_settings_level(const dimmer_t *unit)
{
    return unit->values.settings.level;
}

static inline ps_status_t dimmer_set_settings_level(dimmer_t *unit, uint8_t value)
{
    return ps_set(&unit->store, DIMMER_SETTINGS_LEVEL, 0u, 1u, &value);
}

static inline uint16_t dimmer_get_settings_fade_ms(const dimmer_t *unit)
{
    return unit->values.settings.fade_ms;
}

static inline ps_status_t dimmer_set_settings_fade_ms(dimmer_t *unit, uint16_t value)
{
    return ps_set(&unit->store, DIMMER_SETTINGS_FADE_MS, 0u, 1u, &value);
}

static inline bool dimmer_get_settings_on(const dimmer_t *unit)
{
    return unit->values.settings.on;
}

static inline ps_status_t dimmer_set_settings_on(dimmer_t *unit, bool value)
{
    return ps_set(&unit->store, DIMMER_SETTINGS_ON, 0u, 1u, &value);
}

#ifdef __cplusplus
}
#endif

#endif
