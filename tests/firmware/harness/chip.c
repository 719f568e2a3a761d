#include "chip.h"
#include "ear.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <simavr/avr_adc.h>
#include <simavr/avr_ioport.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_cycle_timers.h>
#include <simavr/sim_elf.h>
#include <simavr/sim_io.h>

/* Data addresses of the ATmega328P (its data sheet, register summary). */
enum { DDRB = 0x24, PORTB, DDRC = 0x27, PORTC, DDRD = 0x2A, PORTD, SPL = 0x5D, SPH = 0x5E, TIMSK2 = 0x70 };
enum { PULSE_PIN = 2, OVERFLOW_PIN, FULL_PIN, LOW_PIN, FILL_PIN, DRAIN_PIN };

#define CANARY 0xC5u
#define OVERFLOW_SENSE_V 7.0

struct circuit circuit;

static avr_t *avr;
static bool up[8];            /* float switches, by pin */
static bool pulse_high = true;
static void (*on_byte)(unsigned char);
static unsigned stack_floor;

/* The emulator's cycle count goes on through a reset. */
static uint64_t cycles(void) { return avr->cycle; }

uint64_t chip_us(void) { return cycles() / (CLOCK_HZ / 1000000u); }

static double seconds(void) { return (double)cycles() / CLOCK_HZ; }

/* A gate has 10 kilohm to 0 V: it is open only when it is driven. A pull-up into it is reported too. */
static void watch_valves(void)
{
    static const char *const NAMES[2] = {"valve", "drain"};
    static char shown[2] = {'0', '0'};
    for (int i = 0; i < 2; i++) {
        uint8_t bit = (uint8_t)(1u << (FILL_PIN + i));
        bool port = avr->data[PORTD] & bit, ddr = avr->data[DDRD] & bit;
        char now = port && ddr ? '1' : port ? 'p' : '0';
        if (now != shown[i]) {
            shown[i] = now;
            printf("%s %c %llu\n", NAMES[i], now, (unsigned long long)chip_us());
        }
    }
}

static void watch_drives(void)
{
    struct drives drives = {avr->data[DDRB], avr->data[PORTB], avr->data[DDRC], avr->data[PORTC]};
    circuit_drive(&circuit, drives, seconds());
}

static void port_written(struct avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    (void)value;
    if (param)
        watch_valves();
    else
        watch_drives();
}

/* The emulator computes (millivolt * 1023) / 5000: give it the millivolt that makes this step of it. */
static void conversion_begins(struct avr_irq_t *irq, uint32_t value, void *param)
{
    union {
        avr_adc_mux_t mux;
        uint32_t value;
    } what = {.value = value};
    (void)irq;
    (void)param;
    if (what.mux.kind != ADC_MUX_SINGLE)
        return;
    uint32_t step = circuit_convert(&circuit, what.mux.src, seconds());
    uint32_t millivolt = (step * 5000u + 1022u) / 1023u;
    avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_ADC0 + (int)what.mux.src), millivolt);
}

static void byte_said(struct avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    (void)param;
    if (value == '>')
        printf("frame %llu\n", (unsigned long long)chip_us());
    if (on_byte)
        on_byte((unsigned char)value);
}

static void set_pin(int pin, bool high)
{
    avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), pin), high);
}

static void apply_pins(void)
{
    bool high[8] = {0};
    avr_ioport_external_t outside = {.name = 'D', .mask = 0, .value = 0};
    high[OVERFLOW_PIN] = !up[OVERFLOW_PIN] && circuit.valve_supply_v > OVERFLOW_SENSE_V;
    high[FULL_PIN] = up[FULL_PIN];
    high[LOW_PIN] = !up[LOW_PIN];
    high[PULSE_PIN] = pulse_high;
    for (int pin = PULSE_PIN; pin <= LOW_PIN; pin++) {
        outside.mask |= 1u << pin;
        outside.value |= (unsigned)high[pin] << pin;
    }
    /* These wires are stronger than the pull-ups of the chip. */
    avr_ioctl(avr, AVR_IOCTL_IOPORT_SET_EXTERNAL('D'), &outside);
    for (int pin = PULSE_PIN; pin <= LOW_PIN; pin++)
        set_pin(pin, high[pin]);
}

/* The chip has just been reset; everything the emulator forgets is told to it again. */
static void after_reset(const char *cause)
{
    memset(avr->data + stack_floor, CANARY, avr->ramend + 1u - stack_floor);
    watch_valves();
    watch_drives();
    /* The reset cleared what the inputs read; only a change is taken to them. */
    for (int pin = PULSE_PIN; pin <= LOW_PIN; pin++)
        set_pin(pin, avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), pin)->value == 0);
    apply_pins();
    ear_reset(avr);
    printf("reset %s %llu\n", cause, (unsigned long long)chip_us());
}

static void no_sleep(avr_t *which, avr_cycle_count_t how_long)
{
    (void)which;
    (void)how_long;
}

