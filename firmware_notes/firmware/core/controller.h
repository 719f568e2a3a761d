/* The whole controller after boot: bytes, contacts, scans and time in; frames and a driven valve out.
 *
 * It owns no clock. The order in one pass of the main loop is: bytes, then time. A lease that has just
 * come is thereby charged with the time since the pass before, in which it arrived; so it can be short by
 * a pass and never long.
 */
#ifndef CONTROLLER_H
#define CONTROLLER_H

#include "gather.h"
#include "hal.h"
#include "inputs.h"
#include "line.h"
#include "valve.h"

struct controller {
    uint16_t fitted;
    const char *boot;
    bool self_test_failed;
    struct line line;
    struct valve valve;
    struct debounce low;
    struct debounce full;
    bool overflow_up;
    struct standing overflow;
    struct standing supply;
    bool supply_bad;  /* at the last scan */
    struct gather gather;
    uint16_t sequence;
    uint16_t since_reading_ms;
    bool hurry;
};

/* Begin in state shut and send the hello. `first` is a finished scan, of which only the supply is used. */
void controller_start(struct controller *c, uint16_t fitted, const char *boot, bool self_test_failed,
                      const struct scan *first, struct contacts contacts);

/* Take one byte from the line. */
void controller_byte(struct controller *c, uint8_t byte);

/* So much time has passed, and the contacts are now so. `range` are the ranges that were gathered on. */
void controller_pass(struct controller *c, uint16_t elapsed_ms, struct contacts contacts,
                     const uint8_t range[CELLS]);

/* Take a finished scan, and set the ranges of the next in it. */
void controller_scan(struct controller *c, struct scan *scan);

#endif
