/* Which pin does what, on an ATmega328P-class board with a 16 MHz crystal and eight analogue inputs.
 *
 *     PD0 RXD, PD1 TXD   the line to the bridge
 *     PD2 (INT0)         flow pulses, falling edge
 *     PD3                overflow float: high = the float is down and the valve supply is there
 *     PD4                full float: low = contact closed = float down; an open contact or wire says "full"
 *     PD5                low float: low = contact closed = float up, water is there
 *     PD6                gate of the fill valve, 10 kilohm to 0 V
 *     PD7                gate of the drain valve, 10 kilohm to 0 V
 *     PB0, PB1, PB2      product cell through 1 megohm, 33 kilohm, 1 kilohm
 *     PB3, PB4           feed cell through 33 kilohm, 1 kilohm
 *     PB5                lamp: a valve is driven
 *     PC0 (ADC0)         middle point of the product cell, through its buffer
 *     PC1 (ADC1)         return electrode of the product cell: driven here and measured here
 *     PC2, PC3           the same for the feed cell
 *     PC4, PC5           thermistors at product and feed cell
 *     ADC6               float sender
 *     ADC7               valve supply through 22 kilohm over 10 kilohm
 */
#ifndef PINS_H
#define PINS_H

#include <avr/io.h>

#define PULSE_PIN PD2
#define OVERFLOW_PIN PD3
#define FULL_PIN PD4
#define LOW_PIN PD5
#define FILL_PIN PD6
#define DRAIN_PIN PD7
#define VALVES ((uint8_t)(_BV(FILL_PIN) | _BV(DRAIN_PIN)))

#define LAMP_PIN PB5
#define RANGE_PINS ((uint8_t)(_BV(PB0) | _BV(PB1) | _BV(PB2) | _BV(PB3) | _BV(PB4)))
#define PRODUCT_RETURN PC1
#define FEED_RETURN PC3
#define RETURN_PINS ((uint8_t)(_BV(PRODUCT_RETURN) | _BV(FEED_RETURN)))

#endif
