/* The generated regulator as a co-simulation unit: its state. HC_WHOLE_FIELDS, the list of its fields,
   is in unit_config.h, since they depend on the spec. */
#ifndef HC_UNIT_REGULATOR_H
#define HC_UNIT_REGULATOR_H

#include "regulator.h"

#include <stdint.h>

struct hc_model {
    struct hc_state regulator;
#ifdef HC_TURN
    struct hc_turn turn;
    int32_t millihertz; /* as it was set, 0: never */
#else
    uint64_t phase; /* 2^64 a turn */
#endif
    int32_t target_mv;    /* as it was set */
    int32_t until_sample; /* base steps */
    int32_t until_update; /* base steps; 0: none is due */
#ifdef HC_BUS
    int32_t until_bus;    /* base steps */
#endif
};

#define HC_REAL_FIELDS(FIELD)
#define HC_REAL_ARRAYS(ARRAY)

#endif
