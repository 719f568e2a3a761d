#include "frame.h"

#include "crc32.h"

static void put(struct frame *frame, char c)
{
    if (frame->length < FRAME_MOST)
        frame->text[frame->length++] = c;
    else
        frame->overran = true;
}

static void put_text(struct frame *frame, const char *text)
{
    while (*text)
        put(frame, *text++);
}

/* At least `least` digits, with zeros in front. */
static void put_digits(struct frame *frame, uint32_t value, uint8_t least)
{
    char digits[10];
    uint8_t count = 0;
    do {
        digits[count++] = (char)('0' + value % 10u);
        value /= 10u;
    } while (value || count < least);
    while (count)
        put(frame, digits[--count]);
}

static void put_name(struct frame *frame, const char *name)
{
    put(frame, ' ');
    put_text(frame, name);
    put(frame, '=');
}

void frame_begin(struct frame *frame, char start, uint16_t sequence, const char *kind)
{
    frame->length = 0;
    frame->overran = false;
    put(frame, start);
    put_text(frame, "1 ");
    put_digits(frame, sequence, 1);
    put(frame, ' ');
    put_text(frame, kind);
}

void frame_text(struct frame *frame, const char *name, const char *value)
{
    put_name(frame, name);
    put_text(frame, value);
}

void frame_whole(struct frame *frame, const char *name, uint32_t value)
{
    put_name(frame, name);
    put_digits(frame, value, 1);
}

void frame_measured(struct frame *frame, const char *name, struct measured value)
{
    if (value.state == MEASURED_ABSENT)
        return;
    if (value.state == MEASURED_FAILED) {
        frame_text(frame, name, "?");
        return;
    }
    put_name(frame, name);
    uint32_t size = value.number < 0 ? 0u - (uint32_t)value.number : (uint32_t)value.number;
    uint8_t places = value.places;
    while (places && size % 10u == 0) {
        size /= 10u;
        places--;
    }
    if (value.number < 0)
        put(frame, '-');
    uint32_t unit = 1;
    for (uint8_t i = 0; i < places; i++)
        unit *= 10u;
    put_digits(frame, size / unit, 1);
    if (places) {
        put(frame, '.');
        put_digits(frame, size % unit, places);
    }
}

bool frame_seal(struct frame *frame)
{
    uint32_t crc = crc32_of(frame->text, frame->length);
    put(frame, '*');
    for (uint8_t shift = 32; shift > 0; shift = (uint8_t)(shift - 4)) {
        uint8_t digit = (uint8_t)((crc >> (shift - 4)) & 15u);
        put(frame, (char)(digit < 10 ? '0' + digit : 'A' + digit - 10));
    }
    put(frame, '\n');
    return !frame->overran;
}

struct measured measured_rounded(float value, uint8_t places)
{
    struct measured measured = {MEASURED_NUMBER, 0, places};
    for (uint8_t i = 0; i < places; i++)
        value *= 10.0f;
    measured.number = (int32_t)(value < 0 ? value - 0.5f : value + 0.5f);
    return measured;
}

struct measured measured_conductance(float us)
{
    uint8_t places = us < 10.0f ? 4 : us < 100.0f ? 3 : us < 1000.0f ? 2 : 1;
    return measured_rounded(us, places);
}
