#include "circuit.h"

#include <string.h>

enum { CURRENT = 0, VOLTAGE = 1, LOAD = 2 };

struct linear {
    double a[3][3]; /* d/dt of the state by the state */
    double b[3];    /* by the bridge voltage */
    double c[3];    /* constant */
};

static double magnitude(double value) { return value < 0.0 ? -value : value; }

/* ---- the equations, one place ---- */

static void equations(struct linear *e, const struct hc_filter *f, const struct hc_load *load,
                      int conducting) {
    memset(e, 0, sizeof *e);
    e->a[CURRENT][CURRENT] = -f->winding_ohm / f->inductance_h;
    e->a[CURRENT][VOLTAGE] = -1.0 / f->inductance_h;
    e->b[CURRENT] = 1.0 / f->inductance_h;
    e->a[VOLTAGE][CURRENT] = 1.0 / f->capacitance_f;
    switch ((int)load->kind) {
    case HC_LOAD_RESISTOR:
        e->a[VOLTAGE][VOLTAGE] = -1.0 / (load->series_ohm * f->capacitance_f);
        break;
    case HC_LOAD_SERIES_RL:
        e->a[VOLTAGE][LOAD] = -1.0 / f->capacitance_f;
        e->a[LOAD][VOLTAGE] = 1.0 / load->series_h;
        e->a[LOAD][LOAD] = -load->series_ohm / load->series_h;
        break;
    case HC_LOAD_RECTIFIER:
        e->a[LOAD][LOAD] = -1.0 / (load->reservoir_ohm * load->reservoir_f);
        if (conducting) { /* current = (output - drop - reservoir) / series_ohm */
            const double by_output = 1.0 / (load->series_ohm * f->capacitance_f);
            const double by_reservoir = 1.0 / (load->series_ohm * load->reservoir_f);
            e->a[VOLTAGE][VOLTAGE] -= by_output;
            e->a[VOLTAGE][LOAD] += by_output;
            e->c[VOLTAGE] += load->drop_v * by_output;
            e->a[LOAD][VOLTAGE] += by_reservoir;
            e->a[LOAD][LOAD] -= by_reservoir;
            e->c[LOAD] -= load->drop_v * by_reservoir;
        }
        break;
    default:
        break;
    }
}

/* ---- exact discretisation ---- */

typedef double matrix[3][3];

static void multiply(matrix out, matrix left, matrix right) {
    for (int i = 0; i < 3; ++i) {
        for (int j = 0; j < 3; ++j) {
            out[i][j] = left[i][0] * right[0][j] + left[i][1] * right[1][j]
                      + left[i][2] * right[2][j];
        }
    }
}

/* power = e^(A dt), integral = the integral of e^(A s) from 0 to dt, by Taylor's series.
   Called with |A| dt <= 1/2 only: the rest after 15 terms is below 2^-16 / 16!, 1e-18. */
static void taylor(matrix power, matrix integral, matrix a, double dt) {
    matrix term = {{1, 0, 0}, {0, 1, 0}, {0, 0, 1}};
    matrix next;
    memset(power, 0, sizeof(matrix));
    memset(integral, 0, sizeof(matrix));
    for (int k = 0; k <= 15; ++k) {
        for (int i = 0; i < 3; ++i) {
            for (int j = 0; j < 3; ++j) {
                power[i][j] += term[i][j];
                integral[i][j] += term[i][j] * dt / (k + 1);
            }
        }
        multiply(next, term, a);
        for (int i = 0; i < 3; ++i) {
            for (int j = 0; j < 3; ++j) {
                term[i][j] = next[i][j] * dt / (k + 1);
            }
        }
    }
}

/* Flows for step, step/2, ... step/2^(levels-1); doubled only from where the series is good. */
static void discretise(struct hc_flow *flows, int levels, struct linear *e, double step) {
    matrix power, integral, product;
    double norm = 0.0, dt = step;
    int level = 0;
    for (int i = 0; i < 3; ++i) {
        const double row = magnitude(e->a[i][0]) + magnitude(e->a[i][1]) + magnitude(e->a[i][2]);
        norm = row > norm ? row : norm;
    }
    while (level < levels - 1 || norm * dt > 0.5) {
        dt *= 0.5;
        ++level;
    }
    taylor(power, integral, e->a, dt);
    for (;;) {
        if (level < levels) {
            struct hc_flow *flow = &flows[level];
            memcpy(flow->phi, power, sizeof(matrix));
            for (int i = 0; i < 3; ++i) {
                flow->gamma[i] = integral[i][0] * e->b[0] + integral[i][1] * e->b[1]
                               + integral[i][2] * e->b[2];
                flow->offset[i] = integral[i][0] * e->c[0] + integral[i][1] * e->c[1]
                                + integral[i][2] * e->c[2];
            }
            flow->dt = dt;
        }
        if (level == 0) {
            break;
        }
        --level;
        dt *= 2.0;
        if (norm * dt <= 0.5) {
            taylor(power, integral, e->a, dt);
            continue;
        }
        multiply(product, power, integral); /* before power is doubled */
        for (int i = 0; i < 3; ++i) {
            for (int j = 0; j < 3; ++j) {
                integral[i][j] += product[i][j];
            }
        }
        multiply(product, power, power);
        memcpy(power, product, sizeof(matrix));
    }
}

