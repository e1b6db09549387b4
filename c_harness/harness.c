/* Runs any generated regulator from outside and shows its whole state after every tick.

   Compile with -DHC_NAME, -DHC_HEADER (see regulator.h) and, where the regulator has the fields,
   -DHC_HAS_HIGH (sum_high, window_high), -DHC_HAS_RAMP (ramp), -DHC_WIDE (32-bit readings).
   A record is RECORD numbers: the state's fields in the order of halfcycle.regulator.model.FIELDS, absent
   ones as 0, then what the calls return. For the host only: plain C99, speed first.
   No exported name here ends as a generated one does, so that no regulator's name can clash. */
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include "regulator.h"

#define FIELDS 22
#define RECORD 26

#ifdef _WIN32
#define EXPORT __declspec(dllexport)
#else
#define EXPORT __attribute__((visibility("default")))
#endif

#ifdef HC_WIDE
typedef int32_t reading_type;
#else
typedef int16_t reading_type;
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
    to[0 * step] = s->sum;
#ifdef HC_HAS_HIGH
    to[1 * step] = s->sum_high;
    to[5 * step] = s->window_high[0];
    to[6 * step] = s->window_high[1];
#else
    to[1 * step] = 0;
    to[5 * step] = 0;
    to[6 * step] = 0;
#endif
    to[2 * step] = s->count;
    to[3 * step] = s->window_sum[0];
    to[4 * step] = s->window_sum[1];
    to[7 * step] = s->window_sequence;
    to[8 * step] = s->taken_sequence;
    to[9 * step] = s->integral;
#ifdef HC_HAS_RAMP
    to[10 * step] = s->ramp;
#else
    to[10 * step] = 0;
#endif
    to[11 * step] = s->target[0];
    to[12 * step] = s->target[1];
    to[13 * step] = s->target_slot;
    to[14 * step] = s->scale[0];
    to[15 * step] = s->scale[1];
    to[16 * step] = s->reading[0];
    to[17 * step] = s->reading[1];
    to[18 * step] = s->flags[0];
    to[19 * step] = s->flags[1];
    to[20 * step] = s->output_slot;
    to[21 * step] = s->trusted;
}

static void record(const struct hc_state *s, int complete, int64_t *to, ptrdiff_t step)
{
    store(s, to, step);
    to[22 * step] = complete;
    to[23 * step] = hc_rms_mv(s);
    to[24 * step] = hc_scale(s);
    to[25 * step] = hc_flags(s);
}

EXPORT int32_t harness_record_length(void) { return RECORD; }

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
    s->sum = (uint32_t)from[0];
#ifdef HC_HAS_HIGH
    s->sum_high = (uint16_t)from[1];
    s->window_high[0] = (uint16_t)from[5];
    s->window_high[1] = (uint16_t)from[6];
#endif
    s->count = (uint16_t)from[2];
    s->window_sum[0] = (uint32_t)from[3];
    s->window_sum[1] = (uint32_t)from[4];
    s->window_sequence = (uint8_t)from[7];
    s->taken_sequence = (uint8_t)from[8];
    s->integral = (int32_t)from[9];
#ifdef HC_HAS_RAMP
    s->ramp = (int32_t)from[10];
#endif
    s->target[0] = (reading_type)from[11];
    s->target[1] = (reading_type)from[12];
    s->target_slot = (uint8_t)from[13];
    s->scale[0] = (int16_t)from[14];
    s->scale[1] = (int16_t)from[15];
    s->reading[0] = (reading_type)from[16];
    s->reading[1] = (reading_type)from[17];
    s->flags[0] = (uint16_t)from[18];
    s->flags[1] = (uint16_t)from[19];
    s->output_slot = (uint8_t)from[20];
    s->trusted = (int32_t)from[21];
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

/* Runs `ticks` samples. Codes come from `codes`, or, where `plant` is not NULL, from the plant
   and are put into `codes`. The k-th target is set before sample target_tick[k] (ascending).
   `updates`: how often update is called after each sample; NULL: once after each whole window.
   `to` has RECORD rows of `ticks` numbers each. */
EXPORT void harness_run(struct hc_state *s, uint16_t *codes, size_t ticks,
                        const struct plant *plant, const int64_t *target_tick,
                        const int32_t *target_mv, size_t targets, const uint8_t *updates,
                        int64_t *to)
{
    size_t tick;
    size_t next = 0;
    for (tick = 0; tick < ticks; tick++) {
        int complete;
        int calls;
        while (next < targets && target_tick[next] == (int64_t)tick) {
            hc_set_target_mv(s, target_mv[next]);
            next++;
        }
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

/* One call from each of `states` states (rows of FIELDS numbers), each result a row of RECORD.
   `codes` NULL: update; else sample with that state's code. */
EXPORT void harness_single_calls(const int64_t *from, size_t states, const uint16_t *codes,
                                 int64_t *to)
{
    size_t row;
    for (row = 0; row < states; row++) {
        struct hc_state s;
        int complete = 0;
        harness_load(&s, from + row * FIELDS);
        if (codes != NULL) {
            complete = hc_sample(&s, codes[row]);
        } else {
            hc_update(&s);
        }
        record(&s, complete, to + row * RECORD, 1);
    }
}

/* The target that each value of set_target_mv becomes. */
EXPORT void harness_targets(const int32_t *rms_mv, size_t values, int64_t *to)
{
    size_t row;
    struct hc_state s;
    harness_restart(&s);
    for (row = 0; row < values; row++) {
        hc_set_target_mv(&s, rms_mv[row]);
        to[row] = s.target[s.target_slot];
    }
}

/* The reported millivolts of each reading. */
EXPORT void harness_millivolts(const int64_t *readings, size_t values, int64_t *to)
{
    size_t row;
    struct hc_state s;
    harness_restart(&s);
    for (row = 0; row < values; row++) {
        s.reading[s.output_slot] = (reading_type)readings[row];
        to[row] = hc_rms_mv(&s);
    }
}

/* The drive at all 65536 phases of one scale. */
EXPORT void harness_wave(int16_t scale, int16_t *to)
{
    uint32_t phase;
    struct hc_state s;
    harness_restart(&s);
    s.scale[s.output_slot] = scale;
    for (phase = 0; phase < 65536u; phase++) {
        to[phase] = hc_drive(&s, (uint16_t)phase);
    }
}
