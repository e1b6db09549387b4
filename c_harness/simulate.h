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
    HC_EVENT_FREQUENCY = 5, /* value: Hz added to the nominal frequency */
    HC_EVENT_BUS_SENSOR = 6, /* value: HC_BUS_... */
    HC_EVENT_RIPPLE = 7     /* value: peak of a ripple of the bus at twice the mains, a share of it */
};

/* The sensor of the bus: OPEN reads its zero, UNREAD is not read any more. */
enum { HC_BUS_GOOD = 0, HC_BUS_OPEN = 1, HC_BUS_UNREAD = 2 };

/* STUCK repeats its last code, STUCK_AT the board's stuck_code, OPEN reads the nominal zero. */
enum { HC_SENSOR_GOOD = 0, HC_SENSOR_STUCK = 1, HC_SENSOR_OPEN = 2, HC_SENSOR_STUCK_AT = 3 };

/* Points of the reference's turn at which the wave at rest is kept. */
#define HC_WAVE 128

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
    double event_delay_s; /* added to the time of every event that moves */
    double late_s;        /* from a block's last sample to *_update */
    double stuck_code;
    double rated_v;       /* true RMS that the sensor, its gain included, reads as rated */
    double noise_key;     /* a whole number below 2^53 */
    double bus_codes_per_volt; /* of the bus sensor, if there is one */
    double bus_noise_codes;
    struct hc_load loads[HC_LOADS];
};

/* In the order in which they happen on every board. ramp_s: the bus or the frequency goes to its
   value in a straight line. moves: 1 if the board's event_delay_s is added to the time, 0 if not. */
struct hc_event {
    double time_s;
    double kind;
    double value;
    double ramp_s;
    double moves;
};

struct hc_case {
    double step_s;
    double frequency_hz;
    double true_s;         /* length over which the true RMS of an update is taken, back from its
                              block's last sample, at the nominal frequency; 0: since the last
                              one */
    double judged_s;       /* half cycles that end after this are judged, */
    double rest_s;         /* and those that begin after this are at rest; */
    double moves;          /* both move by this times the board's event_delay_s */
    double band;           /* of settling: a share of rated */
    double high;           /* a level of the half-cycle RMS: a share of rated */
    double ripple_cos;     /* by which the ripple of the bus turns in a step */
    double ripple_sin;
    double bus_zero_code;
    double bus_adc_max;
    int32_t steps_per_bus; /* from one reading of the bus to the next */
    int32_t bus_delay_steps;
    int32_t steps_per_sample;
    int32_t first_block;   /* after which *_update makes the first PI step: all that a window has */
    int32_t update_blocks; /* from one PI step to the next */
    int32_t steps;         /* length of the run */
    int32_t grid_steps;    /* between two points at which the half-cycle RMS is taken */
    int32_t wave_step;     /* from here on the wave at rest is kept, */
    int32_t wave_turns;    /* for so many whole turns */
    int32_t pwm_counts;
    int32_t adc_max;
    int32_t zero_code;     /* nominal zero: what a sensor that came off reads, before noise */
    int32_t half_limit;    /* room in the half-cycle arrays of each board */
    int32_t window_limit;  /* room in the window arrays of each board */
    int32_t event_count;
};

/* The half-cycle RMS of any start: over the half cycle that ends at an instant, for every instant.
   It is taken at the points of the grid and between them by the cubic through both, of which the
   slopes are known. */
struct hc_sliding {
    double rest_square;    /* V^2, over the last whole half cycles that begin at rest; 0 without */
    double settling_s;     /* from judged_s until the last one outside the band about it ends; of
                              a run without a rest about rated */
    double lowest_square;  /* V^2, judged ones */
    double highest_square;
    double high_s;         /* time for which it is above `high`, judged ones */
    double peak_v;         /* greatest size of the output itself, after judged_s */
};

/* Results. Arrays of boards x limit; a NULL array is left out. Rows end at the counts.
   half_*: one entry for each whole half cycle of the reference sine.
   window_*: one entry for each PI step: its newest block ended at window_end_s. */
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
    struct hc_sliding *sliding; /* one for each board; needs `grid` */
    double *grid;             /* room for 4 x (steps / grid_steps + 1) numbers, used by each board */
    double *wave;             /* boards x HC_WAVE: output V, the mean over the turns */
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
HC_EXPORT int32_t hc_event_doubles(void);

#endif
