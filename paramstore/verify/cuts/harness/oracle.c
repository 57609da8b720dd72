/* oracle.c: see oracle.h. */
#include "oracle.h"

#include <stddef.h>

#include "bytes.h"

Oracle_t oracle;
Oracle_limits_t oracle_limits;
uint32_t oracle_limited;
uint64_t oracle_late;
Cuts_VALUES_T oracle_pictures[Cuts_PICTURES + 1];

/* Where the values of each group lie in the values struct, and how many pictures it has. */
typedef struct span {
    uint16_t offset;
    uint16_t size;
    uint16_t pictures;
} Span_t;

#define Cuts_SPAN(member, pictures) \
    {(uint16_t)offsetof(Cuts_VALUES_T, member), \
     (uint16_t)sizeof(((Cuts_VALUES_T *)NULL)->member), (pictures)},
static const Span_t spans[Cuts_GROUPS] = {Cuts_SPANS};

/* Of a group that has never been committed, so that it has defaults; or what a record of another group
 * holds where an earlier release kept it, which are defaults too on a part that no earlier release has
 * written to. */
#define UNCOMMITTED (PS_HEALTH_DEFAULTS | PS_HEALTH_MIGRATED)

const Oracle_finding_t oracle_good = {Oracle_GOOD, Cuts_GROUPS, Oracle_VERSION, 0, 0};

Oracle_finding_t oracle_finding(uint32_t verdict, unsigned group, uint32_t what, uint32_t expected,
                                uint32_t found)
{
    Oracle_finding_t finding;
    finding.verdict = verdict;
    finding.group = group;
    finding.what = what;
    finding.expected = expected;
    finding.found = found;
    return finding;
}

void oracle_blank(void)
{
    memset(&oracle, 0, sizeof oracle);
}

void oracle_packed(uint32_t present)
{
    unsigned g;
    oracle_blank();
    for (g = 0; g < Cuts_GROUPS; ++g) {
        if (g >= 32u || (present >> g & 1u) != 0u) {
            oracle.groups[g].tried = 1;
            oracle.groups[g].settled = 1;
            oracle.groups[g].acked = 1;
            oracle.groups[g].landed = 2;
        }
    }
}

/* ---- Versions and pictures ----------------------------------------------------------------- */

static const uint8_t *picture(unsigned group, unsigned version)
{
    const Span_t *span = &spans[group];
    unsigned index = version > 0u ? (version - 1u) % span->pictures : Cuts_PICTURES;
    return (const uint8_t *)&oracle_pictures[index] + span->offset;
}

static const uint8_t *group_values(const ps_store_t *store, unsigned group)
{
    return (const uint8_t *)store + store->layout->values + spans[group].offset;
}

static bool shows(const ps_store_t *store, unsigned group, unsigned version)
{
    return memcmp(group_values(store, group), picture(group, version), spans[group].size) == 0;
}

uint32_t oracle_version(const ps_store_t *store, unsigned group)
{
    unsigned version = oracle.groups[group].tried + 1u;
    while (version-- > 0u) {
        if (shows(store, group, version)) {
            return version;
        }
    }
    return Oracle_NO_VERSION;
}

static bool has(uint32_t versions, unsigned version)
{
    return (versions >> version % 32u & 1u) != 0u;
}

static void settle(Oracle_group_t *known, unsigned version)
{
    known->settled = (uint16_t)version;
    known->landed |= (uint32_t)1 << version % 32u;
    known->open = 0;
}

/* ---- Commits ------------------------------------------------------------------------------- */

void oracle_try(unsigned group)
{
    Oracle_group_t *known = &oracle.groups[group];
    uint32_t bit = (uint32_t)1 << ++known->tried % 32u;
    known->begun &= ~bit;
    known->landed &= ~bit;
}

void oracle_next(unsigned group, Cuts_VALUES_T *values)
{
    unsigned version;
    oracle_try(group);
    version = oracle.groups[group].tried;
    memcpy((uint8_t *)values + spans[group].offset, picture(group, version), spans[group].size);
}

void oracle_commit_cut(unsigned group)
{
    Oracle_group_t *known = &oracle.groups[group];
    known->open = known->tried;
    known->begun |= (uint32_t)1 << known->tried % 32u;
}

void oracle_wipe_cut(void)
{
    oracle.wiping = 1;
}

