/* Random histories of one group under a commit rule, with cells that read differently each time.
 *
 * Only the rule is here, not the firmware: a slot has the pages of a record and the cells of a seal.
 * A page whose write was cut is weak until it is written again. A weak page of a record reads as the
 * new one, as the old one or as neither, each with a chance of its own; each cell of a weak seal that
 * was to change reads as its new bit with a chance of its own. All are drawn anew at every reading.
 *
 * The rule is told in sealed_rule.py; `setting_t` has what may be left out of it.
 */
#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { MOST_SLOTS = 9, MOST_BITS = 512, MOST_PAGES = 4, MOST_RECORDS = 256 };
enum { ERASED = -1, NEITHER = -2 }; /* instead of a record */

typedef enum { NEWEST, NEWEST_SETTLED, SEALED } rule_t;
typedef enum { NOTHING, GUARDED, FRONT } keep_t;
typedef enum { UNIFORM, COMMON, AROUND, ONE_CELL, PHASES, ANY_MODEL } model_t;

typedef struct {
    rule_t rule;
    keep_t keep;                   /* which slots a write to settle leaves alone */
    int slots, pages, bits;
    double taken, guarded, used;   /* evidence of a candidate, a guarded one, one used at once */
    int complete;                  /* readings that all agree in full: no more are taken */
    int readings;                  /* of a seal, else */
    int greatest, last, settle;    /* 0: number from the chosen record; seal first; use at once */
    model_t model;                 /* of the cells of a seal whose write was cut */
    int least_ops, most_ops;       /* of a history */
    double cut;                    /* chance that the power fails in a write */
    double near;                   /* chance that a cut seal lies beside a threshold */
    double shift;                  /* by how much the chances of weak cells turn together */
} setting_t;

typedef struct {
    int weak, from, to;            /* what it held before, what it was to hold: records */
    double as_new, as_old;
} page_t;

typedef struct {
    int weak, from, to;
    uint16_t chance[MOST_BITS];    /* of reading the new bit, in 1/65536 */
} seal_t;

typedef struct {
    page_t page[MOST_PAGES];
    seal_t seal;
} slot_t;

typedef struct {
    slot_t slot[MOST_SLOTS];
    long number[MOST_RECORDS], version[MOST_RECORDS]; /* of each record of the history */
    int records;
    uint64_t salt;
} part_t;

typedef struct {
    int chosen, settled;           /* a record or NEITHER; whether it may be used at once */
    long greatest;                 /* number of a right record */
    int kept[MOST_SLOTS];          /* slots that the next write leaves alone */
} mount_t;

typedef struct {
    uint64_t histories, commits, cuts, boots, unsettled, older, defaults, back;
} totals_t;

static uint64_t state;

static uint64_t draw(void) /* xorshift64*: Vigna, ACM TOMS 42 (2016) 30 */
{
    state ^= state >> 12;
    state ^= state << 25;
    state ^= state >> 27;
    return state * 2685821657736338717u;
}

static uint64_t mix(uint64_t x) /* splitmix64: Steele, Lea, Flood, OOPSLA 2014 */
{
    x += 0x9E3779B97F4A7C15u;
    x = (x ^ x >> 30) * 0xBF58476D1CE4E5B9u;
    x = (x ^ x >> 27) * 0x94D049BB133111EBu;
    return x ^ x >> 31;
}

static double chance(void) { return (double)(draw() >> 11) * 0x1p-53; }

static int below(int n) { return (int)(chance() * n); }

static double gauss(void)
{
    double sum = 0;
    for (int i = 0; i < 12; i++) { sum += chance(); }
    return sum - 6;
}

static double within(double x) { return x < 0 ? 0 : x > 1 ? 1 : x; }

/* 64 cells of the seal of a record, as its CRC would give them; erased cells read 1. */
static uint64_t pattern(const part_t *part, int record, int word)
{
    return record == ERASED ? ~0ull
                            : mix(part->salt ^ ((uint64_t)record * 8191u + (uint64_t)word));
}

