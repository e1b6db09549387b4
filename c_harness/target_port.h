/* How a word gets to the host and back, for each kind of emulator.

   HC_PORT_MEMORY   two buffers of memory at HC_IN and HC_OUT; the host runs main() itself.
   HC_PORT_AVR      I/O registers that the emulator watches (target_simavr.c).
   HC_PORT_UCSIM    the register of the simulator, which reads one file and writes another.
   HC_PORT_SEMIHOST files named below, by the emulator's calls (target_semihost.h). */
#ifndef HC_TARGET_PORT_H
#define HC_TARGET_PORT_H

#include <stdint.h>

#if defined(HC_PORT_MEMORY)

/* Moved back by the host before each run of main(). */
const uint32_t *hc_in;
uint32_t *hc_out;

static uint32_t hc_get(void) { return *hc_in++; }
static void hc_put(uint32_t word) { *hc_out++ = word; }
static void hc_finish(void) {}

#elif defined(HC_PORT_AVR)

#define HC_REGISTER(address) (*(volatile unsigned char *)(address))
#define HC_GET_REGISTER HC_REGISTER(0x4A) /* GPIOR1 of the ATmega328P */
#define HC_PUT_REGISTER HC_REGISTER(0x4B) /* GPIOR2 */

static uint32_t hc_get(void)
{
    uint32_t word = HC_GET_REGISTER;
    word |= (uint32_t)HC_GET_REGISTER << 8;
    word |= (uint32_t)HC_GET_REGISTER << 16;
    word |= (uint32_t)HC_GET_REGISTER << 24;
    return word;
}

static void hc_put(uint32_t word)
{
    HC_PUT_REGISTER = (unsigned char)word;
    HC_PUT_REGISTER = (unsigned char)(word >> 8);
    HC_PUT_REGISTER = (unsigned char)(word >> 16);
    HC_PUT_REGISTER = (unsigned char)(word >> 24);
}

static void hc_finish(void) {}

#elif defined(HC_PORT_UCSIM)

/* At HC_REGISTER_ADDRESS, which the compiler's options give. */
#if defined(__SDCC_mcs51)
#define HC_REGISTER (*(volatile __xdata unsigned char *)HC_REGISTER_ADDRESS)
#else
#define HC_REGISTER (*(volatile unsigned char *)HC_REGISTER_ADDRESS)
#endif
#define HC_READ_BYTE 'r'
#define HC_WRITE_BYTE 'w'
#define HC_STOP 's'

/* Static, and byte by byte: shifts of 32 bits and indirect loads are slow on these machines. */
static union {
    uint32_t word;
    unsigned char bytes[4];
} hc_way;

static void hc_put_byte(unsigned char byte)
{
    HC_REGISTER = HC_WRITE_BYTE;
    HC_REGISTER = byte;
}

static unsigned char hc_get_byte(void)
{
    HC_REGISTER = HC_READ_BYTE;
    return HC_REGISTER;
}

static uint32_t hc_get(void)
{
    hc_way.bytes[0] = hc_get_byte();
    hc_way.bytes[1] = hc_get_byte();
    hc_way.bytes[2] = hc_get_byte();
    hc_way.bytes[3] = hc_get_byte();
    return hc_way.word;
}

static void hc_put(uint32_t word)
{
    hc_way.word = word;
    hc_put_byte(hc_way.bytes[0]);
    hc_put_byte(hc_way.bytes[1]);
    hc_put_byte(hc_way.bytes[2]);
    hc_put_byte(hc_way.bytes[3]);
}

static void hc_finish(void) {}

#elif defined(HC_PORT_SEMIHOST)

#include "target_semihost.h"

#define HC_BUFFER 1024u
static uint32_t hc_in_words[HC_BUFFER];
static uint32_t hc_out_words[HC_BUFFER];
static uint32_t hc_in_next = HC_BUFFER;
static uint32_t hc_out_next;
static int32_t hc_in_file = -1;
static int32_t hc_out_file = -1;

static void hc_finish(void)
{
    if (hc_out_file < 0) {
        hc_out_file = hc_semihost_open("out.bin", 5u); /* mode 5: "wb" */
    }
    (void)hc_semihost_write(hc_out_file, hc_out_words, hc_out_next * 4u);
    hc_out_next = 0u;
}

static uint32_t hc_get(void)
{
    if (hc_in_next == HC_BUFFER) {
        if (hc_in_file < 0) {
            hc_in_file = hc_semihost_open("in.bin", 1u); /* mode 1: "rb" */
        }
        (void)hc_semihost_read(hc_in_file, hc_in_words, sizeof hc_in_words);
        hc_in_next = 0u;
    }
    return hc_in_words[hc_in_next++];
}

static void hc_put(uint32_t word)
{
    hc_out_words[hc_out_next++] = word;
    if (hc_out_next == HC_BUFFER) {
        hc_finish();
    }
}

#else
#error "name the port: HC_PORT_MEMORY, HC_PORT_AVR, HC_PORT_UCSIM or HC_PORT_SEMIHOST"
#endif

#endif
