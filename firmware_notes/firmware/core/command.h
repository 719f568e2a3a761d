/* What the bridge may say: a line judged and read as one of four commands. Section 4 of protocol.md. */
#ifndef COMMAND_H
#define COMMAND_H

#include "line.h"

enum command_kind {
    COMMAND_NONE,  /* damaged or ignored; `verdict` says why */
    COMMAND_LEASE,
    COMMAND_DRAIN,
    COMMAND_CLOSE,
    COMMAND_IDENTIFY,
    COMMAND_UNKNOWN,  /* a sound frame of a kind that is not known */
};

struct command {
    enum command_kind kind;
    enum verdict verdict;
    uint16_t sequence;
    uint16_t ms;  /* of a lease or drain, 1 to 65535 */
};

/* Judge a complete line from the bridge. */
struct command command_read(const struct line *line);

#endif
