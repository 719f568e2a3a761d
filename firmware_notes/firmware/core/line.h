/* Bytes in, lines out, and the judgement of a line: sections 2 and 7 of protocol.md, and nothing else.
 *
 * The states of the receiver, and what a byte does in each:
 *
 *     state       start character      line end             any other byte
 *     between     -> collecting        -> between           -> between
 *     collecting  cut, -> collecting   judge it, -> between  keep it; at 120 bytes: too long, -> between
 *
 * A start character occurs nowhere inside a frame, so after any garbage the next whole frame is read.
 */
#ifndef LINE_H
#define LINE_H

#include <stdbool.h>
#include <stdint.h>

#define FRAME_MOST 120u

enum line_event {
    LINE_NOTHING,   /* no line ended with this byte */
    LINE_COMPLETE,  /* text and length hold a line, without its line end */
    LINE_CUT,       /* another frame began before this one ended */
    LINE_TOO_LONG,
};

struct line {
    char text[FRAME_MOST];
    uint8_t length;
    bool collecting;
};

/* Take one byte. The text of a complete line is good until the next byte is taken. */
enum line_event line_take(struct line *line, uint8_t byte);

enum verdict {
    VERDICT_GOOD,
    VERDICT_BYTES,
    VERDICT_CHECK,
    VERDICT_ECHO,
    VERDICT_MALFORMED,
    VERDICT_VERSION,
};

/* A frame of good form; the pointers lead into the line it was made from. */
struct form {
    uint16_t sequence;
    const char *kind;
    uint8_t kind_length;
    const char *fields;  /* the first field's leading space, or the end */
    const char *end;     /* where the check begins */
};

/* Judge a complete line in the order of section 7; `start` is the other side's start character. */
enum verdict line_judge(const struct line *line, char start, struct form *form);

/* True when the frame has this kind. */
bool form_is(const struct form *form, const char *kind);

/* The value of the field `name`, its length in `length`; null when the frame has no such field. */
const char *form_field(const struct form *form, const char *name, uint8_t *length);

/* Read `whole` of the page, at most `most`; false when the text is none. */
bool read_whole(const char *text, uint8_t length, uint32_t most, uint32_t *value);

#endif
