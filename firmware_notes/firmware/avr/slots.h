#ifndef SLOTS_H
#define SLOTS_H

#include "hal.h"

/* Start timer 2 and the converter; interrupts are still off. */
void slots_start(void);

#endif
