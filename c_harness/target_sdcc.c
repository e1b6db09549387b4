/* Runs main() of an image for ucsim (renamed hc_main by the compiler's options), writes its status
   as the output's last byte and stops the simulator. */
#include "target_port.h"

int hc_main(void);

void main(void)
{
    hc_put_byte((uint8_t)hc_main());
    HC_REGISTER = HC_STOP;
    for (;;) {
    }
}
