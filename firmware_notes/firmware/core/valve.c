#include "valve.h"

#include "config.h"

bool valve_is_duplicate(const struct valve *valve, uint16_t sequence)
{
    return valve->has_granted && valve->granted == sequence;
}

void valve_grant(struct valve *valve, enum path path, uint16_t ms, uint16_t sequence)
{
    if (ms > LONGEST_LEASE_MS)
        ms = LONGEST_LEASE_MS;
    valve->lease_ms = ms > LEASE_MARGIN_MS ? (uint16_t)(ms - LEASE_MARGIN_MS) : 1u;
    valve->granted = sequence;
    valve->has_granted = true;
    valve->lapsed = false;
    if (valve->target != PATH_SHUT) {
        /* A change is running. Turned back or not, every valve has its full pause. */
        valve->target = path;
    } else if (valve->path == PATH_SHUT) {
        valve->path = path;
    } else if (valve->path != path) {
        valve->path = PATH_SHUT;
        valve->target = path;
        valve->pause_ms = CHANGE_PAUSE_MS;
    }
}

void valve_shut(struct valve *valve)
{
    valve->path = PATH_SHUT;
    valve->target = PATH_SHUT;
    valve->pause_ms = 0;
    valve->lease_ms = 0;
}

void valve_pass(struct valve *valve, uint16_t elapsed_ms)
{
    if (valve->lease_ms == 0)
        return;
    if (elapsed_ms >= valve->lease_ms) {
        valve_shut(valve);
        valve->lapsed = true;
        return;
    }
    valve->lease_ms = (uint16_t)(valve->lease_ms - elapsed_ms);
    if (valve->target == PATH_SHUT)
        return;
    if (elapsed_ms < valve->pause_ms) {
        valve->pause_ms = (uint16_t)(valve->pause_ms - elapsed_ms);
        return;
    }
    valve->pause_ms = 0;
    valve->path = valve->target;
    valve->target = PATH_SHUT;
}

const char *path_word(enum path path)
{
    return path == PATH_FILL ? "fill" : path == PATH_DRAIN ? "drain" : "shut";
}
