/* The receiving side of the line: bytes wait here and go to the chip at the pace of the line. */
#include "ear.h"

#include <stdio.h>
#include <string.h>

#include <simavr/avr_uart.h>
#include <simavr/sim_cycle_timers.h>
#include <simavr/sim_io.h>

#include "chip.h"

#define HEARD_MOST 65536u

static avr_t *avr;
static avr_uart_t *uart;
static unsigned char heard[HEARD_MOST];
static unsigned heard_in, heard_out;
static bool hearing;
static uint32_t pace_cycles;

static bool fifo_is_full(void)
{
    return ((uart->input.write + 1u) & (uart_fifo_fifo_size - 1u)) == uart->input.read;
}

static uint32_t byte_cycles(void) { return pace_cycles ? pace_cycles : (uint32_t)uart->cycles_per_byte + 8u; }

static avr_cycle_count_t next_byte(struct avr_t *which, avr_cycle_count_t when, void *param)
{
    (void)which;
    (void)param;
    if (heard_in == heard_out) {
        hearing = false;
        return 0;
    }
    unsigned char byte = heard[heard_out % HEARD_MOST];
    if (!fifo_is_full()) {
        heard_out++;
        avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT), byte);
        if (byte == '\n' && !pace_cycles)
            printf("lf %llu\n", (unsigned long long)chip_us());
    }
    return when + byte_cycles();
}

void ear_listen(void)
{
    if (!hearing && heard_in != heard_out) {
        hearing = true;
        avr_cycle_timer_register(avr, byte_cycles(), next_byte, NULL);
    }
}

void ear_reset(avr_t *of)
{
    avr = of;
    for (avr_io_t *io = avr->io_port; io; io = io->next)
        if (strcmp(io->kind, "uart") == 0)
            uart = (avr_uart_t *)io;
    heard_out = heard_in;
    hearing = false;
}

unsigned chip_hear_room(void) { return HEARD_MOST - (heard_in - heard_out); }

unsigned chip_hear(const unsigned char *bytes, unsigned count)
{
    unsigned taken = 0;
    for (; taken < count && chip_hear_room(); taken++)
        heard[heard_in++ % HEARD_MOST] = bytes[taken];
    ear_listen();
    return taken;
}

bool chip_heard_all(void) { return heard_in == heard_out; }

void chip_pace(uint32_t new_cycles)
{
    static uint32_t own_cycles;
    if (!own_cycles)
        own_cycles = (uint32_t)uart->cycles_per_byte;
    pace_cycles = new_cycles;
    uart->cycles_per_byte = new_cycles ? new_cycles : own_cycles;
}
