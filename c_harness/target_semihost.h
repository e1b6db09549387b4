/* The emulator's file calls for target_port.h, and its end: those of a debugger (semihosting) on
   Arm M-profile and RISC-V, simcall on Xtensa, Linux's own on m68k (qemu's user mode). */
#ifndef HC_TARGET_SEMIHOST_H
#define HC_TARGET_SEMIHOST_H

#include <stdint.h>

#if defined(__xtensa__) || defined(__m68k__)

#define HC_SYS_EXIT 1
#define HC_SYS_READ 3
#define HC_SYS_WRITE 4
#define HC_SYS_OPEN 5

static int32_t hc_call(int32_t call, uintptr_t first, uintptr_t second, uintptr_t third)
{
#if defined(__xtensa__)
    register int32_t a2 __asm__("a2") = call;
    register uintptr_t a3 __asm__("a3") = first;
    register uintptr_t a4 __asm__("a4") = second;
    register uintptr_t a5 __asm__("a5") = third;
    __asm__ volatile("simcall" : "+r"(a2), "+r"(a3) : "r"(a4), "r"(a5) : "memory");
    return a2;
#else
    register int32_t d0 __asm__("d0") = call;
    register uintptr_t d1 __asm__("d1") = first;
    register uintptr_t d2 __asm__("d2") = second;
    register uintptr_t d3 __asm__("d3") = third;
    __asm__ volatile("trap #0" : "+r"(d0) : "r"(d1), "r"(d2), "r"(d3) : "memory");
    return d0;
#endif
}

/* mode as semihosting numbers it: 5 for "wb", 1 for "rb". */
static int32_t hc_semihost_open(const char *name, uint32_t mode)
{
    const uintptr_t flags = (mode == 5u) ? 0x241u : 0u; /* Linux: create, truncate, write only */
    return hc_call(HC_SYS_OPEN, (uintptr_t)name, flags, 0x180u);
}

static int32_t hc_semihost_write(int32_t file, const void *from, uint32_t bytes)
{
    return hc_call(HC_SYS_WRITE, (uintptr_t)file, (uintptr_t)from, bytes);
}

static int32_t hc_semihost_read(int32_t file, void *to, uint32_t bytes)
{
    return hc_call(HC_SYS_READ, (uintptr_t)file, (uintptr_t)to, bytes);
}

static void hc_semihost_exit(int32_t status) { (void)hc_call(HC_SYS_EXIT, (uintptr_t)status, 0u, 0u); }

#else

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

static void hc_semihost_exit(int32_t status)
{
    uintptr_t block[2];
    block[0] = 0x20026u; /* the application's own end */
    block[1] = (uintptr_t)status;
    (void)hc_semihost(HC_SYS_EXIT_EXTENDED, block);
}

#endif

#endif
