#include "simulate.h"
#include "regulator.h"

#include <string.h>

struct ramp {
    double now, end, step;
    int32_t steps_left;
};

struct sensor {
    int state;
    uint16_t code;    /* the last one, which a stuck sensor repeats */
    double zero;      /* codes, with what events added */
    uint64_t taken;   /* samples so far: the counter of the noise */
    int32_t delay_steps;
    double delay_part; /* of a step, 0 to 1 */
};

struct loop {
    const struct hc_case *run;
    const struct hc_board *board;
    struct hc_plant plants[HC_LOADS];
    const struct hc_plant *plant;
    struct hc_circuit circuit;
    struct hc_state regulator;
    struct sensor sensor;
    struct ramp bus, frequency;
    double output[HC_HISTORY], slope[HC_HISTORY]; /* of the last steps, for the sensor's delay */
    uint64_t phase, increment; /* of a step; 2^64 a turn */
    double counts_per_drive, duty_per_count;
    int32_t until_sample;      /* steps */
    int32_t next_event;
    int32_t update_at;
    double half_start_s, half_energy;
    int started_half;
    double window_start_s, window_energy, closed_start_s, closed_energy, closed_end_s,
        closed_end_energy;
};

static void ramp_to(struct ramp *ramp, double value, double ramp_s, double step_s) {
    ramp->steps_left = (int32_t)(ramp_s / step_s + 0.5);
    ramp->end = value;
    if (ramp->steps_left <= 0) {
        ramp->now = value;
    } else {
        ramp->step = (value - ramp->now) / ramp->steps_left;
    }
}

static void ramp_advance(struct ramp *ramp) {
    --ramp->steps_left;
    ramp->now = ramp->steps_left == 0 ? ramp->end : ramp->now + ramp->step;
}

static void set_increment(struct loop *l) {
    /* Below 1/2 turn a step, so the product fits. */
    l->increment = (uint64_t)(l->frequency.now * l->run->step_s * 18446744073709551616.0);
}

static void happen(struct loop *l, const struct hc_event *event) {
    const double step = l->run->step_s;
    switch ((int)event->kind) {
    case HC_EVENT_TARGET:
        hc_set_target_mv(&l->regulator, (int32_t)event->value);
        break;
    case HC_EVENT_LOAD:
        l->plant = &l->plants[(int)event->value];
        hc_circuit_connect(&l->circuit, l->plant);
        break;
    case HC_EVENT_BUS:
        ramp_to(&l->bus, event->value > 0.0 ? event->value : l->board->bus_v, event->ramp_s, step);
        break;
    case HC_EVENT_SENSOR:
        l->sensor.state = (int)event->value;
        break;
    case HC_EVENT_ZERO:
        l->sensor.zero = l->run->zero_code + event->value;
        break;
    default:
        ramp_to(&l->frequency, l->run->frequency_hz + event->value, event->ramp_s, step);
        set_increment(l);
        break;
    }
}

/* Instants before and at the start are shared; later ones move with the board. */
static int32_t event_step(const struct loop *l, const struct hc_event *event) {
    const double time = event->time_s > 0.0 ? event->time_s + l->board->event_delay_s : 0.0;
    return (int32_t)(time / l->run->step_s + 0.5);
}

static uint16_t convert(struct loop *l, int32_t now) {
    struct sensor *sensor = &l->sensor;
    const double noise =
        l->board->noise_codes * hc_noise((uint64_t)l->board->noise_key, sensor->taken++);
    double exact;
    if (sensor->state == HC_SENSOR_STUCK) {
        return sensor->code;
    }
    if (sensor->state == HC_SENSOR_OPEN) {
        exact = l->run->zero_code + noise;
    } else {
        const int32_t late = now - sensor->delay_steps;
        const int32_t a = (late - 1) & (HC_HISTORY - 1), b = late & (HC_HISTORY - 1);
        const double step = l->run->step_s;
        const double volts = late < 1 ? 0.0
                                      : hc_hermite(l->output[a], l->slope[a] * step, l->output[b],
                                                   l->slope[b] * step, 1.0 - sensor->delay_part);
        exact = volts * l->board->codes_per_volt + sensor->zero + noise;
    }
    if (!(exact > 0.0)) {
        sensor->code = 0;
    } else if (exact >= l->run->adc_max) {
        sensor->code = (uint16_t)l->run->adc_max;
    } else {
        sensor->code = (uint16_t)(exact + 0.5);
    }
    return sensor->code;
}

