/* The form of a frame, sections 2 and 7 of firmware_notes/protocol.md, as a controller needs it. */
#ifndef FRAME_H
#define FRAME_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum { FRAME_BYTES = 120 };
enum command_kind { COMMAND_LEASE, COMMAND_DRAIN, COMMAND_CLOSE, COMMAND_IDENTIFY };
extern const char *const COMMAND_KINDS[4];

struct command {
    enum command_kind kind;
    unsigned seq;
    unsigned ms; /* 0 without one */
    const char *text; /* the whole line, until the next byte */
};

uint32_t crc32_of(const char *text, size_t length);

/* Takes one byte. Returns true if it completes a command; else *unused has the reason if it completes a line that is
 * not used, and is NULL otherwise. */
bool command_ends_with(char byte, struct command *got, const char **unused);

/* Drops what has come of a line. */
void forget_the_line(void);

#endif
