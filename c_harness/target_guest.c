/* Runs a generated regulator on the target and tells the host everything it does.

   The host sends words of 32 bits and gets words back, in the target's own byte order. A word with
   a command comes first, its arguments follow. A record is the state's fields, absent ones as 0,
   then what the calls return (as in harness.c, with the same two headers). Compile with a
   -DHC_PORT_... of target_port.h. C99 for any processor, 16-bit int included. */
#include <stdint.h>

#include "regulator.h"
#include "state_fields.h"
#include "target_port.h"

#define AFTER_WINDOW 255u

/* Seen by the host under these names. */
struct hc_state hc_guest_state;
#ifdef HC_TURN
struct hc_turn hc_guest_turn;
#endif
uint32_t hc_guest_fields[HC_FIELDS];

static void put_signed(int32_t value) { hc_put((uint32_t)value); }

static void put_fields(const struct hc_state *s)
{
#define PUT(number, place, type) hc_put((uint32_t)s->place);
#define PUT_ABSENT(number) hc_put(0u);
    HC_STATE(PUT, PUT_ABSENT)
}

static void put_record(const struct hc_state *s, int complete)
{
#define PUT_RESULT(number, call) hc_put((uint32_t)call(s));
    put_fields(s);
    put_signed(complete);
    HC_READERS(PUT_RESULT)
}

/* Rubbish first: read must set every member. */
static void put_answer(const struct hc_state *s)
{
    struct hc_reading out;
    volatile unsigned char *byte = (volatile unsigned char *)&out;
    uint16_t i;
    for (i = 0u; i < sizeof out; i++) {
        byte[i] = 0xA5u;
    }
    put_signed(hc_read(s, &out));
#define PUT_MEMBER(number, name) hc_put((uint32_t)out.name);
    HC_READING(PUT_MEMBER)
}

/* The state from hc_guest_fields. */
void hc_guest_load(void)
{
    struct hc_state *s = &hc_guest_state;
    const uint32_t *from = hc_guest_fields;
#define LOAD(number, place, type) s->place = (type)from[number];
#define LOAD_ABSENT(number)
    HC_STATE(LOAD, LOAD_ABSENT)
}

/* Rubbish first: reset must set every field by itself. */
static void restart(struct hc_state *s)
{
    /* so that no library's memset is needed */
    volatile unsigned char *byte = (volatile unsigned char *)s;
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
        uint16_t calls = (uint16_t)(word >> 16);
        if (calls == AFTER_WINDOW) {
            calls = (complete != 0) ? 1u : 0u;
        }
        for (; calls > 0u; calls--) {
            hc_update(s);
        }
        put_record(s, complete);
    }
}

#ifdef HC_TURN
/* A call of the oscillator: 0 reset, 1 next, 2 set_millihertz; its fields, and what it returned. */
static void put_turn(struct hc_turn *t, uint32_t call, uint32_t millihertz)
{
    uint16_t result = 0u;
    if (call == 0u) {
        hc_turn_reset(t);
    } else if (call == 1u) {
        result = hc_turn_next(t);
    } else {
        hc_turn_set_millihertz(t, millihertz);
    }
    hc_put(t->phase);
    hc_put(t->step[0]);
    hc_put(t->step[1]);
    hc_put(t->step_sequence);
    hc_put(result);
}
#endif

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
            put_fields(s);
            break;
        case 'T': /* set_target_mv */
            hc_set_target_mv(s, (int32_t)hc_get());
            break;
        case 'I': /* hold */
            hc_hold(s);
            break;
#ifdef HC_BUS
        case 'B': /* bus */
            hc_bus(s, (uint16_t)hc_get());
            break;
        case 'J': /* one bus, a record */
            hc_bus(s, (uint16_t)hc_get());
            put_record(s, 0);
            break;
        case 'F': /* the factor of the bus for drive and duty */
            s->factor[s->factor_sequence & 1u] = (uint16_t)hc_get();
            break;
#endif
        case 'V': /* set_target_mv; tell the target, and its inverse if there is one */
            hc_set_target_mv(s, (int32_t)hc_get());
            put_signed(s->target[s->target_sequence & 1u]);
#ifdef HC_LAW
            put_signed((int32_t)s->inverse[s->target_sequence & 1u]);
#endif
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
        case 'H': /* hold if the word is not 0, clear with the next; the state, and what read tells */
            if (hc_get() != 0u) {
                (void)hc_get();
                hc_hold(s);
            } else {
                hc_clear(s, (uint16_t)hc_get());
            }
            put_fields(s);
            put_answer(s);
            break;
        case 'M': /* the millivolts of a reading */
            s->reading[s->output_sequence & 1u] = (HC_TYPE_reading)hc_get();
            put_signed(hc_rms_mv(s));
            break;
#ifdef HC_TURN
        case 'O': /* the oscillator's fields: phase, both steps, sequence */
            hc_guest_turn.phase = hc_get();
            hc_guest_turn.step[0] = hc_get();
            hc_guest_turn.step[1] = hc_get();
            hc_guest_turn.step_sequence = (uint_least8_t)hc_get();
            break;
        case 'P': /* a call of the oscillator and its argument; a record */
        {
            const uint32_t call = hc_get();
            put_turn(&hc_guest_turn, call, hc_get());
            break;
        }
#endif
        case 'W': /* at a scale, drive and duty at so many phases: first, step, count */
        {
            uint16_t phase;
            uint16_t step;
            s->scale[s->output_sequence & 1u] = (int16_t)hc_get();
            phase = (uint16_t)hc_get();
            step = (uint16_t)hc_get();
            for (i = hc_get(); i > 0u; i--) {
                put_signed(hc_drive(s, phase));
                put_signed(hc_duty(s, phase));
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
