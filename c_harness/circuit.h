/* The power circuit of one virtual board: an averaged bridge into an LC filter and a load.

   Left out on purpose: the bridge's switching ripple and dead time (the bridge is its average
   over a switching period), saturation of the choke, and any capacitance of the DC bus.

   Portable C99, double, no libm: the same source gives the same numbers on every machine with
   IEEE-754 doubles, if the compiler does not contract products and sums. */
#ifndef HC_CIRCUIT_H
#define HC_CIRCUIT_H

#include <stdint.h>

/* A switching instant of the rectifier is found to the step divided by 2^HC_DYADIC. */
#define HC_DYADIC 20
/* Pieces of a step if the bus has a resistance: its sag is then good to 0.1 % (see step). */
#define HC_BUS_PIECES 4
/* Longest sensor delay, in steps. */
#define HC_HISTORY 1024

enum { HC_LOAD_NONE = 0, HC_LOAD_RESISTOR = 1, HC_LOAD_SERIES_RL = 2, HC_LOAD_RECTIFIER = 3 };

/* Only doubles, so that a table of rows is a table of these. Fields not used by a kind are 0. */
struct hc_load {
    double kind;           /* HC_LOAD_... */
    double series_ohm;     /* the resistor, the R of R-L, or the resistor before the rectifier */
    double series_h;       /* the L of R-L */
    double drop_v;         /* forward drop of the two diodes in the path */
    double reservoir_f;    /* capacitor behind the rectifier */
    double reservoir_ohm;  /* resistor across it */
};

struct hc_filter {
    double inductance_h;
    double winding_ohm;
    double capacitance_f;
};

/* x(t + dt) = phi x(t) + gamma u + offset, exact for a bridge voltage u held over dt. */
struct hc_flow {
    double phi[3][3];
    double gamma[3];
    double offset[3];
    double dt;
};

/* One filter with one load, prepared for one step in `pieces`: level j moves by a piece / 2^j.
   `on` is used by the rectifier alone, while it conducts on the positive half wave. */
struct hc_plant {
    struct hc_filter filter;
    struct hc_load load;
    int kind;           /* load.kind */
    double siemens;     /* 1 over the load's series_ohm, 0 without */
    double per_farad;   /* 1 over the filter's capacitance */
    double bus_per_h;   /* bus resistance over the filter's inductance */
    int pieces;
    struct hc_flow off[HC_DYADIC + 1];
    struct hc_flow on[HC_DYADIC + 1];
};

/* x: choke current (A), output voltage (V), and the load's own state: current of R-L (A) or
   voltage of the reservoir (V). `conducting` is the polarity of the rectifier's current, or 0.
   `energy` is the integral of the squared output voltage since the start (V^2 s), `slope` that of
   the output voltage after the last step (V/s). */
struct hc_circuit {
    double x[3];
    double energy;
    double slope;
    int conducting;
};

void hc_plant_prepare(struct hc_plant *plant, const struct hc_filter *filter,
                      const struct hc_load *load, double bus_ohm, double step_s);

/* Connects another load: its own state starts at rest, a rectifier's reservoir empty. */
void hc_circuit_connect(struct hc_circuit *circuit, const struct hc_plant *plant);

/* One step with the bridge at `duty` (-1..1) of a bus of `bus_v` behind the plant's bus_ohm. */
void hc_circuit_step(struct hc_circuit *circuit, const struct hc_plant *plant, double duty,
                     double bus_v);

double hc_load_current(const struct hc_circuit *circuit, const struct hc_plant *plant);

/* The drive's value (32767 = bus) as a duty on the modulator's grid: counts_per_drive is its counts
   each way over 32767, duty_per_count is 1 over its counts. */
double hc_duty_of_drive(int32_t drive, double counts_per_drive, double duty_per_count);

/* Value at `where` (0..1) of the cubic through two points with given slopes (per unit of where). */
double hc_hermite(double y0, double slope0, double y1, double slope1, double where);

/* Near-gaussian noise, mean 0 and deviation 1, a function of key and counter alone: the sum of 12
   uniform numbers of 16 bits less 6, so nothing beyond 6 deviations. */
double hc_noise(uint64_t key, uint64_t counter);

#endif