void hc_plant_prepare(struct hc_plant *plant, const struct hc_filter *filter,
                      const struct hc_load *load, double bus_ohm, double step_s) {
    struct linear e;
    const int switches = (int)load->kind == HC_LOAD_RECTIFIER;
    plant->kind = (int)load->kind;
    plant->siemens = load->series_ohm > 0.0 ? 1.0 / load->series_ohm : 0.0;
    plant->per_farad = 1.0 / filter->capacitance_f;
    plant->bus_per_h = bus_ohm / filter->inductance_h;
    plant->filter = *filter;
    plant->load = *load;
    plant->pieces = bus_ohm > 0.0 ? HC_BUS_PIECES : 1;
    step_s /= plant->pieces;
    equations(&e, filter, load, 0);
    discretise(plant->off, switches ? HC_DYADIC + 1 : 1, &e, step_s);
    if (switches) {
        equations(&e, filter, load, 1);
        discretise(plant->on, HC_DYADIC + 1, &e, step_s);
    }
}

/* ---- what the states mean ---- */

void hc_circuit_connect(struct hc_circuit *circuit, const struct hc_plant *plant) {
    (void)plant;
    circuit->x[LOAD] = 0.0;
    circuit->conducting = 0;
}

static double load_current(const struct hc_circuit *circuit, const struct hc_plant *plant) {
    const double *x = circuit->x;
    switch (plant->kind) {
    case HC_LOAD_RESISTOR:
        return x[VOLTAGE] * plant->siemens;
    case HC_LOAD_SERIES_RL:
        return x[LOAD];
    case HC_LOAD_RECTIFIER:
        return circuit->conducting == 0
                   ? 0.0
                   : (x[VOLTAGE] - circuit->conducting * (plant->load.drop_v + x[LOAD]))
                         * plant->siemens;
    default:
        return 0.0;
    }
}

double hc_load_current(const struct hc_circuit *circuit, const struct hc_plant *plant) {
    return load_current(circuit, plant);
}

static double output_slope(const struct hc_circuit *circuit, const struct hc_plant *plant) {
    return (circuit->x[CURRENT] - load_current(circuit, plant)) * plant->per_farad;
}

/* ---- moving in time ---- */

static void flow_along(double *y, const struct hc_flow *flow, const double *x, double u) {
    for (int i = 0; i < 3; ++i) {
        y[i] = flow->phi[i][0] * x[0] + flow->phi[i][1] * x[1] + flow->phi[i][2] * x[2]
             + flow->gamma[i] * u + flow->offset[i];
    }
}

/* Takes over the state y, reached in dt with one linear law, and adds v^2 dt by the trapezoid
   corrected with the slopes at both ends (error dt^5 / 720 times the fourth derivative). */
static void arrive(struct hc_circuit *circuit, const struct hc_plant *plant, const double *y,
                   double dt) {
    const double v0 = circuit->x[VOLTAGE];
    const double slope0 = output_slope(circuit, plant);
    double v1;
    for (int i = 0; i < 3; ++i) {
        circuit->x[i] = y[i];
    }
    v1 = circuit->x[VOLTAGE];
    circuit->slope = output_slope(circuit, plant);
    circuit->energy += 0.5 * dt * (v0 * v0 + v1 * v1)
                     + dt * dt / 6.0 * (v0 * slope0 - v1 * circuit->slope);
}

/* By how much the state y stays on the conducting law (>= 0) or off it (< 0). */
static double forward_voltage(const struct hc_load *load, int conducting, const double *y) {
    const double output = conducting == 0 ? magnitude(y[VOLTAGE]) : conducting * y[VOLTAGE];
    return output - load->drop_v - y[LOAD];
}

static void rectifier_move(double *y, const struct hc_plant *plant, int level, int conducting,
                           const double *x, double u) {
    if (conducting < 0) { /* the negative half wave is the positive one mirrored */
        const double mirrored[3] = {-x[CURRENT], -x[VOLTAGE], x[LOAD]};
        flow_along(y, &plant->on[level], mirrored, -u);
        y[CURRENT] = -y[CURRENT];
        y[VOLTAGE] = -y[VOLTAGE];
    } else {
        flow_along(y, conducting ? &plant->on[level] : &plant->off[level], x, u);
    }
}

