/* Valve outputs, float switches, flow pulses, the image in flash. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/pgmspace.h>

#include "hal.h"
#include "pins.h"
#include "serial.h"
#include "slots.h"

/* `make` writes the check value behind the mark; the mark is how it finds the place. */
struct image_check {
    char mark[8];
    uint32_t value;
};
const struct image_check image_check PROGMEM __attribute__((used)) = {
    {'I', 'm', 'a', 'g', 'e', 'C', 'R', 'C'}, 0xFFFFFFFFul};

extern const char __data_load_end[];

static volatile uint32_t pulses;

void hal_start(void)
{
    PORTD &= (uint8_t)~VALVES;
    DDRD |= VALVES;
    /* The wiring has its own resistors; these hold a board that lies on the table without any. */
    PORTD |= _BV(FULL_PIN) | _BV(LOW_PIN) | _BV(PULSE_PIN);
    DDRB |= _BV(LAMP_PIN) | RANGE_PINS;
    DDRC |= RETURN_PINS;
    EICRA = _BV(ISC01);
    EIMSK = _BV(INT0);
    serial_start();
    slots_start();
    sei();
}

void hal_valves(enum path path)
{
    uint8_t flags = SREG;
    cli();
    PORTD &= (uint8_t)~VALVES;
    if (path == PATH_FILL)
        PORTD |= _BV(FILL_PIN);
    if (path == PATH_DRAIN)
        PORTD |= _BV(DRAIN_PIN);
    SREG = flags;
    if (path == PATH_SHUT)
        PORTB &= (uint8_t)~_BV(LAMP_PIN);
    else
        PORTB |= _BV(LAMP_PIN);
}

struct contacts hal_contacts(void)
{
    uint8_t in = PIND;
    struct contacts contacts = {
        .low = !(in & _BV(LOW_PIN)),
        .full = in & _BV(FULL_PIN),
        .overflow = !(in & _BV(OVERFLOW_PIN)),
        .outputs_high = in & VALVES,
    };
    return contacts;
}

ISR(INT0_vect) { pulses++; }

uint32_t hal_pulses(void)
{
    uint8_t flags = SREG;
    cli();
    uint32_t now = pulses;
    SREG = flags;
    return now;
}

uint16_t hal_image_length(void) { return (uint16_t)__data_load_end; }

uint16_t hal_image_check_at(void) { return (uint16_t)&image_check.value; }

uint8_t hal_image_byte(uint16_t at) { return pgm_read_byte(at); }
