#include "message.h"

bool message_hello(struct frame *frame, uint16_t sequence, const char *id, const char *firmware,
                   const char *boot, uint16_t lease_ms, uint16_t fitted)
{
    frame_begin(frame, '>', sequence, "hello");
    frame_text(frame, "id", id);
    frame_text(frame, "fw", firmware);
    frame_text(frame, "boot", boot);
    frame_whole(frame, "lease", lease_ms);
    frame_whole(frame, "fit", fitted);
    return frame_seal(frame);
}

bool message_reading(struct frame *frame, uint16_t sequence, const struct reading *reading)
{
    frame_begin(frame, '>', sequence, "reading");
    frame_text(frame, "path", path_word(reading->path));
    frame_measured(frame, "p", reading->measures.product_us);
    frame_measured(frame, "pt", reading->measures.product_c);
    frame_measured(frame, "f", reading->measures.feed_us);
    frame_measured(frame, "ft", reading->measures.feed_c);
    frame_measured(frame, "lv", reading->measures.sender);
    if (reading->switches)
        frame_text(frame, "sw", reading->switches);
    if (reading->with_pulses)
        frame_whole(frame, "n", reading->pulses);
    if (reading->faults)
        frame_whole(frame, "err", reading->faults);
    return frame_seal(frame);
}

bool message_ack(struct frame *frame, uint16_t sequence, uint16_t of, enum path path)
{
    frame_begin(frame, '>', sequence, "ack");
    frame_whole(frame, "of", of);
    frame_text(frame, "path", path_word(path));
    return frame_seal(frame);
}

bool message_no(struct frame *frame, uint16_t sequence, uint16_t of, const char *why)
{
    frame_begin(frame, '>', sequence, "no");
    frame_whole(frame, "of", of);
    frame_text(frame, "why", why);
    return frame_seal(frame);
}
