/* A bench on the host: the interrupts run as their rates would, around an ideal bridge and sensor.
 *
 * Each outlet has a bus of its own. They are switched on, one gets another target, one is switched
 * off; the voltage at the outlet is judged by its own RMS, not by what the firmware reports. */
#include <math.h>
#include <stdint.h>
#include <stdio.h>

#include "board.h"
#include "regulation.h"

#define SENSOR_ZERO 2048
#define SENSOR_V_PER_CODE 0.22
#define TICKS_A_LOOP (BOARD_LOOP_US / (1000000 / BOARD_PWM_HZ))
#define TICKS_A_CYCLE (BOARD_PWM_HZ / BOARD_MAINS_HZ)

struct board board;

static const double bus_v[BOARD_OUTLETS] = {360.0, 415.0};
static double rms_v[BOARD_OUTLETS]; /* true RMS over the last cycle */
static int turns[BOARD_OUTLETS];    /* upward crossings of zero in the last ten cycles */

static double outlet_v(unsigned outlet)
{
    return bus_v[outlet] * board.duty[outlet] / BOARD_PWM_COUNTS;
}

static void run(int cycles)
{
    int cycle, tick;
    unsigned i;

    for (cycle = 0; cycle < cycles; cycle++) {
        double squares[BOARD_OUTLETS] = {0.0, 0.0};

        if (cycle == cycles - 10) {
            turns[0] = turns[1] = 0;
        }
        for (tick = 0; tick < TICKS_A_CYCLE; tick++) {
            double before[BOARD_OUTLETS] = {outlet_v(0), outlet_v(1)};

            regulation_pwm();
            for (i = 0; i < BOARD_OUTLETS; i++) {
                double code = SENSOR_ZERO + outlet_v(i) / SENSOR_V_PER_CODE + 0.5;

                turns[i] += before[i] <= 0 && outlet_v(i) > 0;
                squares[i] += outlet_v(i) * outlet_v(i);
                board.adc[i] = (uint16_t)(code < 0 ? 0 : code > 4095 ? 4095 : code);
            }
            if (tick % TICKS_A_LOOP == 0) {
                regulation_timer();
            }
            if (board.update_request != 0) {
                regulation_update();
            }
        }
        for (i = 0; i < BOARD_OUTLETS; i++) {
            rms_v[i] = sqrt(squares[i] / TICKS_A_CYCLE);
        }
    }
}

/* 1 where the outlet is not at `wanted` volts within 0.5 %, or not a turn a cycle, or where the
 * firmware says otherwise. */
static int judge(const char *when, unsigned outlet, double wanted, int good)
{
    double reported = regulation_rms_mv(outlet) / 1000.0;
    double allowed = 0.005 * 230.0;
    int bad = fabs(rms_v[outlet] - wanted) > allowed || fabs(reported - wanted) > allowed ||
              turns[outlet] != (wanted > 0 ? 10 : 0) || regulation_good(outlet) != good;

    printf("%-4s %-22s outlet %u: wanted %5.1f V, true %7.3f V, reported %7.3f V\n",
           bad ? "FAIL" : "ok", when, outlet, wanted, rms_v[outlet], reported);
    return bad;
}

int main(void)
{
    int bad = 0;

    regulation_start();
    run(10);
    bad |= judge("before it is started", 0, 0.0, 1);
    bad |= judge("before it is started", 1, 0.0, 1);

    regulation_set(0, 230000);
    regulation_set(1, 230000);
    run(25); /* 500 ms: twice the settling time of the spec */
    bad |= judge("both at rated", 0, 230.0, 1);
    bad |= judge("both at rated", 1, 230.0, 1);

    regulation_set(1, 207000);
    run(25);
    bad |= judge("the second lowered", 0, 230.0, 1);
    bad |= judge("the second lowered", 1, 207.0, 1);

    regulation_set(0, 0);
    run(25);
    bad |= judge("the first off", 0, 0.0, 1);
    bad |= judge("the first off", 1, 207.0, 1);
    return bad;
}