static void hc_record_update(struct loop *l, const struct hc_results *r, int32_t *count, int64_t row) {
    const int64_t at = row * l->run->window_limit + *count;
    if (*count >= l->run->window_limit) {
        return;
    }
    if (r->window_end_s) {
        r->window_end_s[at] = l->closed_end_s;
    }
    if (r->window_mean_square) {
        r->window_mean_square[at] = (l->closed_end_energy - l->closed_energy)
                                  / (l->closed_end_s - l->closed_start_s);
    }
    if (r->window_reported_mv) {
        r->window_reported_mv[at] = hc_rms_mv(&l->regulator);
    }
    if (r->window_scale) {
        r->window_scale[at] = hc_scale(&l->regulator);
    }
    if (r->window_flags) {
        r->window_flags[at] = hc_flags(&l->regulator);
    }
    ++*count;
}

static void hc_take_sample(struct loop *l, int32_t now) {
    if (hc_sample(&l->regulator, convert(l, now))) {
        l->closed_start_s = l->window_start_s;
        l->closed_energy = l->window_energy;
        l->closed_end_s = l->window_start_s = now * l->run->step_s;
        l->closed_end_energy = l->window_energy = l->circuit.energy;
        l->update_at = now + l->run->latency_steps;
    }
}

/* Where the reference passed a half turn inside this step, the true half cycle ends there; the
   energy at that instant by the cubic through both ends of the step, whose slopes are v^2. */
static void close_half(struct loop *l, const struct hc_results *r, int32_t *count, int64_t row,
                       int32_t now, double energy_before, double v_before) {
    const uint64_t half = UINT64_C(1) << 63;
    const uint64_t into = l->phase & (half - 1); /* past the boundary, after the step */
    const double where = 1.0 - (double)into / (double)l->increment;
    const double step = l->run->step_s, v = l->circuit.x[1];
    const double end_s = (now + where) * step;
    const double energy = hc_hermite(energy_before, v_before * v_before * step, l->circuit.energy,
                                     v * v * step, where);
    if (l->started_half && *count < l->run->half_limit) {
        const int64_t at = row * l->run->half_limit + *count;
        const double square = (energy - l->half_energy) / (end_s - l->half_start_s);
        /* The cubic may dip below zero while the output leaves it. */
        r->half_mean_square[at] = square > 0.0 ? square : 0.0;
        if (r->half_end_s) {
            r->half_end_s[at] = end_s;
        }
        ++*count;
    }
    l->started_half = 1;
    l->half_start_s = end_s;
    l->half_energy = energy;
}

static void start(struct loop *l, const struct hc_case *run, const struct hc_board *board) {
    memset(l, 0, sizeof *l);
    l->run = run;
    l->board = board;
    for (int i = 0; i < HC_LOADS; ++i) {
        hc_plant_prepare(&l->plants[i], &board->filter, &board->loads[i], board->bus_ohm,
                         run->step_s);
    }
    l->plant = &l->plants[0];
    l->bus.now = board->bus_v;
    l->frequency.now = run->frequency_hz;
    set_increment(l);
    l->counts_per_drive = run->pwm_counts / 32767.0;
    l->duty_per_count = 1.0 / run->pwm_counts;
    l->until_sample = run->steps_per_sample;
    l->phase = (uint64_t)(board->start_turn * 9007199254740992.0) << 11;
    l->sensor.zero = board->zero_code;
    l->sensor.delay_steps = (int32_t)(board->delay_s / run->step_s);
    l->sensor.delay_part = board->delay_s / run->step_s - l->sensor.delay_steps;
    l->update_at = -1;
    hc_reset(&l->regulator);
}

