/* A virtual board as a co-simulation unit: its state. */
#ifndef HC_UNIT_BOARD_H
#define HC_UNIT_BOARD_H

#include "circuit.h"

#include <stdint.h>

struct hc_model {
    struct hc_circuit circuit;
    struct hc_load load;     /* the one that is connected */
    struct hc_plant plant;   /* computed from the parameters */
    int32_t steps;           /* of the circuit so far, modulo HC_HISTORY */
    int32_t wrapped;         /* whether there were as many already */
    double output[HC_HISTORY], slope[HC_HISTORY]; /* of the last steps, for the sensor's delay */
};

#define HC_WHOLE_FIELDS(FIELD) \
    FIELD(circuit.conducting, int) \
    FIELD(steps, int32_t) \
    FIELD(wrapped, int32_t)

#define HC_REAL_FIELDS(FIELD) \
    FIELD(circuit.x[0]) \
    FIELD(circuit.x[1]) \
    FIELD(circuit.x[2]) \
    FIELD(circuit.energy) \
    FIELD(circuit.slope) \
    FIELD(load.kind) \
    FIELD(load.series_ohm) \
    FIELD(load.series_h) \
    FIELD(load.drop_v) \
    FIELD(load.reservoir_f) \
    FIELD(load.reservoir_ohm)

#define HC_REAL_ARRAYS(ARRAY) \
    ARRAY(output, HC_HISTORY) \
    ARRAY(slope, HC_HISTORY)

#endif
