/* Runs any generated regulator from outside and shows its whole state after every tick.

   regulator.h and state_fields.h are made for the regulator (halfcycle.verify.c_interface) from the
   one table of its state and its calls. A record is HC_RECORD numbers: the state's fields, absent
   ones as 0, then what the calls return. For the host only: plain C99, speed first.
   No exported name here ends as a generated one does, so that no regulator's name can clash. */
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include "regulator.h"
#include "state_fields.h"

#ifdef _WIN32
#define EXPORT __declspec(dllexport)
#else
#define EXPORT __attribute__((visibility("default")))
#endif

/* What a closed loop puts between the drive and the ADC, tick by tick. */
struct plant {
    const int32_t *wave;  /* output in ADC codes at scale 1.0 */
    const int32_t *limit; /* the bus clips it here, ADC codes */
    const int32_t *add;   /* zero offset and noise, ADC codes */
    const int32_t *force; /* from 0: this code whatever the output; below 0: the output */
    int32_t zero;
};

static void store(const struct hc_state *s, int64_t *to, ptrdiff_t step)
{
#define STORE(number, place, type) to[(number) * step] = s->place;
#define STORE_ABSENT(number) to[(number) * step] = 0;
    HC_STATE(STORE, STORE_ABSENT)
}

static void record(const struct hc_state *s, int complete, int64_t *to, ptrdiff_t step)
{
#define STORE_RESULT(number, call) to[(number) * step] = call(s);
    store(s, to, step);
    to[HC_COMPLETE * step] = complete;
    HC_READERS(STORE_RESULT)
}

/* What read returns, then what it fills in: HC_MEMBERS + 1 numbers. */
static void read_all(const struct hc_state *s, int64_t *to)
{
    struct hc_reading out;
    memset(&out, 0xA5, sizeof out);
    to[0] = hc_read(s, &out);
#define STORE_MEMBER(number, name) to[number] = out.name;
    HC_READING(STORE_MEMBER)
}

EXPORT int32_t harness_record_length(void) { return HC_RECORD; }

EXPORT size_t harness_state_bytes(void) { return sizeof(struct hc_state); }

/* Fills the state with rubbish first: reset must set every field by itself. */
EXPORT void harness_restart(struct hc_state *s)
{
    memset(s, 0xA5, sizeof *s);
    hc_reset(s);
}

EXPORT void harness_set_target(struct hc_state *s, int32_t rms_mv) { hc_set_target_mv(s, rms_mv); }

EXPORT void harness_store(const struct hc_state *s, int64_t *to) { store(s, to, 1); }

EXPORT void harness_load(struct hc_state *s, const int64_t *from)
{
    memset(s, 0, sizeof *s);
#define LOAD(number, place, type) s->place = (type)from[number];
#define LOAD_ABSENT(number)
    HC_STATE(LOAD, LOAD_ABSENT)
}

static uint16_t plant_code(const struct plant *p, size_t tick, int32_t scale)
{
    int64_t level = (int64_t)p->wave[tick] * scale / 16384;
    if (p->force[tick] >= 0) {
        return (uint16_t)p->force[tick];
    }
    if (level > p->limit[tick]) {
        level = p->limit[tick];
    } else if (level < -p->limit[tick]) {
        level = -p->limit[tick];
    }
    level += (int64_t)p->zero + p->add[tick];
    return (uint16_t)(level < 0 ? 0 : level > 65535 ? 65535 : level);
}

/* Runs `ticks` samples. Codes come from `codes`, or, if `plant` is not NULL, from the plant
   and are put into `codes`. The k-th target is set before sample target_tick[k] (ascending), hold is
   called before each sample of hold_tick (ascending).
   `updates`: how often update is called after each sample; NULL: once after each whole window.
   `bus`: the bus's code before each sample, below 0 for no call; NULL: none.
   `to` has HC_RECORD rows of `ticks` numbers each. */
