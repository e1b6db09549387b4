/* The closed loop on many virtual boards: a generated regulator against the circuit.
   Built as one library with the regulator and a regulator.h that is made for it
   (halfcycle.verify.c_interface). */
#ifndef HC_SIMULATE_H
#define HC_SIMULATE_H

#include "circuit.h"

#define HC_LOADS 3

enum {
    HC_EVENT_TARGET = 0,    /* value: millivolts RMS for *_set_target_mv */
    HC_EVENT_LOAD = 1,      /* value: index of one of the board's loads */
    HC_EVENT_BUS = 2,       /* value: bus volts; 0 is the board's own */
    HC_EVENT_SENSOR = 3,    /* value: HC_SENSOR_... */
    HC_EVENT_ZERO = 4,      /* value: codes by which the sensor's zero is off the nominal */
    HC_EVENT_FREQUENCY = 5  /* value: Hz added to the nominal frequency */
};

enum { HC_SENSOR_GOOD = 0, HC_SENSOR_STUCK = 1, HC_SENSOR_OPEN = 2 };

/* Only doubles, in this order: the table of boards is a plain array of them. */
struct hc_board {
    struct hc_filter filter;
    double bus_v;
    double bus_ohm;
    double codes_per_volt;
    double zero_code;
    double delay_s;
    double noise_codes;
    double start_turn;    /* phase of the sine at the start, 0 to 1 turn */
    double event_delay_s; /* added to the time of every event after the start */
    double noise_key;     /* a whole number below 2^53 */
    struct hc_load loads[HC_LOADS];
};

/* In order of time_s. ramp_s: the bus or the frequency goes to its value in a straight line. */
struct hc_event {
    double time_s;
    double kind;
    double value;
    double ramp_s;
};

struct hc_case {
    double step_s;
    double frequency_hz;
    int32_t steps_per_sample;
    int32_t steps;         /* length of the run */
    int32_t latency_steps; /* from the window's last sample to *_update */
    int32_t pwm_counts;
    int32_t adc_max;
    int32_t zero_code;     /* nominal zero: what a sensor that came off reads, before noise */
    int32_t half_limit;    /* room in the half-cycle arrays of each board */
    int32_t window_limit;  /* room in the window arrays of each board */
    int32_t event_count;
};

/* Results. Arrays of boards x limit; a NULL array is left out. Rows end at the counts.
   half_*: one entry for each whole half cycle of the reference sine.
   window_*: one entry for each *_update: the window it used ended at window_end_s less latency. */
struct hc_results {
    int32_t *half_count;
    double *half_end_s;
    double *half_mean_square; /* V^2, of the true output */
    int32_t *window_count;
    double *window_end_s;
    double *window_mean_square;
    int32_t *window_reported_mv;
    int32_t *window_scale;    /* in force after this update */
    int32_t *window_flags;
    double *trace;            /* steps x 4, of the first board only, at the start of each step:
                                 output V, bridge V, choke A, load A */
};

#ifdef _WIN32
#define HC_EXPORT __declspec(dllexport)
#else
#define HC_EXPORT
#endif

HC_EXPORT void hc_simulate(const struct hc_case *run, const struct hc_event *events,
                           const struct hc_board *boards, int32_t board_count,
                           const struct hc_results *results);

/* The circuit alone under given duties: out is steps x 4 (output V, choke A, load A, integral of
   the squared output V^2 s), each after its step. `state` holds x[3] before and after. */
HC_EXPORT void hc_run_circuit(const struct hc_filter *filter, const struct hc_load *load,
                              double bus_v, double bus_ohm, double step_s, const double *duty,
                              int32_t steps, double *state, double *out);

HC_EXPORT void hc_noise_series(double key, int32_t count, double *out);

HC_EXPORT int32_t hc_board_doubles(void); /* in one row of the table of boards */

#endif