/* ---- What a cut leaves --------------------------------------------------------------------- */

static void tear_page(page_t *page, int to)
{
    double kind = chance(), p = chance();
    page->from = page->weak && chance() < 0.5 ? page->from : page->to;
    page->to = to;
    page->weak = 1;
    if (kind < 0.25) { /* a single weak cell, all else new, old, or new but for it */
        int which = below(3);
        page->as_new = which == 1 ? 0 : p;
        page->as_old = which == 0 ? 0 : which == 1 ? p : 1 - p;
    } else if (kind < 0.5) {
        page->as_new = p;
        page->as_old = (1 - p) * chance();
    } else { /* it reads the same each time */
        int what = below(3);
        page->as_new = what == 0;
        page->as_old = what == 1;
    }
}

/* A cell whose bit stays the same reads right whatever its chance: only half of them are at stake. */
static void tear_seal(const setting_t *s, const part_t *part, seal_t *seal, int to)
{
    model_t model = s->model == ANY_MODEL ? (model_t)below(ANY_MODEL) : s->model;
    double common = chance(), spread = 0.2 * chance(), phase = chance();
    int erasing = chance() < 0.5, one = below(s->bits), rest = chance() < 0.5;
    seal->from = seal->weak && chance() < 0.5 ? seal->from : seal->to;
    seal->to = to;
    seal->weak = 1;
    if (chance() < s->near) { /* half of the cells change: their chance makes the evidence */
        const double at[3] = {s->taken, s->guarded, s->used};
        common = within(2 * (at[below(3)] - 0.5) + 0.06 * (chance() - 0.5));
    }
    for (int i = 0; i < s->bits; i++) {
        int was = (int)(pattern(part, seal->from, i / 64) >> i % 64 & 1);
        int is = (int)(pattern(part, seal->to, i / 64) >> i % 64 & 1);
        double p = common;
        if (model == UNIFORM) {
            p = chance();
        } else if (model == AROUND) {
            p = within(common + spread * gauss());
        } else if (model == ONE_CELL) {
            p = i == one ? chance() : rest;
        } else if (model == PHASES) { /* the part takes all cells to 1, then some to 0 */
            double moment = 0.5 + 0.08 * gauss();
            double turned = 1 / (1 + exp((moment - phase) / (0.01 + 0.05 * spread)));
            p = erasing ? (is ? turned : was ? 0 : 1 - turned) : is ? 1 : turned;
        }
        seal->chance[i] = (uint16_t)(65535 * p);
    }
}

/* ---- One reading --------------------------------------------------------------------------- */

/* Return the share of a seal's cells that agree with the seal of `record`. */
static double agreement(const setting_t *s, const part_t *part, const seal_t *seal, int record)
{
    int agree = 0;
    long shift = (long)(65535 * s->shift * (2 * chance() - 1));
    for (int word = 0; word < s->bits / 64; word++) {
        uint64_t read = pattern(part, seal->to, word);
        if (seal->weak) {
            uint64_t changing = read ^ pattern(part, seal->from, word), random = 0;
            for (int i = 0; i < 64; i++, random >>= 16) {
                if (i % 4 == 0) { random = draw(); }
                if ((long)(random & 0xFFFF) >= seal->chance[word * 64 + i] + shift) {
                    read ^= changing & 1ull << i;
                }
            }
        }
        agree += __builtin_popcountll(~(read ^ pattern(part, record, word)));
    }
    return (double)agree / s->bits;
}

static double evidence(const setting_t *s, const part_t *part, int slot, int record)
{
    const seal_t *seal = &part->slot[slot].seal;
    double sum = 0;
    for (int i = 0; i < s->readings; i++) {
        if (s->complete && i == s->complete && sum == i) { return 1; }
        sum += agreement(s, part, seal, record);
    }
    return sum / s->readings;
}

