/* The mean-reading regulator once more with float, to show what that costs where there is no
   floating-point unit. Same loop, same limits and flags; the hand-over between interrupts is left
   out, which flatters it. The -DPEER_... values are those of the Plan, in reading units
   (documentation.float_peer). Not for use in firmware. */
#include <stdint.h>

struct peer_state {
    float sum;
    float window_sum;
    float integral;
    float target;
    float ramp;
    float reading;
    float drive;
    float trusted;
    uint16_t count;
    uint16_t flags;
    uint8_t complete;
};

void peer_reset(struct peer_state *s);
int peer_sample(struct peer_state *s, uint16_t adc_code);
void peer_update(struct peer_state *s);
int16_t peer_scale(const struct peer_state *s);
uint16_t peer_flags(const struct peer_state *s);

void peer_reset(struct peer_state *s)
{
    s->sum = 0.0f;
    s->window_sum = 0.0f;
    s->integral = 0.0f;
    s->target = PEER_TARGET;
    s->ramp = 0.0f;
    s->reading = 0.0f;
    s->drive = 0.0f;
    s->trusted = PEER_DRIVE_MAX;
    s->count = 0u;
    s->flags = 0u;
    s->complete = 0u;
}

int peer_sample(struct peer_state *s, uint16_t adc_code)
{
    const uint16_t code = (adc_code > PEER_ADC_MAX) ? PEER_ADC_MAX : adc_code;
    float magnitude = (float)code - PEER_ZERO;
    if (magnitude < 0.0f) {
        magnitude = -magnitude;
    }
    s->sum += magnitude;
    s->count++;
    if (s->count < PEER_SAMPLES) {
        return 0;
    }
    s->window_sum = s->sum;
    s->complete = 1u;
    s->sum = 0.0f;
    s->count = 0u;
    return 1;
}

static float regulate(struct peer_state *s, float error)
{
    const float step = PEER_INTEGRAL * error;
    const float push = PEER_PROPORTIONAL * error;
    float after = s->integral + step;
    float drive = after + push;
    if ((drive > PEER_DRIVE_MAX) && (step > 0.0f)) {
        const float rest = PEER_DRIVE_MAX - push;
        const float least = (rest > s->integral) ? rest : s->integral;
        if (after > least) {
            after = least;
        }
    } else if ((drive < 0.0f) && (step < 0.0f)) {
        const float most = (-push < s->integral) ? -push : s->integral;
        if (after < most) {
            after = most;
        }
    }
    if (after > PEER_DRIVE_MAX) {
        after = PEER_DRIVE_MAX;
    } else if (after < 0.0f) {
        after = 0.0f;
    }
    s->integral = after;
    drive = after + push;
    if (drive > PEER_DRIVE_MAX) {
        drive = PEER_DRIVE_MAX;
    } else if (drive < 0.0f) {
        drive = 0.0f;
    }
    return drive;
}

void peer_update(struct peer_state *s)
{
    uint16_t flags = 0u;
    float target = s->target;
    float error;
    if (s->complete == 0u) {
        return;
    }
    s->complete = 0u;
    s->reading = s->window_sum * PEER_READING;
#ifdef PEER_RAMP_STEP
    s->ramp += PEER_RAMP_STEP;
    if (s->ramp > target) {
        s->ramp = target;
    }
    target = s->ramp;
#endif
    error = target - s->reading;
    if (target == 0.0f) {
        s->integral = 0.0f;
        s->trusted = PEER_DRIVE_MAX;
        s->drive = 0.0f;
    } else if ((error > 0.0f) && (s->drive >= PEER_HOLD_DRIVE) && (s->reading < PEER_HOLD_READING)) {
        flags |= 0x0004u;
        if (s->trusted < s->integral) {
            s->integral = s->trusted;
        }
        if (s->integral < s->drive) {
            s->drive = s->integral;
        }
    } else {
        s->drive = regulate(s, error);
        if (s->drive >= PEER_DRIVE_MAX) {
            flags |= 0x0010u;
            if (error > PEER_BAND) {
                flags |= 0x0001u;
            }
        }
    }
    if (error < -PEER_BAND) {
        flags |= 0x0002u;
    } else if (error <= PEER_BAND) {
        flags |= 0x0020u;
        if (target != 0.0f) {
            s->trusted = s->integral;
        }
        if ((s->flags & 0x0020u) != 0u) {
            flags |= 0x0008u;
        }
    }
    s->flags = flags;
}

int16_t peer_scale(const struct peer_state *s) { return (int16_t)(s->drive * 16384.0f + 0.5f); }

uint16_t peer_flags(const struct peer_state *s) { return s->flags; }

struct peer_state hc_peer;