void chip_start(const char *elf)
{
    elf_firmware_t firmware;
    memset(&firmware, 0, sizeof firmware);
    if (elf_read_firmware(elf, &firmware) != 0) {
        fprintf(stderr, "harness: cannot read %s\n", elf);
        exit(1);
    }
    avr = avr_make_mcu_by_name("atmega328p");
    if (!avr) {
        fprintf(stderr, "harness: this simavr library has no atmega328p\n");
        exit(1);
    }
    avr_init(avr);
    avr->log = LOG_ERROR;
    avr->frequency = CLOCK_HZ;
    avr_load_firmware(avr, &firmware);
    avr->frequency = CLOCK_HZ;
    avr->vcc = avr->avcc = avr->aref = (uint32_t)(SUPPLY_V * 1000.0);
    avr->sleep = no_sleep;
    stack_floor = 0x100u + firmware.datasize + firmware.bsssize + 1u;
    uint32_t flags = 0;
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    for (const char *port = "BCD"; *port; port++) {
        void *valves = *port == 'D' ? avr : NULL;
        avr_irq_t *irq = avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ(*port), 0);
        avr_irq_register_notify(irq + IOPORT_IRQ_REG_PORT, port_written, valves);
        avr_irq_register_notify(irq + IOPORT_IRQ_DIRECTION_ALL, port_written, valves);
    }
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_OUT_TRIGGER), conversion_begins, NULL);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), byte_said, NULL);
    circuit_start(&circuit);
    up[LOW_PIN] = true;
    avr_regbit_set(avr, avr->reset_flags.porf);
    after_reset("power");
}

static void reset_to(const char *cause)
{
    if (strcmp(cause, "power") == 0)
        avr_regbit_set(avr, avr->reset_flags.porf);
    else if (strcmp(cause, "pin") == 0)
        avr_regbit_set(avr, avr->reset_flags.extrf);
    else if (strcmp(cause, "brownout") == 0)
        avr_regbit_set(avr, avr->reset_flags.borf);
}

bool chip_reset(const char *cause)
{
    if (strcmp(cause, "power") != 0 && strcmp(cause, "pin") != 0 && strcmp(cause, "brownout") != 0)
        return false;
    avr_reset(avr);
    reset_to(cause);
    after_reset(cause);
    return true;
}

void chip_run_to(uint64_t us)
{
    uint64_t target = us * (CLOCK_HZ / 1000000u);
    ear_listen();
    while (cycles() < target) {
        bool at_vector = avr->pc == avr->reset_pc;
        int state = avr_run(avr);
        /* Only a reset leads back to the reset vector, and of those that nobody asked for there is one kind. */
        if (avr->pc == avr->reset_pc && !at_vector)
            after_reset("watchdog");
        if (state == cpu_Done || state == cpu_Crashed) {
            printf("crashed %llu\n", (unsigned long long)chip_us());
            fflush(stdout);
            exit(1);
        }
    }
}

static int pin_of(const char *name)
{
    return strcmp(name, "overflow") == 0 ? OVERFLOW_PIN
           : strcmp(name, "full") == 0   ? FULL_PIN
           : strcmp(name, "low") == 0    ? LOW_PIN
                                         : 0;
}

bool chip_float_known(const char *name) { return pin_of(name) != 0; }

void chip_float(const char *name, bool is_up)
{
    up[pin_of(name)] = is_up;
    apply_pins();
}

void chip_supply(double volt)
{
    circuit.valve_supply_v = volt;
    apply_pins();
}

void chip_pulse(void)
{
    pulse_high = false;
    apply_pins();
    chip_run_to(chip_us() + 1000u);
    pulse_high = true;
    apply_pins();
    chip_run_to(chip_us() + 1000u);
}

void chip_hang(bool interrupts)
{
    /* `rjmp .-2`, the endless loop at the end of every program of this compiler. */
    for (uint32_t at = 0; at + 1 < avr->codeend; at += 2)
        if (avr->flash[at] == 0xFF && avr->flash[at + 1] == 0xCF) {
            /* Not out of an interrupt: that would be a hang with interrupts off. */
            while (!avr->sreg[7] && interrupts)
                chip_run_to(chip_us() + 1u);
            avr->pc = at;
            avr->state = cpu_Running;
            if (!interrupts)
                avr->sreg[7] = 0;
            return;
        }
    fprintf(stderr, "harness: no endless loop found in the program\n");
    exit(1);
}

void chip_stop_ticks(void) { avr->data[TIMSK2] = 0; }

void chip_flip(uint32_t address) { avr->flash[address] ^= 1u; }

void chip_on_byte(void (*said)(unsigned char)) { on_byte = said; }

unsigned chip_stack(void)
{
    unsigned at = stack_floor;
    while (at < avr->ramend && avr->data[at] == CANARY)
        at++;
    return avr->ramend + 1u - at;
}
