/* Start of an image under qemu: set the stack, run main(), leave with its status. */
#include <stdint.h>

#include "target_semihost.h"

int main(void);

void hc_run(void);
void hc_run(void)
{
    uintptr_t block[2];
    block[0] = 0x20026u; /* the application's own end */
    block[1] = (uintptr_t)main();
    (void)hc_semihost(HC_SYS_EXIT_EXTENDED, block);
    for (;;) {
    }
}

#if defined(__arm__)
/* 16 KiB of RAM: the smaller board's. */
struct hc_vectors {
    uint32_t stack;
    void (*reset)(void);
};
extern const struct hc_vectors hc_start;
__attribute__((section(".vectors"), used)) const struct hc_vectors hc_start = {0x20004000u, hc_run};
#else
__asm__(".section .vectors,\"ax\",@progbits\n"
        ".globl hc_start\n"
        "hc_start:\n"
        "    li sp, 0x80200000\n"
        "    j hc_run\n"
        ".text\n");
#endif
