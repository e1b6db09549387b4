/* One base step of the generated regulator, as a firmware's interrupts would make it. */
#include "unit.h"

#include <string.h>

/* The ADC: to the nearest code, halves up, held inside its range. */
static uint16_t convert(double volts, double codes_per_volt, double zero, double most)
{
    const double exact = volts * codes_per_volt + zero;
    if (!(exact > 0.0)) {
        return 0;
    }
    return (uint16_t)(exact >= most ? most : exact + 0.5);
}

static uint16_t code_of(const struct hc_unit_state *unit)
{
    if (unit->boolean[HC_BOOLEAN_raw]) {
        const int32_t code = unit->integer[HC_INTEGER_adc_code];
        return (uint16_t)(code < 0 ? 0 : code > 65535 ? 65535 : code);
    }
    return convert(unit->real[HC_REAL_output_v], HC_CODES_PER_VOLT, HC_ZERO_CODE, HC_ADC_MAX);
}

#ifdef HC_BUS
static uint16_t bus_code_of(const struct hc_unit_state *unit)
{
    if (unit->boolean[HC_BOOLEAN_raw]) {
        const int32_t code = unit->integer[HC_INTEGER_bus_code];
        return (uint16_t)(code < 0 ? 0 : code > 65535 ? 65535 : code);
    }
    return convert(unit->real[HC_REAL_bus_v], HC_BUS_CODES_PER_VOLT, HC_BUS_ZERO_CODE,
                   HC_BUS_ADC_MAX);
}
#endif

static uint16_t next_phase(struct hc_unit_state *unit)
{
    struct hc_model *m = &unit->model;
#ifdef HC_TURN
#ifdef HC_ADJUSTABLE
    const int32_t millihertz = unit->integer[HC_INTEGER_frequency_mhz];
    if (millihertz != m->millihertz) {
        m->millihertz = millihertz;
        hc_turn_set_millihertz(&m->turn, (uint32_t)(millihertz > 0 ? millihertz : 0));
    }
#endif
    return hc_turn_next(&m->turn);
#else
    const uint64_t phase = m->phase;
    (void)unit;
    m->phase = phase + HC_PHASE_STEP;
    return (uint16_t)(phase >> 48);
#endif
}

static void tell(struct hc_unit_state *unit, uint16_t phase, int16_t duty, int16_t drive)
{
    static const uint16_t flag[HC_BOOLEANS] = HC_FLAGS;
    struct hc_reading reading;
    (void)hc_read(&unit->model.regulator, &reading);
    unit->real[HC_REAL_duty] = duty / (double)HC_PWM_COUNTS;
    unit->real[HC_REAL_drive] = drive / 32767.0;
    unit->real[HC_REAL_bridge_v] = unit->real[HC_REAL_duty] * unit->real[HC_REAL_bus_v];
    unit->real[HC_REAL_scale] = reading.scale / 16384.0;
    unit->integer[HC_INTEGER_rms_mv] = reading.rms_mv;
    unit->integer[HC_INTEGER_updates] = reading.updates;
    unit->integer[HC_INTEGER_phase] = phase;
    for (int i = 0; i < HC_BOOLEANS; ++i) {
        if (flag[i] != 0) {
            unit->boolean[i] = (reading.flags & flag[i]) != 0;
        }
    }
}

const char *hc_model_start(struct hc_unit_state *unit)
{
    struct hc_model *m = &unit->model;
    memset(m, 0, sizeof *m);
    hc_reset(&m->regulator);
#ifdef HC_TURN
    hc_turn_reset(&m->turn);
#endif
    m->until_sample = unit->integer[HC_INTEGER_first_sample_tick];
    tell(unit, 0, 0, 0);
    return NULL;
}

const char *hc_model_step(struct hc_unit_state *unit)
{
    struct hc_model *m = &unit->model;
    const int32_t target_mv = unit->integer[HC_INTEGER_target_mv];
    uint16_t phase;
    if (target_mv != m->target_mv) {
        m->target_mv = target_mv;
        hc_set_target_mv(&m->regulator, target_mv);
    }
    if (unit->boolean[HC_BOOLEAN_limiting]) {
        hc_hold(&m->regulator);
    }
    /* An update that ends as the next sample comes has kept its time. */
    if (m->until_update > 0 && --m->until_update == 0) {
        hc_update(&m->regulator);
    }
#ifdef HC_BUS
    if (m->until_bus == 0) {
        m->until_bus = HC_TICKS_PER_BUS;
        hc_bus(&m->regulator, bus_code_of(unit));
    }
    --m->until_bus;
#endif
    if (m->until_sample == 0) {
        m->until_sample = HC_TICKS_PER_SAMPLE;
        if (hc_sample(&m->regulator, code_of(unit))) {
            m->until_update = unit->integer[HC_INTEGER_update_after_ticks];
            if (m->until_update == 0) {
                hc_update(&m->regulator);
            }
        }
    }
    --m->until_sample;
    phase = next_phase(unit);
    tell(unit, phase, hc_duty(&m->regulator, phase), hc_drive(&m->regulator, phase));
    return NULL;
}

void hc_model_loaded(struct hc_unit_state *unit) { (void)unit; }