static void run_board(struct loop *l, const struct hc_event *events, const struct hc_results *r,
                      int64_t row, double *trace) {
    const struct hc_case *run = l->run;
    int32_t halves = 0, windows = 0;
    for (int32_t now = 0; now < run->steps; ++now) {
        while (l->next_event < run->event_count
               && event_step(l, &events[l->next_event]) <= now) {
            happen(l, &events[l->next_event++]);
        }
        if (l->until_sample == 0) {
            l->until_sample = run->steps_per_sample;
            hc_take_sample(l, now);
        }
        --l->until_sample;
        if (now == l->update_at) {
            hc_update(&l->regulator);
            hc_record_update(l, r, &windows, row);
        }
        {
            const uint64_t before = l->phase;
            const double energy_before = l->circuit.energy, v_before = l->circuit.x[1];
            const int16_t drive = hc_drive(&l->regulator, (uint16_t)(l->phase >> 48));
            const double duty = hc_duty(drive, l->counts_per_drive, l->duty_per_count);
            if (trace) {
                const double bus =
                    l->bus.now - l->board->bus_ohm * duty * l->circuit.x[0];
                trace[4 * now] = v_before;
                trace[4 * now + 1] = duty * bus;
                trace[4 * now + 2] = l->circuit.x[0];
                trace[4 * now + 3] = hc_load_current(&l->circuit, l->plant);
            }
            hc_circuit_step(&l->circuit, l->plant, duty, l->bus.now);
            l->phase += l->increment;
            if ((before ^ l->phase) >> 63 && r->half_mean_square) {
                close_half(l, r, &halves, row, now, energy_before, v_before);
            }
        }
        l->output[(now + 1) & (HC_HISTORY - 1)] = l->circuit.x[1];
        l->slope[(now + 1) & (HC_HISTORY - 1)] = l->circuit.slope;
        if (l->bus.steps_left > 0) {
            ramp_advance(&l->bus);
        }
        if (l->frequency.steps_left > 0) {
            ramp_advance(&l->frequency);
            set_increment(l);
        }
    }
    r->half_count[row] = halves;
    r->window_count[row] = windows;
}

void hc_simulate(const struct hc_case *run, const struct hc_event *events,
                 const struct hc_board *boards, int32_t board_count,
                 const struct hc_results *results) {
    struct loop l;
    for (int32_t i = 0; i < board_count; ++i) {
        start(&l, run, &boards[i]);
        run_board(&l, events, results, i, i == 0 ? results->trace : NULL);
    }
}

void hc_run_circuit(const struct hc_filter *filter, const struct hc_load *load, double bus_v,
                    double bus_ohm, double step_s, const double *duty, int32_t steps,
                    double *state, double *out) {
    struct hc_plant plant;
    struct hc_circuit circuit;
    memset(&circuit, 0, sizeof circuit);
    memcpy(circuit.x, state, sizeof circuit.x);
    hc_plant_prepare(&plant, filter, load, bus_ohm, step_s);
    for (int32_t i = 0; i < steps; ++i) {
        hc_circuit_step(&circuit, &plant, duty[i], bus_v);
        out[4 * i] = circuit.x[1];
        out[4 * i + 1] = circuit.x[0];
        out[4 * i + 2] = hc_load_current(&circuit, &plant);
        out[4 * i + 3] = circuit.energy;
    }
    memcpy(state, circuit.x, sizeof circuit.x);
}

void hc_noise_series(double key, int32_t count, double *out) {
    for (int32_t i = 0; i < count; ++i) {
        out[i] = hc_noise((uint64_t)key, (uint64_t)i);
    }
}

int32_t hc_board_doubles(void) { return (int32_t)(sizeof(struct hc_board) / sizeof(double)); }
