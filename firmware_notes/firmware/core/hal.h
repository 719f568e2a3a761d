/* The boundary. Above it no register is known, below it no rule of the protocol.
 *
 * avr/ implements these for the board; host/ for tests on a computer.
 */
#ifndef HAL_H
#define HAL_H

#include <stdbool.h>
#include <stdint.h>

#include "scan.h"
#include "valve.h"

/* What the float switches and the outputs say at this moment, not debounced. */
struct contacts {
    bool low;
    bool full;
    bool overflow;      /* the overflow float is up, or its wire is broken */
    bool outputs_high;  /* a valve output was read back high */
};

void hal_start(void);

/* Sleep until the next interrupt; at most one slot of 250 microseconds. */
void hal_wait(void);

/* Counted by the slot interrupt; wraps. */
uint16_t hal_milliseconds(void);

/* Called only by the main loop, and only when it has counted the lease down. */
void hal_watchdog_serve(void);

/* Why the board last started, in the words of the protocol. */
const char *hal_boot_word(void);

void hal_valves(enum path path);
struct contacts hal_contacts(void);
uint32_t hal_pulses(void);

/* One received byte; false when there is none. */
bool hal_receive(uint8_t *byte);

/* Queue a whole frame, or drop it whole when there is no room. Never waits. */
bool hal_send(const char *text, uint8_t length);

/* The program as it lies in flash, for the self-test. */
uint16_t hal_image_length(void);
uint16_t hal_image_check_at(void);  /* four bytes there hold the check value, lowest first */
uint8_t hal_image_byte(uint16_t at);

/* Not of the board but of main.c: called in every slot, from the slot interrupt. */
struct order on_slot(uint16_t sample);

#endif
