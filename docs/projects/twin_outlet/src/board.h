/* What the regulation needs of the board. Put your part's registers in place of the struct. */
#ifndef BOARD_H
#define BOARD_H

#include <stdint.h>

#define BOARD_OUTLETS 2
#define BOARD_LOOP_US 800    /* the loop timer; loop.period_us of the spec */
#define BOARD_PWM_HZ 20000   /* the PWM's interrupt */
#define BOARD_PWM_COUNTS 1500 /* duty for the full bus; bridge.pwm_counts of the spec */
#define BOARD_MAINS_HZ 50

struct board {
    volatile uint16_t adc[BOARD_OUTLETS]; /* the newest conversion of each outlet's sensor */
    volatile int16_t duty[BOARD_OUTLETS]; /* -BOARD_PWM_COUNTS..BOARD_PWM_COUNTS */
    volatile uint8_t update_request;      /* raises the software interrupt regulation_update */
};

extern struct board board;

#endif
