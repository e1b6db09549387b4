/* Gives any generated regulator the same names, so that one harness serves them all.
   Compile with -DHC_NAME=<prefix> -DHC_HEADER='"<prefix>.h"' and the generated .c beside it. */
#ifndef HC_REGULATOR_H
#define HC_REGULATOR_H

#define HC_JOIN_(a, b) a##b
#define HC_JOIN(a, b) HC_JOIN_(a, b)
#define HC(suffix) HC_JOIN(HC_NAME, suffix)

#include HC_HEADER

#define hc_state HC(_state)
#define hc_reset HC(_reset)
#define hc_set_target_mv HC(_set_target_mv)
#define hc_sample HC(_sample)
#define hc_update HC(_update)
#define hc_rms_mv HC(_rms_mv)
#define hc_scale HC(_scale)
#define hc_flags HC(_flags)
#define hc_drive HC(_drive)

#endif
