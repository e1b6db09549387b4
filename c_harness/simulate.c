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

struct point {
    double energy, square; /* of the output: V^2 s since the start, and V^2 */
};

/* `mean`: the half-cycle mean square. `halves`: length of a half cycle at each point, in intervals
   of the grid; NULL if the frequency stands still. */
struct grid {
    struct point *points;
    double *mean, *halves;
    double half;
    int32_t count;
};

struct bus {
    int state;
    uint64_t taken;      /* readings so far */
    int32_t until_read;  /* steps */
    double ripple;       /* peak, a share of the bus */
    double in_phase, across; /* of the ripple: cosine and sine of where it is */
    double past[HC_HISTORY]; /* V at the bridge, the bus's own resistance included */
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
    struct bus read;
    double output[HC_HISTORY], slope[HC_HISTORY]; /* of the last steps, for the sensor's delay */
    uint64_t phase, increment; /* of a step; 2^64 a turn */
    double counts_per_drive, duty_per_count;
    int32_t until_sample;      /* steps */
    int32_t until_due;         /* blocks until the next PI step */
    int32_t until_grid;
    int32_t next_event;
    int32_t late_steps;
    int32_t update_at;
    struct grid grid;
    int32_t wave_left;         /* points still to be kept */
    int in_wave;
    double half_start_s, half_energy;
    int started_half;
    double peak_v;
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
    l->grid.half = 9223372036854775808.0 / (double)l->increment / l->run->grid_steps;
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
    case HC_EVENT_BUS_SENSOR:
        l->read.state = (int)event->value;
        break;
    case HC_EVENT_RIPPLE:
        l->read.ripple = event->value;
        break;
    default:
        ramp_to(&l->frequency, l->run->frequency_hz + event->value, event->ramp_s, step);
        set_increment(l);
        break;
    }
}

