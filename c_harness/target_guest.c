/* Runs a generated regulator on the target and tells the host everything it does.

   The host sends words of 32 bits and gets words back, in the target's own byte order. A word with
   a command comes first, its arguments follow. A record is the state's fields in the order of
   halfcycle.regulator.model.FIELDS, absent ones as 0, then what the calls return. Compile as harness.c, with
   -DHC_NAME, -DHC_HEADER and the -DHC_HAS_... of the regulator, and with -DHC_FIELDS, the number of
   fields, and a -DHC_PORT_... of target_port.h. C99 for any processor, 16-bit int included. */
#include <stdint.h>

#include "regulator.h"
#include "target_port.h"

#define AFTER_WINDOW 255u

#ifdef HC_WIDE
typedef int32_t reading_type;
#else
typedef int16_t reading_type;
#endif

/* Seen by the host under these names. */
struct hc_state hc_guest_state;
uint32_t hc_guest_fields[HC_FIELDS];

static void put_signed(int32_t value) { hc_put((uint32_t)value); }

static void put_state(const struct hc_state *s)
{
    hc_put(s->sum);
#ifdef HC_HAS_HIGH
    hc_put(s->sum_high);
#else
    hc_put(0u);
#endif
    hc_put(s->count);
    hc_put(s->window_sum[0]);
    hc_put(s->window_sum[1]);
#ifdef HC_HAS_HIGH
    hc_put(s->window_high[0]);
    hc_put(s->window_high[1]);
#else
    hc_put(0u);
    hc_put(0u);
#endif
    hc_put(s->window_sequence);
    hc_put(s->taken_sequence);
    put_signed(s->integral);
#ifdef HC_HAS_RAMP
    put_signed(s->ramp);
#else
    hc_put(0u);
#endif
    put_signed(s->target[0]);
    put_signed(s->target[1]);
    hc_put(s->target_slot);
    put_signed(s->scale[0]);
    put_signed(s->scale[1]);
    put_signed(s->reading[0]);
    put_signed(s->reading[1]);
    hc_put(s->flags[0]);
    hc_put(s->flags[1]);
    hc_put(s->output_slot);
    put_signed(s->trusted);
}

static void put_record(const struct hc_state *s, int complete)
{
    put_state(s);
    put_signed(complete);
    put_signed(hc_rms_mv(s));
    put_signed(hc_scale(s));
    hc_put(hc_flags(s));
}

/* The state from hc_guest_fields. */
void hc_guest_load(void)
{
    struct hc_state *s = &hc_guest_state;
    const uint32_t *from = hc_guest_fields;
    s->sum = from[0];
#ifdef HC_HAS_HIGH
    s->sum_high = (uint16_t)from[1];
    s->window_high[0] = (uint16_t)from[5];
    s->window_high[1] = (uint16_t)from[6];
#endif
    s->count = (uint16_t)from[2];
    s->window_sum[0] = from[3];
    s->window_sum[1] = from[4];
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

/* Rubbish first: reset must set every field by itself. */
static void restart(struct hc_state *s)
{
    volatile uint8_t *byte = (volatile uint8_t *)s; /* so that no library's memset is needed */
    uint16_t i;
    for (i = 0u; i < sizeof *s; i++) {
        byte[i] = 0xA5u;
    }
    hc_reset(s);
}

/* Each word: the code, and above it how often update is called afterwards. */
static void run_ticks(struct hc_state *s, uint32_t ticks)
{
    for (; ticks > 0u; ticks--) {
        const uint32_t word = hc_get();
        const int complete = hc_sample(s, (uint16_t)(word & 0xFFFFu));
        uint8_t calls = (uint8_t)(word >> 16);
        if (calls == AFTER_WINDOW) {
            calls = (complete != 0) ? 1u : 0u;
        }
        for (; calls > 0u; calls--) {
            hc_update(s);
        }
        put_record(s, complete);
    }
}

int main(void)
{
    struct hc_state *s = &hc_guest_state;
    uint32_t command;
    uint32_t i;
    while ((command = hc_get()) != (uint32_t)'Q') {
        switch (command) {
        case 'R': /* reset */
            restart(s);
            break;
        case 'S': /* tell the state */
            put_state(s);
            break;
        case 'T': /* set_target_mv */
            hc_set_target_mv(s, (int32_t)hc_get());
            break;
        case 'V': /* set_target_mv; tell the target */
            hc_set_target_mv(s, (int32_t)hc_get());
            put_signed(s->target[s->target_slot]);
            break;
        case 'L': /* load the state */
            for (i = 0u; i < HC_FIELDS; i++) {
                hc_guest_fields[i] = hc_get();
            }
            hc_guest_load();
            break;
        case 'K': /* so many ticks, a record for each */
            run_ticks(s, hc_get());
            break;
        case 'N': /* one sample, a record */
            put_record(s, hc_sample(s, (uint16_t)hc_get()));
            break;
        case 'U': /* one update, a record */
            hc_update(s);
            put_record(s, 0);
            break;
        case 'M': /* the millivolts of a reading */
            s->reading[s->output_slot] = (reading_type)hc_get();
            put_signed(hc_rms_mv(s));
            break;
        case 'W': /* at a scale, drive at so many phases: first, step, count */
        {
            uint16_t phase;
            uint16_t step;
            s->scale[s->output_slot] = (int16_t)hc_get();
            phase = (uint16_t)hc_get();
            step = (uint16_t)hc_get();
            for (i = hc_get(); i > 0u; i--) {
                put_signed(hc_drive(s, phase));
                phase = (uint16_t)((phase + step) & 0xFFFFu);
            }
            break;
        }
        default:
            return 1;
        }
    }
    hc_finish();
    return 0;
}
