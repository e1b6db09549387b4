/* The mean-reading regulator once more with float, to show what that costs where there is no
   floating-point unit. Same loop, same limits and flags; the hand-over between interrupts is left
   out, which flatters it. The -DPEER_... values are those of the Plan, in reading units
   (documentation.float_peer). Not for use in firmware. */
#include <stdint.h>

struct peer_state {
    float above;
    float below;
    float window_above;
    float window_below;
    float integral;
    float target;
    float ramp;
    float reading;
    float drive;
    float lean;
    float least[2];
    uint16_t count;
    uint16_t flags;
    uint8_t complete;
};

void peer_reset(struct peer_state *s);
void peer_set_target(struct peer_state *s);
int peer_sample(struct peer_state *s, uint16_t adc_code);
void peer_update(struct peer_state *s);
int16_t peer_scale(const struct peer_state *s);
uint16_t peer_flags(const struct peer_state *s);

void peer_reset(struct peer_state *s)
{
    s->above = 0.0f;
    s->below = 0.0f;
    s->window_above = 0.0f;
    s->window_below = 0.0f;
    s->integral = 0.0f;
    s->target = 0.0f;
    s->ramp = 0.0f;
    s->reading = 0.0f;
    s->drive = 0.0f;
    s->lean = 0.0f;
    s->least[0] = 0.0f;
    s->least[1] = 0.0f;
    s->count = 0u;
    s->flags = 0u;
    s->complete = 0u;
}

void peer_set_target(struct peer_state *s) { s->target = PEER_TARGET; }

int peer_sample(struct peer_state *s, uint16_t adc_code)
{
    const uint16_t code = (adc_code > PEER_ADC_MAX) ? PEER_ADC_MAX : adc_code;
    const float offset = (float)code - PEER_ZERO;
    if (offset >= 0.0f) {
        s->above += offset;
    } else {
        s->below -= offset;
    }
    s->count++;
    if (s->count < PEER_SAMPLES) {
        return 0;
    }
    s->window_above = s->above;
    s->window_below = s->below;
    s->complete = 1u;
    s->above = 0.0f;
    s->below = 0.0f;
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

static float lesser(float a, float b) { return (a < b) ? a : b; }

/* Which way the window leans, and by how much; 0 if it does not. */
static float leaning(const struct peer_state *s)
{
    float lean = 0.0f;
    if (8.0f * s->window_below <= s->window_above) {
        lean = s->window_above;
    } else if (8.0f * s->window_above <= s->window_below) {
        lean = -s->window_below;
    }
    return lean;
}

static int alike(float lean, float before)
{
    const float size = (lean < 0.0f) ? -lean : lean;
    const float same = (lean < 0.0f) ? -before : before;
    return (2.0f * same > size) && (same < 2.0f * size);
}

void peer_update(struct peer_state *s)
{
    uint16_t flags = 0u;
    float target = s->target;
    float error;
    float least;
    float before;
    const uint16_t failed = s->flags & 0x0004u;
    int stuck;
    if (s->complete == 0u) {
        return;
    }
    s->complete = 0u;
    s->reading = (s->window_above + s->window_below) * PEER_READING;
    before = s->lean;
    s->lean = leaning(s);
    stuck = alike(s->lean, before);
    least = lesser(s->drive, lesser(s->least[0], s->least[1]));
    s->least[1] = s->least[0];
    s->least[0] = s->drive;
#ifdef PEER_RAMP_STEP
    if (failed == 0u) {
        s->ramp += PEER_RAMP_STEP;
    }
    if (s->ramp > target) {
        s->ramp = target;
    }
    target = s->ramp;
#endif
    error = target - s->reading;
    if (target == 0.0f) {
        s->integral = 0.0f;
        s->drive = 0.0f;
    } else if ((s->reading < PEER_HOLD_READING) ? ((error > 0.0f) && (s->drive >= PEER_HOLD_DRIVE))
                                                : stuck) {
        flags |= 0x0004u;
        least = lesser(least, target * PEER_ENOUGH);
        if ((s->reading < PEER_HOLD_READING) && (least < PEER_HOLD_DRIVE)) {
            least = PEER_HOLD_DRIVE;
        }
        s->drive = least;
        s->integral = lesser(s->integral, least);
    } else if (failed != 0u) {
        /* It reads again, but this window may hold what it read before. */
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
        if ((s->flags & 0x0020u) != 0u) {
            flags |= 0x0008u;
        }
    }
    s->flags = flags;
}

int16_t peer_scale(const struct peer_state *s) { return (int16_t)(s->drive * 16384.0f + 0.5f); }

uint16_t peer_flags(const struct peer_state *s) { return s->flags; }

struct peer_state hc_peer;
