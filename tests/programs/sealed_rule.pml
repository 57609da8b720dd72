/* The rule of sealed_rule.py, for Spin: every history of a few writes, each cut anywhere, and every
 * reading. sealed_model.py runs it.
 *
 * The evidence of a seal whose write was cut is a level from 0 to SURE, and a reading is off by at
 * most one level; the thresholds are TAKEN and SURE. A page of a record whose write was cut reads as
 * the new record, as the old one or as neither. `was` is the value of a record.
 */
#ifndef SLOTS
#define SLOTS 4
#endif
#ifndef WRITES
#define WRITES 6
#endif
#define TAKEN 2
#ifndef SURE
#define SURE 6
#endif
#define WHOLE (SURE + 2)

byte number[SLOTS];      /* of the record that the page holds; 0: erased */
byte was[SLOTS];         /* its value */
byte old_number[SLOTS];  /* what a weak page may read as instead */
byte old_was[SLOTS];
bool weak[SLOTS];        /* the page of the record */
byte sealed[SLOTS];      /* number of the record that the seal is for */
byte level[SLOTS];       /* its true evidence; WHOLE: complete, read without error */

byte writes, value, acknowledged, used;

/* What this boot has read. */
byte n[SLOTS], v[SLOTS], m[SLOTS];
bool keep[SLOTS];
byte greatest, chosen, best, i, k, any, worst, slot, next, val;
bool settled, running;

inline read_all() {
    greatest = 0; chosen = 255; best = 0;
    i = 0;
    do
    :: i < SLOTS ->
        n[i] = number[i]; v[i] = was[i]; m[i] = 0;
        if
        :: weak[i] -> if
            :: skip
            :: n[i] = old_number[i]; v[i] = old_was[i]
            :: n[i] = 0
            fi
        :: else
        fi;
        if
        :: n[i] != 0 && sealed[i] == n[i] && level[i] == WHOLE -> m[i] = WHOLE
        :: n[i] != 0 && sealed[i] == n[i] && level[i] < WHOLE ->
            if
            :: m[i] = level[i]
            :: level[i] > 0 -> m[i] = level[i] - 1
            :: m[i] = level[i] + 1
            fi
        :: else
        fi;
        if :: n[i] > greatest -> greatest = n[i] :: else fi;
        if :: n[i] != 0 && m[i] >= TAKEN && n[i] > best -> best = n[i]; chosen = i :: else fi;
        i++
    :: else -> break
    od
}

inline keep_front() {
    any = 0; worst = 255; i = 0;
    do
    :: i < SLOTS ->
        keep[i] = (n[i] != 0 && m[i] + 1 >= TAKEN);
        k = 0;
        do
        :: k < SLOTS ->
            if :: n[k] > n[i] && m[k] >= m[i] -> keep[i] = false :: else fi;
            k++
        :: else -> break
        od;
        if :: i == chosen -> keep[i] = true :: else fi;
        if :: !keep[i] -> any = 1 :: else fi;
        if :: worst == 255 || m[i] < m[worst] -> worst = i :: else fi;
        i++
    :: else -> break
    od;
    if :: !any -> keep[worst] = false :: else fi
}

inline keep_chosen() {
    i = 0;
    do
    :: i < SLOTS -> keep[i] = (i == chosen); i++
    :: else -> break
    od
}

/* Write `val`; `running` tells whether it was acknowledged. */
inline write() {
    writes++;
    next = greatest + 1;
    do
    :: keep[next % SLOTS] -> next++
    :: else -> break
    od;
    slot = next % SLOTS;
    greatest = next;
    if
    :: true ->                              /* cut in the page of the record */
        if
        :: old_number[slot] = number[slot]; old_was[slot] = was[slot]
        :: weak[slot]                       /* what the page was torn from before */
        fi;
        number[slot] = next; was[slot] = val; weak[slot] = true;
        running = false
    :: true ->                              /* cut in the seal: any level */
        number[slot] = next; was[slot] = val; weak[slot] = false;
        old_number[slot] = 0; old_was[slot] = 0;
        sealed[slot] = next;
        if
        :: level[slot] = 0
        :: level[slot] = TAKEN - 1
        :: level[slot] = TAKEN
        :: level[slot] = TAKEN + 1
        :: level[slot] = SURE - 2
        :: level[slot] = SURE - 1
        :: level[slot] = SURE
        fi;
        running = false
    :: true ->
        number[slot] = next; was[slot] = val; weak[slot] = false;
        old_number[slot] = 0; old_was[slot] = 0;
        sealed[slot] = next; level[slot] = WHOLE;
        chosen = slot;
        running = true
    fi
}

init {
    atomic {
        number[1] = 1; was[1] = 1; sealed[1] = 1; level[1] = WHOLE;
        value = 1; acknowledged = 1; used = 1; greatest = 1; chosen = 1; running = true;
        keep_chosen()
    }
    do
    :: atomic { running && writes < WRITES ->
        value++; val = value;
        keep_chosen();
        write();
        if :: running -> acknowledged = value; used = value :: else fi
       }
    :: atomic { running -> running = false }          /* the power fails between writes */
    :: atomic { !running ->
        read_all();
        assert(chosen != 255);                        /* never on defaults */
        val = v[chosen];
        settled = (m[chosen] >= SURE);
        if
        :: settled -> running = true; keep_chosen()
        :: !settled && writes < WRITES -> keep_front(); write()
        :: else -> break                              /* no more writes to follow */
        fi;
        if
        :: running ->
            assert(val >= acknowledged);              /* nothing acknowledged is lost */
            assert(val >= used);                      /* no boot steps back */
            used = val
        :: else
        fi;
        i = 0; k = 0; any = 0; worst = 0; slot = 0; next = 0; best = 0;
        d_step { i = 0; do :: i < SLOTS -> n[i] = 0; v[i] = 0; m[i] = 0; i++ :: else -> break od; i = 0 }
       }
    :: atomic { writes == WRITES && running -> running = false }
    :: writes == WRITES && !running -> skip
    od
}
