/* Start of an image under qemu: set the stack, run main(), leave with its status. */
#include <stdint.h>

#include "target_semihost.h"

int main(void);

void hc_run(void);
void hc_run(void)
{
    hc_semihost_exit(main());
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
#elif defined(__xtensa__)
/* The reset vector jumps over the constants, which lie below the code that loads them. */
__asm__(".section .vectors,\"ax\"\n"
        ".globl hc_start\n"
        "hc_start:\n"
        "    j hc_begin\n"
        ".section .text.hc_begin,\"ax\"\n"
        ".literal_position\n"
        ".align 4\n"
        "hc_begin:\n"
        "    movi a1, 0x60010000\n"
        "    call0 hc_run\n"
        ".text\n");
#elif defined(__m68k__)
/* Linux has set the stack. */
__asm__(".section .vectors,\"ax\",@progbits\n"
        ".globl hc_start\n"
        "hc_start:\n"
        "    jmp hc_run\n"
        ".text\n");
#else
__asm__(".section .vectors,\"ax\",@progbits\n"
        ".globl hc_start\n"
        "hc_start:\n"
        "    li sp, 0x80200000\n"
        "    j hc_run\n"
        ".text\n");
#endif
