/* The logic as a shared library, with plain arguments, for tests in another language. */
#include <string.h>

#include "board.h"
#include "command.h"
#include "config.h"
#include "controller.h"
#include "message.h"

enum word {
    WORD_CUT = 1,
    WORD_TOO_LONG,
    WORD_BYTES,
    WORD_CHECK,
    WORD_ECHO,
    WORD_MALFORMED,
    WORD_VERSION,
    WORD_KIND,
    WORD_FRAME,  /* a sound frame to the bridge, of whatever kind */
    WORD_LEASE = 20,
    WORD_DRAIN,
    WORD_CLOSE,
    WORD_IDENTIFY,
};

struct event {
    int32_t word;
    int32_t sequence;
    int32_t ms;
};

static struct line receiver;

void library_forget(void) { memset(&receiver, 0, sizeof receiver); }

static int32_t word_of(enum verdict verdict)
{
    static const int32_t WORDS[] = {WORD_FRAME,     WORD_BYTES,   WORD_CHECK, WORD_ECHO,
                                    WORD_MALFORMED, WORD_VERSION};
    return WORDS[verdict];
}

static struct event judged(char start)
{
    struct event event = {0, -1, -1};
    if (start == '>') {
        struct form form;
        event.word = word_of(line_judge(&receiver, start, &form));
        if (event.word == WORD_FRAME)
            event.sequence = form.sequence;
        return event;
    }
    struct command command = command_read(&receiver);
    if (command.kind == COMMAND_NONE) {
        event.word = word_of(command.verdict);
        return event;
    }
    event.word = command.kind == COMMAND_UNKNOWN ? WORD_KIND : WORD_LEASE + (int32_t)command.kind - COMMAND_LEASE;
    event.sequence = command.kind == COMMAND_UNKNOWN ? -1 : command.sequence;
    if (command.kind == COMMAND_LEASE || command.kind == COMMAND_DRAIN)
        event.ms = command.ms;
    return event;
}

/* Feed bytes from the side whose start character is `start`; the events, at most `most`, and their number. */
int32_t library_feed(const uint8_t *bytes, int32_t count, char start, struct event *events, int32_t most)
{
    int32_t found = 0;
    for (int32_t i = 0; i < count && found < most; i++) {
        struct event event = {0, -1, -1};
        switch (line_take(&receiver, bytes[i])) {
        case LINE_NOTHING:
            continue;
        case LINE_CUT:
            event.word = WORD_CUT;
            break;
        case LINE_TOO_LONG:
            event.word = WORD_TOO_LONG;
            break;
        case LINE_COMPLETE:
            event = judged(start);
            break;
        }
        events[found++] = event;
    }
    return found;
}

static int32_t copied(const struct frame *frame, bool fits, char *out)
{
    if (!fits)
        return 0;
    memcpy(out, frame->text, frame->length);
    return frame->length;
}

int32_t library_ack(uint16_t sequence, uint16_t of, int32_t path, char *out)
{
    struct frame frame;
    bool fits = message_ack(&frame, sequence, of, (enum path)path);
    return copied(&frame, fits, out);
}

int32_t library_no(uint16_t sequence, uint16_t of, const char *why, char *out)
{
    struct frame frame;
    bool fits = message_no(&frame, sequence, of, why);
    return copied(&frame, fits, out);
}

int32_t library_hello(uint16_t sequence, const char *id, const char *firmware, const char *boot, uint16_t lease_ms,
                      uint16_t fitted, char *out)
{
    struct frame frame;
    bool fits = message_hello(&frame, sequence, id, firmware, boot, lease_ms, fitted);
    return copied(&frame, fits, out);
}

static struct measured measured_of(const int32_t *three)
{
    struct measured measured = {(enum measured_state)three[0], three[1], (uint8_t)three[2]};
    return measured;
}

/* `measures`: state, number, places of p, pt, f, ft, lv. */
int32_t library_reading(uint16_t sequence, int32_t path, const int32_t *measures, const char *switches,
                        int32_t with_pulses, uint32_t pulses, uint16_t faults, char *out)
{
    struct frame frame;
    struct reading reading = {
        .path = (enum path)path,
        .measures = {measured_of(measures), measured_of(measures + 3), measured_of(measures + 6),
                     measured_of(measures + 9), measured_of(measures + 12), 0},
        .switches = switches,
        .with_pulses = with_pulses != 0,
        .pulses = pulses,
        .faults = faults,
    };
    bool fits = message_reading(&frame, sequence, &reading);
    return copied(&frame, fits, out);
}

/* ---- a whole controller */

static struct controller controller;
static const uint8_t RANGE[CELLS] = {RANGE_MIDDLE, RANGE_MIDDLE};

void library_start(uint16_t fitted, int32_t self_test_failed, int32_t supply_steps)
{
    struct scan scan;
    struct contacts contacts = {false, false, false, false};
    memset(&board, 0, sizeof board);
    memset(&scan, 0, sizeof scan);
    scan.single[CHANNEL_SUPPLY - CHANNEL_PRODUCT_TEMPERATURE] = (uint16_t)(SINGLE_SAMPLES * (uint32_t)supply_steps);
    controller_start(&controller, fitted, "power", self_test_failed != 0, &scan, contacts);
}

void library_bytes(const uint8_t *bytes, int32_t count)
{
    for (int32_t i = 0; i < count; i++)
        controller_byte(&controller, bytes[i]);
}

void library_pass(uint16_t elapsed_ms, int32_t overflow_up)
{
    struct contacts contacts = {false, false, overflow_up != 0, false};
    controller_pass(&controller, elapsed_ms, contacts, RANGE);
}

int32_t library_path(void) { return (int32_t)board.path; }

uint32_t library_openings(void) { return board.openings; }

/* Move out what was said since the last call; at most `most` bytes. */
int32_t library_said(char *out, int32_t most)
{
    uint32_t length = board.said_length < (uint32_t)most ? board.said_length : (uint32_t)most;
    memcpy(out, board.said, length);
    board.said_length = 0;
    return (int32_t)length;
}

/* Hear bytes at the line's rate, 12 in a millisecond; the milliseconds until the path was shut, or -1. */
int32_t library_hear(const uint8_t *bytes, int32_t count)
{
    int32_t shut_after = -1;
    for (int32_t at = 0, ms = 1; at < count; at += 12, ms++) {
        library_bytes(bytes + at, count - at < 12 ? count - at : 12);
        library_pass(1, 0);
        board.said_length = 0;
        if (shut_after < 0 && board.path == PATH_SHUT)
            shut_after = ms;
    }
    return shut_after;
}