EXPORT void harness_run(struct hc_state *s, uint16_t *codes, size_t ticks,
                        const struct plant *plant, const int64_t *target_tick,
                        const int32_t *target_mv, size_t targets, const int64_t *hold_tick,
                        size_t holds, const unsigned char *updates, const int32_t *bus,
                        int64_t *to)
{
    size_t tick;
    size_t next = 0;
    size_t held = 0;
    for (tick = 0; tick < ticks; tick++) {
        int complete;
        int calls;
        while (next < targets && target_tick[next] == (int64_t)tick) {
            hc_set_target_mv(s, target_mv[next]);
            next++;
        }
        while (held < holds && hold_tick[held] == (int64_t)tick) {
            hc_hold(s);
            held++;
        }
#ifdef HC_BUS
        if (bus != NULL && bus[tick] >= 0) {
            hc_bus(s, (uint16_t)bus[tick]);
        }
#else
        (void)bus;
#endif
        if (plant != NULL) {
            codes[tick] = plant_code(plant, tick, hc_scale(s));
        }
        complete = hc_sample(s, codes[tick]);
        for (calls = updates != NULL ? updates[tick] : complete; calls > 0; calls--) {
            hc_update(s);
        }
        record(s, complete, to + tick, (ptrdiff_t)ticks);
    }
}

/* One call from each of `states` states (rows of HC_FIELDS numbers), each result a row of HC_RECORD.
   `codes` NULL: update; else sample with that state's code. */
EXPORT void harness_single_calls(const int64_t *from, size_t states, const uint16_t *codes,
                                 int64_t *to)
{
    size_t row;
    for (row = 0; row < states; row++) {
        struct hc_state s;
        int complete = 0;
        harness_load(&s, from + row * HC_FIELDS);
        if (codes != NULL) {
            complete = hc_sample(&s, codes[row]);
        } else {
            hc_update(&s);
        }
        record(&s, complete, to + row * HC_RECORD, 1);
    }
}

#ifdef HC_BUS
/* One call of bus from each of `states` states, as harness_single_calls has it. */
EXPORT void harness_bus_calls(const int64_t *from, size_t states, const uint16_t *codes, int64_t *to)
{
    size_t row;
    for (row = 0; row < states; row++) {
        struct hc_state s;
        harness_load(&s, from + row * HC_FIELDS);
        hc_bus(&s, codes[row]);
        record(&s, 0, to + row * HC_RECORD, 1);
    }
}
#endif

/* The target that each value of set_target_mv becomes; then, with the normalised law, its inverse. */
EXPORT void harness_targets(const int32_t *rms_mv, size_t values, int64_t *to)
{
    size_t row;
    struct hc_state s;
    harness_restart(&s);
    for (row = 0; row < values; row++) {
        hc_set_target_mv(&s, rms_mv[row]);
        to[row] = s.target[s.target_sequence & 1u];
#ifdef HC_LAW
        to[values + row] = s.inverse[s.target_sequence & 1u];
#endif
    }
}

/* The reported millivolts of each reading. */
EXPORT void harness_millivolts(const int64_t *readings, size_t values, int64_t *to)
{
    size_t row;
    struct hc_state s;
    harness_restart(&s);
    for (row = 0; row < values; row++) {
        s.reading[s.output_sequence & 1u] = (HC_TYPE_reading)readings[row];
        to[row] = hc_rms_mv(&s);
    }
}

/* One call of the interface, by its number in the table of calls, from the state as it is. Returns
   its result, 0 if it has none. */
