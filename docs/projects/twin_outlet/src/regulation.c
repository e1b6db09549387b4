/* DANGER: mains voltage kills. This is not a protection function: over-current, over-voltage,
 * isolation and interlocks are separate and in hardware. */
#include "regulation.h"

#include "board.h"
#include "twin_outlet.h"

/* Flags of an outlet that is not as it should be. */
static const uint16_t faults = TWIN_OUTLET_FLAG_BROWNOUT | TWIN_OUTLET_FLAG_OVER |
                               TWIN_OUTLET_FLAG_IMPLAUSIBLE | TWIN_OUTLET_FLAG_MISSED;

/* One instance for each outlet. */
static struct twin_outlet_state outlets[BOARD_OUTLETS];

/* One oscillator turns both. */
static struct twin_outlet_turn turn;

void regulation_start(void)
{
    unsigned i;

    twin_outlet_turn_reset(&turn);
    for (i = 0; i < BOARD_OUTLETS; i++) {
        twin_outlet_reset(&outlets[i]);
        board.duty[i] = 0;
    }
}

void regulation_timer(void)
{
    unsigned i;
    int complete = 0;

    for (i = 0; i < BOARD_OUTLETS; i++) {
        if (twin_outlet_sample(&outlets[i], board.adc[i]) != 0) {
            complete = 1;
        }
    }
    if (complete != 0) {
        board.update_request = 1;
    }
}

void regulation_update(void)
{
    unsigned i;

    board.update_request = 0; /* first, so that a window that ends meanwhile is not lost */
    for (i = 0; i < BOARD_OUTLETS; i++) {
        twin_outlet_update(&outlets[i]); /* does nothing without a new window */
    }
}

void regulation_pwm(void)
{
    const uint16_t phase = twin_outlet_turn_next(&turn);
    unsigned i;

    for (i = 0; i < BOARD_OUTLETS; i++) {
        /* The second outlet runs half a turn behind the first. */
        board.duty[i] = twin_outlet_duty(&outlets[i], (uint16_t)(phase + (i * 32768u)));
    }
}

void regulation_set(unsigned outlet, int32_t rms_mv)
{
    twin_outlet_set_target_mv(&outlets[outlet], rms_mv);
}

int32_t regulation_rms_mv(unsigned outlet)
{
    return twin_outlet_rms_mv(&outlets[outlet]);
}

int regulation_good(unsigned outlet)
{
    uint16_t flags = twin_outlet_flags(&outlets[outlet]);

    return (flags & TWIN_OUTLET_FLAG_SETTLED) != 0 && (flags & faults) == 0;
}
