/* avr_simulator.c: an AVR in the simulator library simavr; its register GPIOR0 reads standard input
 * and writes standard output. Usage: avr_simulator PROGRAM.elf
 *
 * Its end of input ends it. Exit code 2: the processor crashed or stopped.
 */
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <unistd.h>

#include <simavr/sim_avr.h>
#include <simavr/sim_elf.h>
#include <simavr/sim_io.h>

#define GPIOR0 0x3E /* in data memory: data sheet of the ATmega1284P, register summary */

static FILE *line; /* standard output; what the library prints goes to standard error */

static void quiet(struct avr_t *avr, const int level, const char *format, va_list values)
{
    (void)avr;
    if (level <= LOG_ERROR) {
        (void)vfprintf(stderr, format, values);
    }
}

static uint8_t take(struct avr_t *avr, avr_io_addr_t address, void *user)
{
    int byte;
    (void)avr;
    (void)address;
    (void)user;
    (void)fflush(line);
    byte = getchar();
    if (byte == EOF) {
        exit(0);
    }
    return (uint8_t)byte;
}

static void give(struct avr_t *avr, avr_io_addr_t address, uint8_t byte, void *user)
{
    (void)avr;
    (void)address;
    (void)user;
    (void)putc(byte, line);
}

int main(int count, char **words)
{
    static elf_firmware_t program;
    avr_t *avr;
    int state;
    line = fdopen(dup(STDOUT_FILENO), "wb");
    (void)dup2(STDERR_FILENO, STDOUT_FILENO);
    avr_global_logger_set(quiet);
    if (line == NULL || count != 2 || elf_read_firmware(words[1], &program) != 0) {
        (void)fprintf(stderr, "usage: avr_simulator PROGRAM.elf\n");
        return 2;
    }
    avr = avr_make_mcu_by_name("atmega1284p");
    if (avr == NULL) {
        (void)fprintf(stderr, "the simulator has no ATmega1284P\n");
        return 2;
    }
    (void)avr_init(avr);
    avr->frequency = 16000000;
    avr_load_firmware(avr, &program);
    avr_register_io_read(avr, GPIOR0, take, NULL);
    avr_register_io_write(avr, GPIOR0, give, NULL);
    do {
        state = avr_run(avr);
    } while (state != cpu_Done && state != cpu_Crashed);
    (void)fprintf(stderr, "the processor stopped at 0x%05lx\n", (unsigned long)avr->pc);
    return 2;
}