static int32_t event_step(const struct loop *l, const struct hc_event *event) {
    const double time = event->time_s + event->moves * l->board->event_delay_s;
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
    if (sensor->state == HC_SENSOR_STUCK_AT) {
        return (uint16_t)l->board->stuck_code;
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

static double bus_now(const struct loop *l) {
    return l->bus.now * (1.0 + l->read.ripple * l->read.in_phase);
}

static void turn_ripple(struct loop *l) {
    struct bus *read = &l->read;
    const double was = read->in_phase;
    read->in_phase = was * l->run->ripple_cos - read->across * l->run->ripple_sin;
    read->across = was * l->run->ripple_sin + read->across * l->run->ripple_cos;
}

#ifdef HC_BUS
static void read_bus(struct loop *l, int32_t now) {
    struct bus *read = &l->read;
    const int32_t late = now - l->run->bus_delay_steps;
    const double volts = late < 1 ? l->board->bus_v : read->past[late & (HC_HISTORY - 1)];
    const double noise =
        hc_noise((uint64_t)l->board->noise_key ^ (UINT64_C(1) << 60), read->taken++);
    double exact = l->run->bus_zero_code + l->board->bus_noise_codes * noise;
    if (read->state == HC_BUS_UNREAD) {
        return;
    }
    if (read->state == HC_BUS_GOOD) {
        exact += volts * l->board->bus_codes_per_volt;
    }
    if (!(exact > 0.0)) {
        exact = 0.0;
    }
    hc_bus(&l->regulator,
           (uint16_t)(exact >= l->run->bus_adc_max ? l->run->bus_adc_max : exact + 0.5));
}
#endif

static void hc_record_update(struct loop *l, const struct hc_results *r, int32_t *count, int64_t row) {
    const int64_t at = row * l->run->window_limit + *count;
    if (*count >= l->run->window_limit) {
        return;
    }
    if (r->window_end_s) {
        r->window_end_s[at] = l->closed_end_s;
    }
    if (r->window_mean_square && !(l->run->true_s > 0.0)) {
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

static void do_update(struct loop *l, const struct hc_results *r, int32_t *count, int64_t row) {
    l->update_at = -1;
    hc_update(&l->regulator);
    if (--l->until_due <= 0) {
        l->until_due = l->run->update_blocks;
        hc_record_update(l, r, count, row);
    }
}

static void hc_take_sample(struct loop *l, int32_t now) {
    if (hc_sample(&l->regulator, convert(l, now))) {
        l->closed_start_s = l->window_start_s;
        l->closed_energy = l->window_energy;
        l->closed_end_s = l->window_start_s = now * l->run->step_s;
        l->closed_end_energy = l->window_energy = l->circuit.energy;
        l->update_at = now + l->late_steps;
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

/* One point of the wave at rest, if this step passed one: kept from the first whole turn on. */
static void keep_wave(struct loop *l, double *wave, uint64_t before, int32_t now) {
    const uint64_t part = UINT64_C(1) << 57; /* of a turn: HC_WAVE parts */
    const uint64_t index = l->phase >> 57;
    if (index == before >> 57) {
        return;
    }
    if (!l->in_wave) {
        if (index != 0) {
            return;
        }
        l->in_wave = 1;
    }
    {
        const double where = 1.0 - (double)(l->phase & (part - 1)) / (double)l->increment;
        const int32_t a = now & (HC_HISTORY - 1);
        const double step = l->run->step_s;
        wave[index] += hc_hermite(l->output[a], l->slope[a] * step, l->circuit.x[1],
                                  l->circuit.slope * step, where);
    }
    --l->wave_left;
}

/* ---- the half-cycle RMS of any start ---- */

static void grid_point(struct loop *l) {
    struct grid *g = &l->grid;
    const double v = l->circuit.x[1];
    struct point *point = &g->points[g->count];
    point->energy = l->circuit.energy;
    point->square = v * v;
    if (g->halves) {
        g->halves[g->count] = g->half;
    }
    ++g->count;
}

static double half_at(const struct grid *g, int32_t i) {
    return g->halves ? g->halves[i] : g->half;
}

/* Energy at `place` (0 is the start, 1 an interval later) by the cubic of its interval, and its
   derivative by the place. Nothing was put out before the start. */
static double energy_at(const struct grid *g, double interval_s, double place, double *slope) {
    int32_t i;
    double where, rest, rise, s0, s1;
    if (place <= 0.0) {
        *slope = 0.0;
        return 0.0;
    }
    i = (int32_t)place;
    i = i > g->count - 2 ? g->count - 2 : i;
    where = place - i;
    rest = 1.0 - where;
    s0 = g->points[i].square * interval_s;
    s1 = g->points[i + 1].square * interval_s;
    rise = g->points[i + 1].energy - g->points[i].energy;
    *slope = 6.0 * where * rest * rise + s0 * rest * (rest - 2.0 * where)
           + s1 * where * (where - 2.0 * rest);
    return hc_hermite(g->points[i].energy, s0, g->points[i + 1].energy, s1, where);
}

/* Change of the half-cycle mean square over an interval of the grid, at its point i. */
static double mean_slope(const struct grid *g, double interval_s, int32_t i) {
    const double half = half_at(g, i);
    double before;
    (void)energy_at(g, interval_s, i - half, &before);
    return (g->points[i].square * interval_s - before) / (half * interval_s);
}

/* The means at points first up to, not including, end, if the half cycle is as long at all. */
static void means_of(struct grid *g, double interval_s, int32_t first, int32_t end, double half) {
    const int32_t back = (int32_t)half + 1;
    const double a = hc_hermite(1.0, 0.0, 0.0, 0.0, back - half);
    const double b = hc_hermite(0.0, interval_s, 0.0, 0.0, back - half);
    const double c = hc_hermite(0.0, 0.0, 1.0, 0.0, back - half);
    const double d = hc_hermite(0.0, 0.0, 0.0, interval_s, back - half);
    const double per_half = 1.0 / (half * interval_s);
    const struct point *points = g->points;
    double *mean = g->mean;
    for (; first < end && first < back; ++first) { /* It began before the start. */
        mean[first] = points[first].energy * per_half;
    }
    for (int32_t i = first; i < end; ++i) {
        const struct point *p = &points[i - back];
        mean[i] = (points[i].energy - a * p[0].energy - b * p[0].square - c * p[1].energy
                   - d * p[1].square) * per_half;
    }
}

static void half_cycle_means(struct grid *g, double interval_s, int32_t first) {
    if (!g->halves) {
        means_of(g, interval_s, first, g->count, g->half);
        return;
    }
    while (first < g->count) {
        int32_t end = first + 1;
        while (end < g->count && g->halves[end] == g->halves[first]) {
            ++end;
        }
        means_of(g, interval_s, first, end, g->halves[first]);
        first = end;
    }
}

/* Where between points i and i + 1, of which one is above the level and one is not, it is passed:
   0 to 1. */
static double passing(const struct grid *g, double interval_s, int32_t i, double level) {
    const double s0 = mean_slope(g, interval_s, i), s1 = mean_slope(g, interval_s, i + 1);
    const int above = g->mean[i] > level;
    double low = 0.0, high = 1.0;
    for (int n = 0; n < 40; ++n) {
        const double middle = 0.5 * (low + high);
        if ((hc_hermite(g->mean[i], s0, g->mean[i + 1], s1, middle) > level) == above) {
            low = middle;
        } else {
            high = middle;
        }
    }
    return 0.5 * (low + high);
}

/* The extreme beside point i: sign 1 for the highest, -1 for the lowest. */
static double extreme(const struct grid *g, double interval_s, int32_t i, int32_t first,
                      double sign) {
    double found = g->mean[i];
    for (int32_t k = i > first ? i - 1 : i; k <= i && k + 1 < g->count; ++k) {
        const double s0 = mean_slope(g, interval_s, k), s1 = mean_slope(g, interval_s, k + 1);
        for (int n = 1; n < 16; ++n) {
            const double at = hc_hermite(g->mean[k], s0, g->mean[k + 1], s1, n / 16.0);
            found = sign * at > sign * found ? at : found;
        }
    }
    return found;
}

/* By Newton from above, until it falls no more. */
static double hc_square_root(double value) {
    double root = value > 1.0 ? value : 1.0, next = 0.5 * (root + value / root);
    if (!(value > 0.0)) {
        return 0.0;
    }
    while (next < root) {
        root = next;
        next = 0.5 * (root + value / root);
    }
    return root;
}

static void judge(struct loop *l, struct hc_sliding *out) {
    struct grid *g = &l->grid;
    const struct hc_case *run = l->run;
    const double interval_s = run->grid_steps * run->step_s;
    const double moved = run->moves * l->board->event_delay_s, rated = l->board->rated_v;
    const double from = (run->judged_s + moved) / interval_s;
    const int32_t first = (int32_t)from + 1;
    int32_t low = first, top = first, outside = 0;
    double above, below, rest = rated, high = run->high * rated;
    memset(out, 0, sizeof *out);
    out->peak_v = l->peak_v;
    if (first >= g->count) {
        return;
    }
    high *= high;
    half_cycle_means(g, interval_s, first > 1 ? first - 1 : 1);
    for (int32_t i = first; i < g->count; ++i) {
        low = g->mean[i] < g->mean[low] ? i : low;
        top = g->mean[i] > g->mean[top] ? i : top;
    }
    out->lowest_square = extreme(g, interval_s, low, first, -1.0);
    out->highest_square = extreme(g, interval_s, top, first, 1.0);
    /* A cubic may dip below zero. */
    out->lowest_square = out->lowest_square > 0.0 ? out->lowest_square : 0.0;
    if (out->highest_square > high) {
        out->high_s = g->mean[first] > high ? (first - from) * interval_s : 0.0;
        for (int32_t i = first; i + 1 < g->count; ++i) {
            if (g->mean[i] > high && g->mean[i + 1] > high) {
                out->high_s += interval_s;
            } else if (g->mean[i] > high || g->mean[i + 1] > high) {
                const double where = passing(g, interval_s, i, high);
                out->high_s += interval_s * (g->mean[i] > high ? where : 1.0 - where);
            }
        }
    }
    /* The last whole half cycles that begin at rest. */
    if (run->rest_s + moved < run->steps * run->step_s) {
        const int32_t last = g->count - 1;
        const double half = half_at(g, last);
        const int32_t halves = (int32_t)((last - (run->rest_s + moved) / interval_s) / half);
        if (halves > 0) {
            double slope;
            const double before = energy_at(g, interval_s, last - halves * half, &slope);
            out->rest_square =
                (g->points[last].energy - before) / (halves * half * interval_s);
            rest = hc_square_root(out->rest_square);
        }
    }
    above = (rest + run->band * rated) * (rest + run->band * rated);
    below = rest > run->band * rated ? rest - run->band * rated : 0.0;
    below *= below;
    for (int32_t i = g->count - 1; i >= first; --i) {
        if (g->mean[i] > above || g->mean[i] < below) {
            outside = i;
            break;
        }
    }
    if (outside) {
        double end = outside;
        if (outside + 1 < g->count) {
            end += passing(g, interval_s, outside, g->mean[outside] > above ? above : below);
        }
        out->settling_s = (end - from) * interval_s;
    }
}

/* The true RMS of windows that overlap, or that hold no whole number of half cycles: over as many of
   the half cycles as the reference has then. */
static void true_means(const struct loop *l, const struct hc_results *r, int64_t row,
                       int32_t count) {
    const struct grid *g = &l->grid;
    const double interval_s = l->run->grid_steps * l->run->step_s;
    double slope;
    for (int64_t at = row * l->run->window_limit; count > 0; --count, ++at) {
        const double end = r->window_end_s[at] / interval_s;
        const int32_t point = end < g->count ? (int32_t)end : g->count - 1;
        const double length = g->halves
                                  ? l->run->true_s * 2.0 * l->run->frequency_hz * g->halves[point]
                                  : l->run->true_s / interval_s;
        const double energy = energy_at(g, interval_s, end, &slope);
        const double square =
            (energy - energy_at(g, interval_s, end - length, &slope)) / (length * interval_s);
        r->window_mean_square[at] = square > 0.0 ? square : 0.0;
    }
}

/* ---- one board ---- */

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
    l->until_due = run->first_block;
    l->late_steps = (int32_t)(board->late_s / run->step_s + 0.5);
    l->wave_left = run->wave_turns * HC_WAVE;
    l->phase = (uint64_t)(board->start_turn * 9007199254740992.0) << 11;
    l->sensor.zero = board->zero_code;
    l->sensor.delay_steps = (int32_t)(board->delay_s / run->step_s);
    l->sensor.delay_part = board->delay_s / run->step_s - l->sensor.delay_steps;
    l->update_at = -1;
    l->read.in_phase = 1.0;
    hc_reset(&l->regulator);
    hc_set_target_mv(&l->regulator, HC_RATED_MV);
}

static void place_grid(struct loop *l, const struct hc_event *events, const struct hc_results *r) {
    const int64_t room = l->run->steps / l->run->grid_steps + 1;
    l->grid.points = (struct point *)r->grid;
    l->grid.mean = r->grid + 2 * room;
    for (int32_t i = 0; i < l->run->event_count; ++i) {
        if ((int)events[i].kind == HC_EVENT_FREQUENCY) {
            l->grid.halves = r->grid + 3 * room;
        }
    }
    grid_point(l);
    l->until_grid = l->run->grid_steps;
}

static void run_board(struct loop *l, const struct hc_event *events, const struct hc_results *r,
                      int64_t row, double *trace) {
    const struct hc_case *run = l->run;
    double *wave = r->wave ? r->wave + row * HC_WAVE : NULL;
    const double judged = (run->judged_s + run->moves * l->board->event_delay_s) / run->step_s;
    int32_t halves = 0, windows = 0;
    place_grid(l, events, r);
    for (int32_t now = 0; now < run->steps; ++now) {
        while (l->next_event < run->event_count
               && event_step(l, &events[l->next_event]) <= now) {
            happen(l, &events[l->next_event++]);
        }
        /* An update that ends as the next sample comes has kept its time. */
        if (now == l->update_at) {
            do_update(l, r, &windows, row);
        }
#ifdef HC_BUS
        if (l->read.until_read == 0) {
            l->read.until_read = run->steps_per_bus;
            read_bus(l, now);
        }
        --l->read.until_read;
#endif
        if (l->until_sample == 0) {
            l->until_sample = run->steps_per_sample;
            hc_take_sample(l, now);
            if (now == l->update_at) {
                do_update(l, r, &windows, row);
            }
        }
        --l->until_sample;
        {
            const uint64_t before = l->phase;
            const double energy_before = l->circuit.energy, v_before = l->circuit.x[1];
            const int16_t drive = hc_drive(&l->regulator, (uint16_t)(l->phase >> 48));
            const double duty = hc_duty_of_drive(drive, l->counts_per_drive, l->duty_per_count);
            const double source = bus_now(l);
            const double bus = source - l->board->bus_ohm * duty * l->circuit.x[0];
#ifdef HC_BUS
            l->read.past[(now + 1) & (HC_HISTORY - 1)] = bus;
#endif
            if (trace) {
                trace[4 * now] = v_before;
                trace[4 * now + 1] = duty * bus;
                trace[4 * now + 2] = l->circuit.x[0];
                trace[4 * now + 3] = hc_load_current(&l->circuit, l->plant);
            }
            hc_circuit_step(&l->circuit, l->plant, duty, source);
            if (now + 1 > judged) {
                const double size = l->circuit.x[1] < 0.0 ? -l->circuit.x[1] : l->circuit.x[1];
                l->peak_v = size > l->peak_v ? size : l->peak_v;
            }
            if (l->read.ripple != 0.0) {
                turn_ripple(l);
            }
            l->phase += l->increment;
            if ((before ^ l->phase) >> 63 && r->half_mean_square) {
                close_half(l, r, &halves, row, now, energy_before, v_before);
            }
            if (now >= run->wave_step && l->wave_left > 0 && wave) {
                keep_wave(l, wave, before, now);
            }
        }
        if (--l->until_grid == 0) {
            l->until_grid = run->grid_steps;
            grid_point(l);
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
    if (r->sliding) {
        judge(l, &r->sliding[row]);
    }
    if (run->true_s > 0.0 && r->window_mean_square && r->window_end_s) {
        true_means(l, r, row, windows);
    }
    for (int i = 0; wave && i < HC_WAVE; ++i) {
        wave[i] /= run->wave_turns;
    }
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

int32_t hc_event_doubles(void) { return (int32_t)(sizeof(struct hc_event) / sizeof(double)); }
