/* One co-simulation unit (FMI 2.0): what the standard's calls (unit.c) and the model (unit_regulator.c
   or unit_board.c) share. unit_config.h is made for each unit: its variables, fields and constants. */
#ifndef HC_UNIT_H
#define HC_UNIT_H

#include "unit_config.h"

#include <stddef.h>
#include <stdint.h>

/* What another instance takes over if it goes on from here. Values by their value references. */
struct hc_unit_state {
    double real[HC_REALS];
    int32_t integer[HC_INTEGERS];
    int32_t boolean[HC_BOOLEANS];
    int32_t mode;
    uint64_t tick; /* base steps made: all that the unit knows of time */
    double start_s;
    struct hc_model model;
};

/* From the parameters and inputs to the outputs at the start. Returns NULL, or what is wrong with a
   value; then the unit cannot be run. */
const char *hc_model_start(struct hc_unit_state *unit);

/* One base step: inputs as they are at its start, outputs as they are at its end. Returns as
   hc_model_start. */
const char *hc_model_step(struct hc_unit_state *unit);

/* After the fields of the model were loaded: makes what is computed from them. */
void hc_model_loaded(struct hc_unit_state *unit);

#endif