void oracle_wiped(void)
{
    unsigned g;
    for (g = 0; g < Cuts_GROUPS; ++g) {
        Oracle_group_t *known = &oracle.groups[g];
        known->settled = 0;
        known->acked = 0;
        known->open = 0;
        known->begun = 0;
        known->sequence = 0;
    }
    oracle.wiping = 0;
    oracle.refused = 0;
}

Oracle_finding_t oracle_format_done(ps_status_t status)
{
    ps_status_t due = oracle.refused != 0u ? PS_ERR_FOREIGN : PS_OK;
    return status == due ? oracle_good
                         : oracle_finding(Oracle_UNSTABLE, Cuts_GROUPS, Oracle_STATUS,
                                          (uint32_t)due, (uint32_t)status);
}

Oracle_finding_t oracle_commit_done(const ps_store_t *store, unsigned group, ps_status_t status,
                                    bool ready)
{
    Oracle_group_t *known = &oracle.groups[group];
    uint32_t sequence = ps_sequence(store, (uint8_t)group);
    ps_status_t due = ready ? PS_OK : oracle.refused != 0u ? PS_ERR_FOREIGN : PS_ERR_STATE;
    if (status != due) {
        return oracle_finding(Oracle_UNSTABLE, group, Oracle_STATUS, (uint32_t)due,
                              (uint32_t)status);
    }
    if (!ready) {
        return oracle_good;
    }
    if (!shows(store, group, known->tried)) {
        return oracle_finding(Oracle_CHANGED, group, Oracle_VERSION, known->tried,
                              oracle_version(store, group));
    }
    if (sequence <= known->sequence) {
        return oracle_finding(Oracle_BACK, group, Oracle_NUMBER, known->sequence, sequence);
    }
    if ((ps_health(store, (uint8_t)group) & (UNCOMMITTED | PS_HEALTH_DIRTY)) != 0u) {
        return oracle_finding(Oracle_UNFLAGGED, group, Oracle_FLAGS, known->tried,
                              ps_health(store, (uint8_t)group));
    }
    known->sequence = sequence;
    known->acked = known->tried;
    known->begun = 0;
    settle(known, known->tried);
    return oracle_good;
}

/* ---- Boots --------------------------------------------------------------------------------- */

/* Why a group may not serve what it serves. */
static Oracle_finding_t why_wrong(const ps_store_t *store, unsigned group)
{
    const Oracle_group_t *known = &oracle.groups[group];
    uint32_t found = oracle_version(store, group);
    uint32_t verdict = Oracle_RETURNED;
    if (found == Oracle_NO_VERSION) {
        verdict = Oracle_MIXED;
    } else if (found == 0u) {
        verdict = Oracle_EMPTY;
    } else if (found > known->settled) {
        verdict = has(known->begun, found) ? Oracle_UNSTABLE : Oracle_MIXED;
    } else if (has(known->landed, found)) {
        verdict = found < known->acked ? Oracle_LOST : Oracle_BACK;
    }
    return oracle_finding(verdict, group, Oracle_VERSION, known->settled, found);
}

/* The version of an interrupted commit that is served, the latest one if several look alike; 0 if it is
 * none that may be. */
static unsigned interrupted(const ps_store_t *store, unsigned group)
{
    const Oracle_group_t *known = &oracle.groups[group];
    unsigned version;
    for (version = known->open; version > known->settled; --version) {
        if (has(known->begun, version) && shows(store, group, version)) {
            oracle_late += version < known->open;
            return version;
        }
    }
    return 0;
}

static Oracle_finding_t boot_group(const ps_store_t *store, unsigned group)
{
    Oracle_group_t *known = &oracle.groups[group];
    unsigned health = ps_health(store, (uint8_t)group);
    uint32_t sequence = ps_sequence(store, (uint8_t)group);
    bool taken = oracle.older != 0u && (health & PS_HEALTH_MIGRATED) != 0u;
    bool defaults = (health & (oracle.older != 0u ? PS_HEALTH_DEFAULTS : UNCOMMITTED)) != 0u;
    unsigned served = known->settled;
    bool limited;
    if (!shows(store, group, served) || defaults != (served == 0u)) {
        served = defaults ? 0u : interrupted(store, group);
        if (served == 0u) {
            return why_wrong(store, group);
        }
    }
    limited = served == 1u && (oracle_limited >> group & 1u) != 0u;
    if ((!taken && defaults != (sequence == 0u)) || (health & PS_HEALTH_WORN) != 0u ||
        (!taken && limited != ((health & PS_HEALTH_LIMIT) != 0u)) ||
        (health & (PS_HEALTH_DIRTY | PS_HEALTH_MIGRATED)) == PS_HEALTH_DIRTY) {
        return oracle_finding(Oracle_UNFLAGGED, group, Oracle_FLAGS, served, health);
    }
    if (sequence < known->sequence) {
        return oracle_finding(Oracle_BACK, group, Oracle_NUMBER, known->sequence, sequence);
    }
    known->sequence = sequence;
    settle(known, served);
    return oracle_good;
}