EXPORT int64_t harness_call(struct hc_state *s, int32_t call, int32_t argument)
{
    int64_t result = 0;
    (void)argument;
    switch (call) {
#define CALL_DO(number, call)                                                                      \
    case number:                                                                                   \
        call(s);                                                                                   \
        break;
#define CALL_DO_WITH(number, call, type)                                                           \
    case number:                                                                                   \
        call(s, (type)argument);                                                                   \
        break;
#define CALL_GET(number, call)                                                                     \
    case number:                                                                                   \
        result = call(s);                                                                          \
        break;
#define CALL_GET_WITH(number, call, type)                                                          \
    case number:                                                                                   \
        result = call(s, (type)argument);                                                          \
        break;
#define CALL_READ(number, call)                                                                    \
    case number: {                                                                                 \
        struct hc_reading out;                                                                     \
        result = call(s, &out);                                                                    \
        break;                                                                                     \
    }
        HC_CALLS(CALL_DO, CALL_DO_WITH, CALL_GET, CALL_GET_WITH, CALL_READ)
    default:
        break;
    }
    return result;
}

EXPORT void harness_tell(const struct hc_state *s, int64_t *to) { read_all(s, to); }

/* From each of `states` states (rows of HC_FIELDS numbers): clear with those of its `flags`, or hold
   if `hold` is not 0, and then read; each result a row of the state and of what read tells. */
EXPORT void harness_readings(const int64_t *from, size_t states, const unsigned char *hold,
                             const uint16_t *flags, int64_t *to)
{
    size_t row;
    for (row = 0; row < states; row++) {
        struct hc_state s;
        int64_t *at = to + row * (HC_FIELDS + HC_MEMBERS + 1);
        harness_load(&s, from + row * HC_FIELDS);
        if (hold[row] != 0) {
            hc_hold(&s);
        } else {
            hc_clear(&s, flags[row]);
        }
        store(&s, at, 1);
        read_all(&s, at + HC_FIELDS);
    }
}

/* Drive and duty at one phase after the other, on one instance whose outputs change from call to
   call: what the two slots hold and the sequence that says which of them is in use. `factors`: those of
   a measured bus, slot after slot, with their own sequence, `read`. */
EXPORT void harness_drives(const int16_t *first, const int16_t *second,
                           const unsigned char *sequence, const uint16_t *phase, size_t values,
                           const uint16_t *factors, const unsigned char *read, int16_t *drive,
                           int16_t *duty)
{
    size_t row;
    struct hc_state s;
    harness_restart(&s);
    for (row = 0; row < values; row++) {
        s.scale[0] = first[row];
        s.scale[1] = second[row];
        s.output_sequence = sequence[row];
#ifdef HC_BUS
        s.factor[0] = factors[row];
        s.factor[1] = factors[values + row];
        s.factor_sequence = read[row];
#else
        (void)factors;
        (void)read;
#endif
        drive[row] = hc_drive(&s, phase[row]);
        duty[row] = hc_duty(&s, phase[row]);
    }
}

#ifdef HC_TURN
/* Calls of the oscillator one after the other, from the numbers in `fields` on, which are those after
   the last call in the end. `call`: 0 reset (from rubbish), 1 next, 2 set_millihertz. A row of `to` is
   the struct's fields, then what the call returned. */
EXPORT void harness_turns(int64_t *fields, const unsigned char *call, const uint32_t *millihertz,
                          size_t calls, int64_t *to)
{
    size_t row;
    size_t n;
    struct hc_turn t;
    t.phase = (uint32_t)fields[0];
    t.step[0] = (uint32_t)fields[1];
    t.step[1] = (uint32_t)fields[2];
    t.step_sequence = (uint_least8_t)fields[3];
    for (row = 0; row < calls; row++) {
        int64_t result = 0;
        if (call[row] == 0) {
            memset(&t, 0xA5, sizeof t);
            hc_turn_reset(&t);
        } else if (call[row] == 1) {
            result = hc_turn_next(&t);
        } else {
            hc_turn_set_millihertz(&t, millihertz[row]);
        }
        fields[0] = t.phase;
        fields[1] = t.step[0];
        fields[2] = t.step[1];
        fields[3] = t.step_sequence;
        for (n = 0; n < 4; n++) {
            to[5 * row + n] = fields[n];
        }
        to[5 * row + 4] = result;
    }
}
#endif
