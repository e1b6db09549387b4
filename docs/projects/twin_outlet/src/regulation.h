/* The amplitude regulation of both outlets: the interrupts, and what the main loop may call.
 *
 * interrupt          rate                    priority   calls
 * regulation_timer   every BOARD_LOOP_US     high       twin_outlet_sample
 * regulation_pwm     BOARD_PWM_HZ            high       twin_outlet_duty
 * regulation_update  after a window's end    low        twin_outlet_update
 *
 * The two high ones share a priority, so neither interrupts the other. Both may interrupt the low
 * one, and all of them the main loop.
 */
#ifndef REGULATION_H
#define REGULATION_H

#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

/* Before the interrupts are enabled. Both outlets are off. */
void regulation_start(void);

/* rms_mv: 0 takes the outlet's drive to zero. One caller at a time for each outlet. */
void regulation_set(unsigned outlet, int32_t rms_mv);

/* The outlet's voltage as last read, millivolts RMS. */
int32_t regulation_rms_mv(unsigned outlet);

/* 1 where the outlet stays inside the target band and nothing is flagged, else 0. */
int regulation_good(unsigned outlet);

/* The interrupts. */
void regulation_timer(void);
void regulation_update(void);
void regulation_pwm(void);

#ifdef __cplusplus
}
#endif

#endif