/* An interrupted wipe has changed nothing that counts yet, or is done, or has to be done again: then
 * the part must not be taken for ours. */
static void boot_wiping(ps_status_t status)
{
    oracle.refused = status == PS_ERR_FOREIGN;
    if (status == PS_BLANK) {
        oracle_wiped();
    } else if (oracle.refused == 0u) {
        oracle.wiping = 0;
    }
}

Oracle_finding_t oracle_boot(const ps_store_t *store, ps_status_t status, bool first_label,
                             bool second_label)
{
    unsigned health = 0;
    bool records = false;
    ps_status_t due;
    unsigned g;
    if (oracle.wiping != 0u) {
        boot_wiping(status);
        if (oracle.refused != 0u) {
            return oracle_good;
        }
    }
    if (ps_failed(status)) {
        return oracle_finding(Oracle_REFUSED, Cuts_GROUPS, Oracle_STATUS, PS_OK, (uint32_t)status);
    }
    for (g = 0; g < Cuts_GROUPS; ++g) {
        Oracle_finding_t wrong = boot_group(store, g);
        if (wrong.verdict != Oracle_GOOD) {
            return wrong;
        }
        health |= ps_health(store, (uint8_t)g);
        records = records || oracle.groups[g].settled != 0u;
    }
    due = oracle.older != 0u                         ? PS_OLDER
        : !first_label && !second_label && !records ? PS_BLANK
        : !first_label || health != 0u              ? PS_FLAGGED
                                                    : PS_OK;
    if (status != due) {
        return oracle_finding(Oracle_UNFLAGGED, Cuts_GROUPS, Oracle_STATUS, (uint32_t)due,
                              (uint32_t)status);
    }
    return oracle_good;
}

Oracle_finding_t oracle_reload_done(const ps_store_t *store, unsigned group, ps_status_t status)
{
    uint32_t settled = oracle.groups[group].settled;
    unsigned health = ps_health(store, (uint8_t)group);
    if (!shows(store, group, settled) || (settled == 0u) != ((health & UNCOMMITTED) != 0u)) {
        return why_wrong(store, group);
    }
    if (status != (health != 0u ? PS_FLAGGED : PS_OK)) {
        return oracle_finding(Oracle_UNFLAGGED, group, Oracle_STATUS,
                              health != 0u ? PS_FLAGGED : PS_OK, (uint32_t)status);
    }
    return oracle_good;
}

unsigned oracle_served(const ps_store_t *store, unsigned group)
{
    const Oracle_group_t *known = &oracle.groups[group];
    unsigned health = ps_health(store, (uint8_t)group);
    unsigned version;
    if ((health & UNCOMMITTED) != 0u) {
        return !shows(store, group, 0u) ? Served_WRONG
             : known->settled == 0u    ? Served_NEWEST
                                       : Served_DEFAULTS;
    }
    if (shows(store, group, known->settled) && known->settled != 0u) {
        return Served_NEWEST;
    }
    for (version = known->open; version > known->settled; --version) {
        if (has(known->begun, version) && shows(store, group, version)) {
            return Served_NEWEST;
        }
    }
    for (version = known->tried; version > 0u; --version) {
        if (shows(store, group, version)) {
            return (health & PS_HEALTH_DAMAGE) != 0u ? Served_OLDER : Served_SILENTLY;
        }
    }
    return Served_WRONG;
}

void oracle_forgive(void)
{
    unsigned g;
    for (g = 0; g < Cuts_GROUPS; ++g) {
        oracle.groups[g].sequence = 0;
    }
    oracle.wiping = 0;
    oracle.refused = 0;
}
