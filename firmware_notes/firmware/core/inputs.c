#include "inputs.h"

#include "config.h"

bool debounce_take(struct debounce *debounce, bool on, uint16_t elapsed_ms)
{
    if (on == debounce->state) {
        debounce->disagreed_ms = 0;
    } else if (elapsed_ms + debounce->disagreed_ms >= DEBOUNCE_MS) {
        debounce->state = on;
        debounce->disagreed_ms = 0;
    } else {
        debounce->disagreed_ms = (uint8_t)(debounce->disagreed_ms + elapsed_ms);
    }
    return debounce->state;
}

bool standing_take(struct standing *standing, bool bad, uint16_t elapsed_ms)
{
    if (bad) {
        standing->stands = true;
        standing->good_ms = 0;
    } else if (standing->stands) {
        if (elapsed_ms + (uint32_t)standing->good_ms >= CLEAR_AFTER_MS)
            standing->stands = false;
        else
            standing->good_ms = (uint16_t)(standing->good_ms + elapsed_ms);
    }
    return standing->stands;
}
