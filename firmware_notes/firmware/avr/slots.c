/* The slot interrupt: every 250 microseconds it hands over a conversion, sets the cell drive, begins the next. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>

#include "pins.h"
#include "slots.h"

#define SLOTS_IN_A_MS 4ul
#define DIVIDER 32ul
_Static_assert(F_CPU % (DIVIDER * 1000ul * SLOTS_IN_A_MS) == 0, "a slot must be a whole number of timer steps");

static volatile uint16_t milliseconds;

static const uint8_t RANGE_PIN[CELLS][RANGES] = {
    {_BV(PB0), _BV(PB1), _BV(PB2)},
    {0, _BV(PB3), _BV(PB4)},
};
static const uint8_t RETURN_PIN[CELLS] = {_BV(PRODUCT_RETURN), _BV(FEED_RETURN)};

/* Converter inputs in the order of enum channel; 14 is the chip's own reference. */
static const uint8_t MUX[CHANNEL_NONE] = {0, 1, 2, 3, 4, 5, 6, 7, 14};

void slots_start(void)
{
    DIDR0 = 0x3F;
    ADCSRA = _BV(ADEN) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0); /* 125 kHz: a conversion takes 104 us */
    TCCR2A = _BV(WGM21);
    OCR2A = (uint8_t)(F_CPU / DIVIDER / (1000ul * SLOTS_IN_A_MS) - 1u);
    TIMSK2 = _BV(OCIE2A);
    TCCR2B = _BV(CS21) | _BV(CS20); /* divided by 32 */
}

static void drive_cell(const struct order *order)
{
    uint8_t range_pins = RANGE_PINS, return_pins = RETURN_PINS;
    if (order->drive != DRIVE_REST) {
        /* The other cell floats: the water in the pipes may join the two. */
        range_pins = RANGE_PIN[order->cell][order->range];
        return_pins = RETURN_PIN[order->cell];
    }
    PORTB &= (uint8_t)~RANGE_PINS;
    PORTC &= (uint8_t)~RETURN_PINS;
    DDRB = (uint8_t)((DDRB & ~RANGE_PINS) | range_pins);
    DDRC = (uint8_t)((DDRC & ~RETURN_PINS) | return_pins);
    if (order->drive == DRIVE_FORWARD || order->drive == DRIVE_LIFT)
        PORTB |= range_pins;
    if (order->drive == DRIVE_REVERSE || order->drive == DRIVE_LIFT)
        PORTC |= return_pins;
}

ISR(TIMER2_COMPA_vect)
{
    static uint8_t slot;
    static struct order last = {DRIVE_REST, CELL_PRODUCT, RANGE_HIGH, CHANNEL_NONE};
    if (++slot == SLOTS_IN_A_MS) {
        slot = 0;
        milliseconds++;
    }
    struct order order = on_slot(ADC);
    if (order.drive != last.drive || order.cell != last.cell || order.range != last.range)
        drive_cell(&order);
    if (order.channel != CHANNEL_NONE) {
        ADMUX = (uint8_t)(_BV(REFS0) | MUX[order.channel]);
        ADCSRA |= _BV(ADSC);
    }
    last = order;
}

uint16_t hal_milliseconds(void)
{
    uint8_t flags = SREG;
    cli();
    uint16_t now = milliseconds;
    SREG = flags;
    return now;
}

void hal_wait(void)
{
    SMCR = _BV(SE); /* idle: the clocks of timer, converter and line go on */
    sleep_cpu();
    SMCR = 0;
}
