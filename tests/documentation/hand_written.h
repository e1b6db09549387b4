#include <stdint.h>

struct hand_state {
    uint32_t sum;
    uint32_t count;
    uint32_t window;
    int32_t integral;
    int32_t target;
    int32_t reading;
    int32_t scale;
};

void hand_reset(struct hand_state *s);
int hand_sample(struct hand_state *s, uint16_t code);
void hand_update(struct hand_state *s);
int16_t hand_drive(const struct hand_state *s, uint16_t phase);

extern struct hand_state hand_state;
