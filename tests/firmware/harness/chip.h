/* The emulated chip: its clock, its resets, its pins and its line, around the simavr library. */
#ifndef CHIP_H
#define CHIP_H

#include "circuit.h"

#define CLOCK_HZ 16000000u

extern struct circuit circuit;

/* Load the program and switch the power on. Ends the process with a sentence when it cannot. */
void chip_start(const char *elf);

/* Emulated time since the power was first switched on. */
uint64_t chip_us(void);

/* Run until the emulated time is reached. */
void chip_run_to(uint64_t us);

/* power, pin or brownout */
bool chip_reset(const char *cause);

/* Float switches: up is water. */
void chip_float(const char *name, bool up);
bool chip_float_known(const char *name);
void chip_supply(double volt);
void chip_pulse(void);

/* Send the processor into an endless loop, with or without its interrupts. */
void chip_hang(bool interrupts);
/* Switch the slot timer's interrupt off behind the program's back. */
void chip_stop_ticks(void);
void chip_flip(uint32_t address);

/* Bytes to the chip's receiver, at the pace of the line; returns how many were taken. */
unsigned chip_hear(const unsigned char *bytes, unsigned count);
unsigned chip_hear_room(void);
bool chip_heard_all(void);
/* Cycles from byte to byte; 0 for the pace that the chip itself has set. */
void chip_pace(uint32_t cycles);
/* Called for every byte that the chip sends. */
void chip_on_byte(void (*said)(unsigned char byte));

/* The deepest stack since the last reset, in bytes. */
unsigned chip_stack(void);

#endif
