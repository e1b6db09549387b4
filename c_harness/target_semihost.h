/* The debugger's file calls (semihosting) on Arm M-profile and RISC-V, for target_port.h. */
#ifndef HC_TARGET_SEMIHOST_H
#define HC_TARGET_SEMIHOST_H

#include <stdint.h>

#define HC_SYS_OPEN 0x01u
#define HC_SYS_WRITE 0x05u
#define HC_SYS_READ 0x06u
#define HC_SYS_EXIT_EXTENDED 0x20u

static int32_t hc_semihost(uint32_t call, const void *arguments)
{
#if defined(__arm__)
    register uint32_t r0 __asm__("r0") = call;
    register const void *r1 __asm__("r1") = arguments;
    __asm__ volatile("bkpt 0xAB" : "+r"(r0) : "r"(r1) : "memory");
    return (int32_t)r0;
#else
    register uint32_t a0 __asm__("a0") = call;
    register const void *a1 __asm__("a1") = arguments;
    /* The three instructions that the debugger looks for, uncompressed and in one line. */
    __asm__ volatile(".balign 16\n.option push\n.option norvc\n"
                     "slli x0, x0, 0x1f\nebreak\nsrai x0, x0, 7\n.option pop"
                     : "+r"(a0) : "r"(a1) : "memory");
    return (int32_t)a0;
#endif
}

static int32_t hc_semihost_open(const char *name, uint32_t mode)
{
    uintptr_t block[3];
    uintptr_t length = 0u;
    while (name[length] != '\0') {
        length++;
    }
    block[0] = (uintptr_t)name;
    block[1] = mode;
    block[2] = length;
    return hc_semihost(HC_SYS_OPEN, block);
}

static int32_t hc_semihost_write(int32_t file, const void *from, uint32_t bytes)
{
    uintptr_t block[3];
    block[0] = (uintptr_t)file;
    block[1] = (uintptr_t)from;
    block[2] = bytes;
    return hc_semihost(HC_SYS_WRITE, block);
}

static int32_t hc_semihost_read(int32_t file, void *to, uint32_t bytes)
{
    uintptr_t block[3];
    block[0] = (uintptr_t)file;
    block[1] = (uintptr_t)to;
    block[2] = bytes;
    return hc_semihost(HC_SYS_READ, block);
}

#endif
