#ifndef EAR_H
#define EAR_H

#include <simavr/sim_avr.h>

/* Forget what waits; the chip has just been reset. */
void ear_reset(avr_t *of);

/* Begin to hand over what waits, unless that is under way. */
void ear_listen(void);

#endif
