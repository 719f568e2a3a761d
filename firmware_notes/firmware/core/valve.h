/* A lease, not a latch: the states of section 6 of protocol.md, as a plain object fed with commands and time.
 *
 *     state     lease              drain              close   time over        cut
 *     shut      -> fill            -> drain           -> shut                  -> shut
 *     fill      time anew          -> changing        -> shut lapsed, -> shut  -> shut
 *     drain     -> changing        time anew          -> shut lapsed, -> shut  -> shut
 *     changing  target, time anew  target, time anew  -> shut lapsed, -> shut  -> shut
 *
 * Time is only ever counted down. There is no way to add to a lease, and none to open without one.
 */
#ifndef VALVE_H
#define VALVE_H

#include <stdbool.h>
#include <stdint.h>

enum path { PATH_SHUT, PATH_FILL, PATH_DRAIN };

struct valve {
    enum path path;      /* what is driven now */
    enum path target;    /* of a running change of path, else PATH_SHUT */
    uint16_t pause_ms;   /* left of that change */
    uint16_t lease_ms;   /* left of the lease; 0 when there is none */
    bool lapsed;         /* a lease ran out: bit 128 */
    bool has_granted;
    uint16_t granted;    /* sequence number of the last lease or drain that was granted */
};

/* True when this sequence number repeats the last one granted, and nothing must change. */
bool valve_is_duplicate(const struct valve *valve, uint16_t sequence);

/* Grant `ms` for `path`, fill or drain. The caller has made sure that it may be granted. */
void valve_grant(struct valve *valve, enum path path, uint16_t ms, uint16_t sequence);

/* Shut now, whatever was granted. */
void valve_shut(struct valve *valve);

/* So many milliseconds have passed. */
void valve_pass(struct valve *valve, uint16_t elapsed_ms);

const char *path_word(enum path path);

#endif
