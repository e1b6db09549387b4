/* The loop as a firmware engineer writes it for one board: what docs/cost.md compares with. A plain
   window, the mean of magnitudes or the RMS, a PI step with both limits, and the sine from a table.
   The numbers are the Plan's (documentation.hand_written). It has no flags, no hand-over that an
   interrupt may cut, no ramp, no limiter, no sensor that may fail and no zero that is clamped: not
   for use in firmware. */
#include "hand_written.h"

struct hand_state hand_state;

/* one turn of 256 */
static const int16_t hand_sine[256] = {HAND_SINE};

void hand_reset(struct hand_state *s)
{
    s->sum = 0;
    s->count = 0;
    s->window = 0;
    s->integral = 0;
    s->target = HAND_TARGET;
    s->reading = 0;
    s->scale = 0;
}

int hand_sample(struct hand_state *s, uint16_t code)
{
    const int32_t offset = (int32_t)code - HAND_ZERO;
#ifdef HAND_RMS
    s->sum += (uint32_t)(offset * offset);
#else
    s->sum += (uint32_t)(offset < 0 ? -offset : offset);
#endif
    if (++s->count < HAND_SAMPLES) {
        return 0;
    }
    s->window = s->sum;
    s->sum = 0;
    s->count = 0;
    return 1;
}

#ifdef HAND_RMS
static uint32_t root(uint32_t value)
{
    uint32_t result = 0;
    uint32_t place = (uint32_t)1 << 30;
    while (place > value) {
        place >>= 2;
    }
    while (place != 0) {
        if (value >= result + place) {
            value -= result + place;
            result = (result >> 1) + place;
        } else {
            result >>= 1;
        }
        place >>= 2;
    }
    return result;
}
#endif

void hand_update(struct hand_state *s)
{
#ifdef HAND_RMS
    const int32_t reading = (int32_t)root(s->window >> HAND_READING_SHIFT);
#else
    const int32_t reading = (int32_t)(s->window >> HAND_READING_SHIFT);
#endif
    const int32_t error = s->target - reading;
    int32_t integral = s->integral + ((HAND_INTEGRAL * error) >> HAND_INTEGRAL_SHIFT);
    int32_t drive;
    if (integral > HAND_DRIVE_MAX) {
        integral = HAND_DRIVE_MAX;
    } else if (integral < 0) {
        integral = 0;
    }
    drive = integral + ((HAND_PROPORTIONAL * error) >> HAND_PROPORTIONAL_SHIFT);
    if (drive > HAND_DRIVE_MAX) {
        drive = HAND_DRIVE_MAX;
    } else if (drive < 0) {
        drive = 0;
    }
    s->integral = integral;
    s->reading = reading;
    s->scale = drive >> HAND_SCALE_SHIFT;
}

int16_t hand_drive(const struct hand_state *s, uint16_t phase)
{
    int32_t value = (hand_sine[phase >> 8] * s->scale) >> 14;
    if (value > 32767) {
        value = 32767;
    } else if (value < -32767) {
        value = -32767;
    }
    return (int16_t)value;
}
