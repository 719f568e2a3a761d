/* Writing one frame to the bridge: start, fields, check. Section 2 of protocol.md. */
#ifndef FRAME_H
#define FRAME_H

#include "line.h"

struct frame {
    char text[FRAME_MOST];
    uint8_t length;
    bool overran;  /* it did not fit and must not be sent */
};

/* A measured value as the wire carries it. `number` / 10^places, or no value. */
enum measured_state { MEASURED_ABSENT, MEASURED_FAILED, MEASURED_NUMBER };

struct measured {
    enum measured_state state;
    int32_t number;
    uint8_t places;  /* 0 to 8 */
};

void frame_begin(struct frame *frame, char start, uint16_t sequence, const char *kind);
void frame_text(struct frame *frame, const char *name, const char *value);
void frame_whole(struct frame *frame, const char *name, uint32_t value);

/* Nothing for an absent value, `?` for a failed one, else the number without zeros at its end. */
void frame_measured(struct frame *frame, const char *name, struct measured value);

/* Add check and line end; false when the frame is too long to be sent. */
bool frame_seal(struct frame *frame);

/* Round to as many places as keep about five figures: 0.0551, 54.321, 412.61, 1413.2. */
struct measured measured_conductance(float us);

/* Round to `places` decimals. */
struct measured measured_rounded(float value, uint8_t places);

#endif
