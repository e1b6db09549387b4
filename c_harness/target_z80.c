/* Products of two 16-bit numbers that are right.

   The Z80 library of sdcc 4.2.0 takes each factor's sign from bit 7 of its low byte
   (__mulsint2slong.s: "bit 7, l", "bit 7, e"), so that 30108 * 1 is -35428. Link this file, or one
   like it, with every image by that version: the linker then leaves the library's file out, which
   also holds the unsigned product. */
#include <stdint.h>

int32_t __mulsint2slong(int16_t left, int16_t right);
uint32_t __muluint2ulong(uint16_t left, uint16_t right);

int32_t __mulsint2slong(int16_t left, int16_t right)
{
    const volatile int32_t wide = left; /* so that no compiler sees a product of 16 bits again */
    return wide * (int32_t)right;
}

uint32_t __muluint2ulong(uint16_t left, uint16_t right)
{
    const volatile uint32_t wide = left;
    return wide * (uint32_t)right;
}
