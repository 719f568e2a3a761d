/* Yes-or-no inputs: float switches debounced, and faults that stand until their cause was gone for 2 s. */
#ifndef INPUTS_H
#define INPUTS_H

#include <stdbool.h>
#include <stdint.h>

/* A switch changes its state when its contact has disagreed with it for DEBOUNCE_MS without a break. */
struct debounce {
    bool state;
    uint8_t disagreed_ms;
};

/* Take one sample; true while the debounced switch is on. */
bool debounce_take(struct debounce *debounce, bool on, uint16_t elapsed_ms);

/* A fault that one bad sample sets and CLEAR_AFTER_MS of good ones clear. */
struct standing {
    bool stands;
    uint16_t good_ms;
};

/* Take one sample; true while the fault stands. */
bool standing_take(struct standing *standing, bool bad, uint16_t elapsed_ms);

#endif
