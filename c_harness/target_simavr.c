/* Runs an AVR image in simavr's library, feeds its guest and counts what chosen functions take.

   target_simavr IMAGE EXIT COSTS [FUNCTION...]
   EXIT: byte address of the C library's exit(), where main() has returned with its status.
   FUNCTION: byte addresses; each call writes four 32-bit words to the file COSTS: the number of
   the function in this list, its instructions, cycles and bytes of stack, return address and ret
   included, the call instruction not. A bitmap of the executed words of flash follows at the end.
   The guest's words (target_port.h) come from standard input and go to standard output. Exit
   status: the guest's; 125 and above: this program could not run it.
   For the host; link with -lsimavr. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <simavr/sim_avr.h>
#include <simavr/sim_elf.h>
#include <simavr/sim_io.h>

#define GET_REGISTER 0x4A
#define PUT_REGISTER 0x4B
#define FLASH_WORDS 16384u
#define MOST_FUNCTIONS 16
#define FAILED 125

static uint8_t executed[FLASH_WORDS / 8u];

static void quiet(avr_t *avr, const int level, const char *format, va_list arguments)
{
    (void)avr;
    if (level <= LOG_ERROR) {
        vfprintf(stderr, format, arguments);
    }
}

static uint8_t get_byte(struct avr_t *avr, avr_io_addr_t address, void *parameter)
{
    const int byte = getchar();
    (void)avr;
    (void)address;
    (void)parameter;
    if (byte == EOF) {
        fprintf(stderr, "the guest asked for more than it was given\n");
        exit(FAILED);
    }
    return (uint8_t)byte;
}

static void put_byte(struct avr_t *avr, avr_io_addr_t address, uint8_t value, void *parameter)
{
    (void)avr;
    (void)address;
    (void)parameter;
    putchar(value);
}

static unsigned stack_pointer(const avr_t *avr)
{
    return (unsigned)(avr->data[R_SPL] | (avr->data[R_SPH] << 8));
}

/* Steps through one call; the processor stands at its first instruction. */
static void count_call(avr_t *avr, uint32_t number, FILE *costs)
{
    const unsigned entry = stack_pointer(avr);
    const avr_flashaddr_t back = 2u * (avr_flashaddr_t)(avr->data[entry + 1] << 8 | avr->data[entry + 2]);
    const avr_cycle_count_t start = avr->cycle;
    uint32_t words[4] = {number, 0u, 0u, 0u};
    unsigned lowest = entry;
    while (avr->pc != back || stack_pointer(avr) != entry + 2u) {
        executed[avr->pc / 2u / 8u] |= (uint8_t)(1u << (avr->pc / 2u % 8u));
        (void)avr_run(avr);
        words[1]++;
        if (stack_pointer(avr) < lowest) {
            lowest = stack_pointer(avr);
        }
    }
    words[2] = (uint32_t)(avr->cycle - start);
    words[3] = entry + 2u - lowest;
    fwrite(words, sizeof words, 1, costs);
}

int main(int argc, char **argv)
{
    elf_firmware_t firmware;
    avr_flashaddr_t end;
    avr_flashaddr_t function[MOST_FUNCTIONS];
    int functions = argc - 4;
    FILE *costs;
    avr_t *avr;
    int i;
    if (argc < 4 || functions > MOST_FUNCTIONS) {
        fprintf(stderr, "usage: target_simavr IMAGE EXIT COSTS [FUNCTION...]\n");
        return FAILED;
    }
    avr_global_logger_set(quiet);
    memset(&firmware, 0, sizeof firmware);
    avr = avr_make_mcu_by_name("atmega328p");
    costs = fopen(argv[3], "wb");
    if (avr == NULL || costs == NULL || elf_read_firmware(argv[1], &firmware) != 0) {
        fprintf(stderr, "cannot load %s or write %s\n", argv[1], argv[3]);
        return FAILED;
    }
    end = (avr_flashaddr_t)strtoul(argv[2], NULL, 0);
    for (i = 0; i < functions; i++) {
        function[i] = (avr_flashaddr_t)strtoul(argv[4 + i], NULL, 0);
    }
    avr_init(avr);
    avr_load_firmware(avr, &firmware);
    avr->run_cycle_limit = 1; /* one instruction at a time */
    avr_register_io_read(avr, GET_REGISTER, get_byte, NULL);
    avr_register_io_write(avr, PUT_REGISTER, put_byte, NULL);
    while (avr->pc != end) {
        for (i = 0; i < functions && avr->pc != function[i]; i++) {
        }
        if (i < functions) {
            count_call(avr, (uint32_t)i, costs);
        } else if (avr_run(avr) >= cpu_Done) {
            fprintf(stderr, "the guest stopped at 0x%x\n", (unsigned)avr->pc);
            return FAILED;
        }
    }
    fwrite(executed, sizeof executed, 1, costs);
    if (fclose(costs) != 0 || fflush(stdout) != 0) {
        return FAILED;
    }
    return (avr->data[24] | avr->data[25]) & 0x7F;
}