/* Return the record that a slot holds, or NEITHER. */
static int read_record(const setting_t *s, const part_t *part, int slot)
{
    int found = NEITHER;
    for (int i = 0; i < s->pages; i++) {
        const page_t *page = &part->slot[slot].page[i];
        int read = page->to;
        if (page->weak) {
            double u = chance();
            read = u < page->as_new                  ? page->to
                   : u < page->as_new + page->as_old ? page->from
                                                     : NEITHER;
        }
        if (i > 0 && read != found) { return NEITHER; }
        found = read;
    }
    return found >= 0 && part->number[found] % s->slots == slot ? found : NEITHER;
}

/* ---- The rule ------------------------------------------------------------------------------ */

/* Keep the slots of which no newer one has as much evidence. If that is all, write over the one
 * with the least. */
static void keep_front(const setting_t *s, mount_t *found, int chosen, const double *of,
                       const long *number)
{
    int worst = -1, any = 0;
    for (int i = 0; i < s->slots; i++) {
        found->kept[i] = of[i] >= s->taken - 0.05;
        for (int k = 0; k < s->slots; k++) {
            if (of[k] >= of[i] && number[k] > number[i]) { found->kept[i] = 0; }
        }
        found->kept[i] |= i == chosen;
        any |= !found->kept[i];
        if (worst < 0 || of[i] < of[worst]) { worst = i; }
    }
    if (!any) { found->kept[worst] = 0; }
}

static mount_t mount(const setting_t *s, const part_t *part)
{
    mount_t found = {NEITHER, 1, 0, {0}};
    long number[MOST_SLOTS] = {0}, best = -1, guarded = -1, sure = -1;
    double of[MOST_SLOTS];
    for (int slot = 0; slot < s->slots; slot++) {
        int record = read_record(s, part, slot);
        of[slot] = -1;
        if (record < 0) { continue; }
        number[slot] = part->number[record];
        of[slot] = s->rule == SEALED ? evidence(s, part, slot, record) : 1;
        if (number[slot] > found.greatest) { found.greatest = number[slot]; }
        if (of[slot] >= s->taken && number[slot] > best) {
            best = number[slot];
            found.chosen = record;
        }
        if (of[slot] >= s->guarded && number[slot] > guarded) { guarded = number[slot]; }
        if (of[slot] >= s->used && number[slot] > sure) { sure = number[slot]; }
    }
    if (found.chosen == NEITHER) { return found; }
    int chosen = (int)(best % s->slots);
    found.settled = s->rule == NEWEST ||
                    (s->rule == SEALED && (of[chosen] >= s->used || !s->settle));
    found.kept[chosen] = 1;
    if (!found.settled && s->rule == SEALED) {
        if (s->keep == FRONT) { keep_front(s, &found, chosen, of, number); }
        if (s->keep == GUARDED && guarded >= 0) { found.kept[guarded % s->slots] = 1; }
        if (s->keep == GUARDED && sure >= 0) { found.kept[sure % s->slots] = 1; }
    }
    if (!s->greatest) { found.greatest = best; }
    return found;
}

/* Write a record; return whether it was acknowledged, else the power was cut. */
static int commit(const setting_t *s, part_t *part, mount_t *known, long version, int cut)
{
    int sealed = s->rule == SEALED, steps = s->pages + sealed;
    int cut_at = cut ? below(steps) : steps, record = part->records++;
    long number = known->greatest + 1;
    while (known->kept[number % s->slots]) { number++; }
    slot_t *to = &part->slot[number % s->slots];
    part->number[record] = known->greatest = number;
    part->version[record] = version;
    for (int i = 0; i < steps; i++) {
        int page = s->last || !sealed ? i : i - 1;
        int seal = sealed && (s->last ? i == s->pages : i == 0);
        if (i == cut_at && seal) { tear_seal(s, part, &to->seal, record); }
        if (i == cut_at && !seal) { tear_page(&to->page[page], record); }
        if (i == cut_at) { return 0; }
        if (seal) { to->seal.weak = 0; to->seal.to = record; }
        else { to->page[page].weak = 0; to->page[page].to = record; }
    }
    memset(known->kept, 0, sizeof known->kept);
    known->kept[number % s->slots] = 1;
    known->chosen = record;
    return 1;
}

