/* For an emulator that runs from main() on: windows of any amplitude, as documentation.hand_written
   has them. */
#include "hand_written.h"

int main(void)
{
    uint32_t random = 1;
    uint16_t window;
    uint16_t n;
    volatile int16_t told;
    hand_reset(&hand_state);
    for (window = 0; window < HAND_WINDOWS; window++) {
        uint32_t height;
        random = random * 1664525 + 1013904223;
        height = (random >> 16) % (HAND_ZERO - 1);
        for (n = 0; n < HAND_SAMPLES; n++) {
            hand_sample(&hand_state, (uint16_t)((n & 1) ? HAND_ZERO + height : HAND_ZERO - height));
        }
        hand_update(&hand_state);
        told = hand_drive(&hand_state, (uint16_t)(random >> 8));
    }
    (void)told;
    return 0;
}
