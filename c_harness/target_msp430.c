/* What a bare MSP430 image needs: its start, and the products that the compiler asks a library for.

   The debugger's simulator sets the program counter to hc_run, and stops at hc_done. The products
   are by shifts and sums, as a library makes them for parts without a hardware multiplier. */
#include <stdint.h>

int main(void);
uint16_t __mspabi_mpyi(uint16_t left, uint16_t right);
uint32_t __mspabi_mpyl(uint32_t left, uint32_t right);

volatile int hc_status;

void hc_run(void);
__attribute__((naked)) void hc_run(void)
{
    __asm__ volatile("mov #0x1000, r1\n" /* the stack's top: below the code */
                     "call #main\n"
                     "mov r12, &hc_status\n"
                     ".globl hc_done\n"
                     "hc_done: jmp hc_done");
}

uint16_t __mspabi_mpyi(uint16_t left, uint16_t right)
{
    uint16_t product = 0u;
    while (left != 0u) {
        if ((left & 1u) != 0u) {
            product = (uint16_t)(product + right);
        }
        left >>= 1;
        right = (uint16_t)(right << 1);
    }
    return product;
}

uint32_t __mspabi_mpyl(uint32_t left, uint32_t right)
{
    uint32_t product = 0u;
    while (left != 0u) {
        if ((left & 1u) != 0u) {
            product += right;
        }
        left >>= 1;
        right <<= 1;
    }
    return product;
}