/* ---- Histories ----------------------------------------------------------------------------- */

/* Boot until values are used; return their version, 0 for defaults, -1 if the history is too long. */
static long boot(const setting_t *s, part_t *part, mount_t *known, totals_t *totals)
{
    for (;;) {
        totals->boots++;
        *known = mount(s, part);
        if (known->chosen == NEITHER) { return 0; }
        long version = part->version[known->chosen];
        if (known->settled) { return version; }
        if (part->records == MOST_RECORDS) { return -1; }
        int cut = chance() < s->cut;
        totals->unsettled++;
        totals->cuts += (uint64_t)cut;
        if (commit(s, part, known, version, cut)) { return version; }
    }
}

static void history(const setting_t *s, totals_t *totals)
{
    static part_t part;
    mount_t known = {NEITHER, 1, 0, {0}};
    long acknowledged = 1, used = 1, version = 1;
    int ops = s->least_ops + below(s->most_ops - s->least_ops + 1);
    memset(&part, 0, sizeof part);
    part.salt = draw();
    for (int i = 0; i < s->slots; i++) {
        for (int k = 0; k < s->pages; k++) { part.slot[i].page[k].to = ERASED; }
        part.slot[i].seal.to = ERASED;
    }
    commit(s, &part, &known, version, 0);
    totals->histories++;
    for (int op = 0; op < ops && part.records < MOST_RECORDS; op++) {
        if (chance() < 0.7) {
            int cut = chance() < s->cut;
            totals->commits++;
            totals->cuts += (uint64_t)cut;
            if (commit(s, &part, &known, ++version, cut)) { acknowledged = used = version; continue; }
        }
        long found = boot(s, &part, &known, totals);
        if (found < 0) { return; }
        totals->defaults += found == 0;
        totals->older += found > 0 && found < acknowledged;
        totals->back += found >= acknowledged && found < used;
        if (found < used) { return; }
        used = found;
    }
}

int main(int argc, char **argv)
{
    setting_t s = {SEALED, FRONT, 5, 1, 128, 0.75, 0.86, 0.96, 2, 18, 1, 1, 1,
                   ANY_MODEL, 4, 14, 0.5, 0.5, 0};
    uint64_t first = 0, histories = 100000, seed = 1;
    for (int i = 1; i + 1 < argc; i += 2) {
        const char *name = argv[i];
        double value = atof(argv[i + 1]);
#define TAKE(field) else if (!strcmp(name, #field)) { s.field = (__typeof__(s.field))value; }
        if (!strcmp(name, "histories")) { histories = (uint64_t)value; }
        else if (!strcmp(name, "first")) { first = (uint64_t)value; }
        else if (!strcmp(name, "seed")) { seed = (uint64_t)value; }
        TAKE(rule) TAKE(keep) TAKE(slots) TAKE(pages) TAKE(bits) TAKE(taken) TAKE(guarded)
        TAKE(used) TAKE(complete) TAKE(readings) TAKE(greatest) TAKE(last) TAKE(settle) TAKE(model)
        TAKE(least_ops) TAKE(most_ops) TAKE(cut) TAKE(near) TAKE(shift)
        else { fprintf(stderr, "what is %s?\n", name); return 2; }
    }
    totals_t t = {0};
    for (uint64_t i = first; i < first + histories; i++) {
        state = mix(mix(seed) + i) | 1;
        history(&s, &t);
    }
    printf("%llu %llu %llu %llu %llu %llu %llu %llu\n", (unsigned long long)t.histories,
           (unsigned long long)t.commits, (unsigned long long)t.cuts, (unsigned long long)t.boots,
           (unsigned long long)t.unsettled, (unsigned long long)t.older,
           (unsigned long long)t.defaults, (unsigned long long)t.back);
    return 0;
}
