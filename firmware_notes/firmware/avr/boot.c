/* What happens before main: outputs shut first, then the reset cause, then the watchdog. And the fuses. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/wdt.h>

#include "hal.h"
#include "pins.h"

/* External crystal of 8 to 16 MHz, no clock division; brown-out at 4.3 V; watchdog always on (WDTON);
 * no boot loader, programming over the ISP connector. */
FUSES = {
    .low = 0xFF,
    .high = (FUSE_SPIEN & FUSE_WDTON & FUSE_BOOTSZ1 & FUSE_BOOTSZ0),
    .extended = 0xFC,
};

static uint8_t reset_flags __attribute__((section(".noinit")));

/* The first instructions after reset: no stack and no zero register is needed for them. */
__attribute__((naked, used, section(".init1"))) void outputs_shut_first(void)
{
    PORTD &= (uint8_t)~_BV(FILL_PIN);
    PORTD &= (uint8_t)~_BV(DRAIN_PIN);
    DDRD |= _BV(FILL_PIN);
    DDRD |= _BV(DRAIN_PIN);
}

/* After a watchdog reset the watchdog still runs at its shortest time: set it before memory is cleared. */
__attribute__((naked, used, section(".init3"))) void watchdog_on(void)
{
    reset_flags = MCUSR;
    MCUSR = 0;
    wdt_enable(WDTO_250MS);
}

const char *hal_boot_word(void)
{
    /* Power leaves the brown-out flag undefined, so power is asked for first. */
    if (reset_flags & _BV(PORF))
        return "power";
    if (reset_flags & _BV(WDRF))
        return "watchdog";
    if (reset_flags & _BV(BORF))
        return "brownout";
    if (reset_flags & _BV(EXTRF))
        return "pin";
    return "unknown";
}

void hal_watchdog_serve(void) { wdt_reset(); }

/* An interrupt that nobody asked for is a fault of the program or of the chip: stay here, with the valves
 * shut, until the watchdog bites. */
ISR(BADISR_vect)
{
    cli();
    PORTD &= (uint8_t)~VALVES;
    for (;;) {
    }
}