static void rectifier_step(struct hc_circuit *circuit, const struct hc_plant *plant, double u) {
    int32_t remaining = (int32_t)1 << HC_DYADIC;
    while (remaining > 0) {
        double y[3];
        /* The longest way on the present law, from long to short pieces: after the pass the
           switching instant, if there is one, lies within the next 2^-HC_DYADIC of a step. */
        for (int level = 0; level <= HC_DYADIC && remaining > 0; ++level) {
            const int32_t size = (int32_t)1 << (HC_DYADIC - level);
            if (size > remaining) {
                continue;
            }
            rectifier_move(y, plant, level, circuit->conducting, circuit->x, u);
            if ((forward_voltage(&plant->load, circuit->conducting, y) >= 0.0)
                == (circuit->conducting != 0)) {
                arrive(circuit, plant, y, plant->off[level].dt);
                remaining -= size;
            }
        }
        if (remaining > 0) { /* across the switching instant, so that each pass makes way */
            rectifier_move(y, plant, HC_DYADIC, circuit->conducting, circuit->x, u);
            arrive(circuit, plant, y, plant->off[HC_DYADIC].dt);
            --remaining;
            if (circuit->conducting != 0) {
                circuit->conducting = 0;
            } else {
                circuit->conducting = y[VOLTAGE] > 0.0 ? 1 : -1;
            }
        }
    }
}

void hc_circuit_step(struct hc_circuit *circuit, const struct hc_plant *plant, double duty,
                     double bus_v) {
    /* Power balance of the lossless averaged bridge: it draws duty * current from the bus, so the
       bus resistance appears in series with the choke as duty^2 bus_ohm. Its decay of the current
       is split in halves around an exact piece of the step (Strang). With w the filter's resonance
       and h a piece, the sag comes out (w h)^2 / 12 too small. */
    const double half = 0.5 * plant->off[0].dt * duty * duty * plant->bus_per_h;
    const double decay = (1.0 - 0.5 * half) / (1.0 + 0.5 * half);
    for (int piece = 0; piece < plant->pieces; ++piece) {
        circuit->x[CURRENT] *= decay;
        if (plant->kind == HC_LOAD_RECTIFIER) {
            rectifier_step(circuit, plant, duty * bus_v);
        } else {
            double y[3];
            flow_along(y, &plant->off[0], circuit->x, duty * bus_v);
            arrive(circuit, plant, y, plant->off[0].dt);
        }
        circuit->x[CURRENT] *= decay;
    }
    if (plant->pieces > 1) { /* The decay came after the slope was taken. */
        circuit->slope = output_slope(circuit, plant);
    }
}

/* ---- small things ---- */

double hc_duty_of_drive(int32_t drive, double counts_per_drive, double duty_per_count) {
    /* drive * counts / 32767 is never half way between two whole numbers, as 32767 is odd: the
       nearest it comes is 1.5e-5, so that rounding of the factor does not show. */
    const double exact = drive * counts_per_drive;
    const int32_t grid = (int32_t)(exact < 0.0 ? exact - 0.5 : exact + 0.5);
    return grid * duty_per_count;
}

double hc_hermite(double y0, double slope0, double y1, double slope1, double where) {
    const double rest = 1.0 - where;
    return y0 * rest * rest * (1.0 + 2.0 * where) + y1 * where * where * (3.0 - 2.0 * where)
         + slope0 * where * rest * rest - slope1 * where * where * rest;
}

/* The finaliser of SplitMix64 (Steele, Lea, Flood 2014, constants from memory). */
static uint64_t scramble(uint64_t z) {
    z = (z ^ (z >> 30)) * UINT64_C(0xBF58476D1CE4E5B9);
    z = (z ^ (z >> 27)) * UINT64_C(0x94D049BB133111EB);
    return z ^ (z >> 31);
}

double hc_noise(uint64_t key, uint64_t counter) {
    const uint64_t stream = scramble(key + UINT64_C(0x9E3779B97F4A7C15));
    uint64_t sum = 0;
    for (uint64_t i = 1; i <= 3; ++i) {
        const uint64_t word = scramble(stream + (3 * counter + i) * UINT64_C(0x9E3779B97F4A7C15));
        sum += (word >> 48) + (word >> 32 & 0xFFFF) + (word >> 16 & 0xFFFF) + (word & 0xFFFF);
    }
    return ((double)sum + 6.0) / 65536.0 - 6.0;
}
