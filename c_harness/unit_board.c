/* One base step of a virtual board: modulator, averaged bridge, filter, load, sensor and ADC, as
   simulate.c has them. */
#include "unit.h"

#include <string.h>

static struct hc_load wanted_load(const struct hc_unit_state *unit)
{
    struct hc_load load;
    load.kind = unit->integer[HC_INTEGER_load_kind];
    load.series_ohm = unit->real[HC_REAL_load_series_ohm];
    load.series_h = unit->real[HC_REAL_load_series_h];
    load.drop_v = unit->real[HC_REAL_load_drop_v];
    load.reservoir_f = unit->real[HC_REAL_load_reservoir_f];
    load.reservoir_ohm = unit->real[HC_REAL_load_reservoir_ohm];
    return load;
}

static int same_load(const struct hc_load *a, const struct hc_load *b)
{
    return a->kind == b->kind && a->series_ohm == b->series_ohm && a->series_h == b->series_h
        && a->drop_v == b->drop_v && a->reservoir_f == b->reservoir_f
        && a->reservoir_ohm == b->reservoir_ohm;
}

static const char *fault_of(const struct hc_load *load)
{
    const int kind = (int)load->kind;
    if (kind != HC_LOAD_NONE && kind != HC_LOAD_SERIES_RL && !(load->series_ohm > 0.0)) {
        return "load_series_ohm must be above 0 for this load_kind";
    }
    if (kind == HC_LOAD_SERIES_RL && !(load->series_h > 0.0)) {
        return "load_series_h must be above 0 for load_kind 2";
    }
    if (kind == HC_LOAD_RECTIFIER && !(load->reservoir_f > 0.0 && load->reservoir_ohm > 0.0)) {
        return "load_reservoir_f and load_reservoir_ohm must be above 0 for load_kind 3";
    }
    return NULL;
}

static void prepare(struct hc_unit_state *unit)
{
    struct hc_filter filter;
    filter.inductance_h = unit->real[HC_REAL_inductance_h];
    filter.winding_ohm = unit->real[HC_REAL_winding_ohm];
    filter.capacitance_f = unit->real[HC_REAL_capacitance_f];
    hc_plant_prepare(&unit->model.plant, &filter, &unit->model.load,
                     unit->real[HC_REAL_bus_ohm], HC_CIRCUIT_STEP_S);
}

/* Another load starts at rest; the same with other values is another. */
static const char *connect(struct hc_unit_state *unit)
{
    const struct hc_load load = wanted_load(unit);
    const char *fault = fault_of(&load);
    if (fault == NULL && !same_load(&load, &unit->model.load)) {
        unit->model.load = load;
        prepare(unit);
        hc_circuit_connect(&unit->model.circuit, &unit->model.plant);
    }
    return fault;
}

/* Volts at the output as the sensor has them now, its delay before. */
static double delayed(const struct hc_unit_state *unit)
{
    const struct hc_model *m = &unit->model;
    const double exact = unit->real[HC_REAL_sensor_delay_s] / HC_CIRCUIT_STEP_S;
    const int32_t whole = (int32_t)exact;
    const int32_t late = m->steps - whole;
    const int32_t a = (late - 1) & (HC_HISTORY - 1), b = late & (HC_HISTORY - 1);
    if (late < 1 && !m->wrapped) {
        return 0.0;
    }
    return hc_hermite(m->output[a], m->slope[a] * HC_CIRCUIT_STEP_S, m->output[b],
                      m->slope[b] * HC_CIRCUIT_STEP_S, 1.0 - (exact - whole));
}

/* The noise of the instant after so many base steps is the same whatever came before. */
static void sense(struct hc_unit_state *unit, uint64_t tick)
{
    const double noise = unit->real[HC_REAL_noise_codes]
        * hc_noise((uint64_t)unit->real[HC_REAL_noise_key], tick);
    double exact;
    int32_t code;
    if (unit->boolean[HC_BOOLEAN_sensor_open]) {
        exact = HC_ZERO_CODE + noise;
    } else {
        const double zero = HC_ZERO_CODE + unit->real[HC_REAL_sensor_zero_codes];
        const double codes_per_volt = unit->real[HC_REAL_sensor_gain] / HC_VOLTS_PER_CODE;
        exact = delayed(unit) * codes_per_volt + zero + noise;
    }
    if (!(exact > 0.0)) {
        code = 0;
    } else if (exact >= HC_ADC_MAX) {
        code = (int32_t)HC_ADC_MAX;
    } else {
        code = (int32_t)(exact + 0.5);
    }
    unit->integer[HC_INTEGER_adc_code] = code;
    unit->real[HC_REAL_sensed_v] = (exact - HC_ZERO_CODE) * HC_VOLTS_PER_CODE;
}

static void tell(struct hc_unit_state *unit, double duty, uint64_t tick)
{
    const struct hc_circuit *circuit = &unit->model.circuit;
    unit->real[HC_REAL_output_v] = circuit->x[1];
    unit->real[HC_REAL_choke_a] = circuit->x[0];
    unit->real[HC_REAL_load_a] = hc_load_current(circuit, &unit->model.plant);
    unit->real[HC_REAL_bus_v] =
        unit->real[HC_REAL_source_v] - unit->real[HC_REAL_bus_ohm] * duty * circuit->x[0];
    sense(unit, tick);
}

/* A number that is none, or beyond all, spoils every later one: it is told as it comes up. */
static const char *overflowed(const struct hc_unit_state *unit)
{
    static const int told[] = {HC_REAL_output_v, HC_REAL_sensed_v, HC_REAL_choke_a, HC_REAL_load_a,
                               HC_REAL_bus_v};
    for (size_t i = 0; i < sizeof told / sizeof told[0]; ++i) {
        const double value = unit->real[told[i]];
        if (!(value - value == 0.0)) {
            return "an output has grown beyond all numbers: look at source_v, load and filter";
        }
    }
    return NULL;
}

/* The duty on the modulator's grid. */
static double modulated(const struct hc_unit_state *unit)
{
    const double counts = unit->integer[HC_INTEGER_pwm_counts];
    const double duty = unit->real[HC_REAL_duty];
    const double inside = duty > 1.0 ? 1.0 : duty < -1.0 ? -1.0 : duty;
    const double exact = inside * counts;
    const int32_t grid = (int32_t)(exact < 0.0 ? exact - 0.5 : exact + 0.5);
    return grid * (1.0 / counts);
}

const char *hc_model_start(struct hc_unit_state *unit)
{
    struct hc_model *m = &unit->model;
    const char *fault;
    memset(m, 0, sizeof *m);
    m->load.kind = -1.0; /* none yet */
    fault = connect(unit);
    if (fault == NULL) {
        tell(unit, 0.0, 0);
        fault = overflowed(unit);
    }
    return fault;
}

const char *hc_model_step(struct hc_unit_state *unit)
{
    struct hc_model *m = &unit->model;
    const double duty = modulated(unit);
    const char *fault = connect(unit);
    if (fault != NULL) {
        return fault;
    }
    for (int i = 0; i < HC_CIRCUIT_STEPS; ++i) {
        hc_circuit_step(&m->circuit, &m->plant, duty, unit->real[HC_REAL_source_v]);
        ++m->steps;
        if (m->steps == HC_HISTORY) {
            m->steps = 0;
            m->wrapped = 1;
        }
        m->output[m->steps] = m->circuit.x[1];
        m->slope[m->steps] = m->circuit.slope;
    }
    tell(unit, duty, unit->tick + 1);
    return overflowed(unit);
}

void hc_model_loaded(struct hc_unit_state *unit) { prepare(unit); }
