/* The four kinds of frame that a controller sends. Section 3 of protocol.md. */
#ifndef MESSAGE_H
#define MESSAGE_H

#include "frame.h"
#include "gather.h"
#include "valve.h"

struct reading {
    enum path path;
    struct measures measures;
    const char *switches;  /* three characters, or null when none is fitted */
    bool with_pulses;
    uint32_t pulses;
    uint16_t faults;  /* those of the measures included */
};

/* Each returns false when the frame is too long to be sent, which a made-up identity can do and nothing else. */
bool message_hello(struct frame *frame, uint16_t sequence, const char *id, const char *firmware,
                   const char *boot, uint16_t lease_ms, uint16_t fitted);
bool message_reading(struct frame *frame, uint16_t sequence, const struct reading *reading);
bool message_ack(struct frame *frame, uint16_t sequence, uint16_t of, enum path path);
bool message_no(struct frame *frame, uint16_t sequence, uint16_t of, const char *why);

#endif
