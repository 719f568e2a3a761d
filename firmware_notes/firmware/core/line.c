#include "line.h"

#include <string.h>

#include "crc32.h"

#define CHECK_LENGTH 9u

enum line_event line_take(struct line *line, uint8_t byte)
{
    if (byte == '<' || byte == '>') {
        enum line_event event = line->collecting ? LINE_CUT : LINE_NOTHING;
        line->text[0] = (char)byte;
        line->length = 1;
        line->collecting = true;
        return event;
    }
    if (!line->collecting)
        return LINE_NOTHING;
    if (byte == '\n') {
        line->collecting = false;
        if (line->text[line->length - 1] == '\r')
            line->length--;
        return LINE_COMPLETE;
    }
    line->text[line->length++] = (char)byte;
    if (line->length < FRAME_MOST)
        return LINE_NOTHING;
    line->collecting = false;
    return LINE_TOO_LONG;
}

static bool is_digit(char c) { return c >= '0' && c <= '9'; }

static bool is_lower(char c) { return c >= 'a' && c <= 'z'; }

static bool check_agrees(const struct line *line)
{
    if (line->length < CHECK_LENGTH)
        return false;
    uint8_t body = (uint8_t)(line->length - CHECK_LENGTH);
    const char *check = line->text + body;
    if (check[0] != '*')
        return false;
    uint32_t crc = crc32_of(line->text, body);
    for (uint8_t i = 8; i > 0; i--, crc >>= 4) {
        uint8_t digit = (uint8_t)(crc & 15u);
        if (check[i] != (char)(digit < 10 ? '0' + digit : 'A' + digit - 10))
            return false;
    }
    return true;
}

/* Step over one field behind its leading space; null when it is not of the form name=value. */
static const char *after_field(const char *at, const char *end)
{
    if (at == end || !is_lower(*at))
        return 0;
    while (at != end && (is_lower(*at) || is_digit(*at)))
        at++;
    if (at == end || *at != '=')
        return 0;
    for (at++; at != end && *at != ' '; at++)
        if (*at == '=' || *at == '*' || *at == '<' || *at == '>')
            return 0;
    return at;
}

static uint8_t name_length(const char *name)
{
    uint8_t length = 0;
    while (name[length] != '=')
        length++;
    return length;
}

static const char *find(const char *from, const char *end, const char *name, uint8_t length)
{
    for (const char *at = from; at != end; at++)
        if (*at == ' ' && (uint8_t)(end - at) > length + 1u && at[length + 1] == '=' &&
            memcmp(at + 1, name, length) == 0)
            return at + length + 2;
    return 0;
}

static bool fields_are_sound(const char *at, const char *end)
{
    while (at != end) {
        if (*at != ' ')
            return false;
        const char *name = at + 1;
        const char *next = after_field(name, end);
        if (!next)
            return false;
        at = next;
    }
    return true;
}

static bool a_name_is_twice(const char *at, const char *end)
{
    while (at != end) {
        const char *name = at + 1;
        at = after_field(name, end);
        if (find(at, end, name, name_length(name)))
            return true;
    }
    return false;
}

enum verdict line_judge(const struct line *line, char start, struct form *form)
{
    for (uint8_t i = 0; i < line->length; i++)
        if (line->text[i] < 0x20 || line->text[i] > 0x7E)
            return VERDICT_BYTES;
    if (!check_agrees(line))
        return VERDICT_CHECK;
    if (line->text[0] != start)
        return VERDICT_ECHO;
    const char *at = line->text + 1;
    const char *end = line->text + line->length - CHECK_LENGTH;
    if (end - at < 2 || !is_digit(at[0]) || at[1] != ' ')
        return VERDICT_MALFORMED;
    if (at[0] != '1')
        return VERDICT_VERSION;
    at += 2;
    const char *number = at;
    while (at != end && is_digit(*at))
        at++;
    uint32_t sequence;
    if (!read_whole(number, (uint8_t)(at - number), 0xFFFFu, &sequence) || at == end || *at != ' ')
        return VERDICT_MALFORMED;
    form->sequence = (uint16_t)sequence;
    form->kind = ++at;
    while (at != end && is_lower(*at))
        at++;
    form->kind_length = (uint8_t)(at - form->kind);
    form->fields = at;
    form->end = end;
    if (form->kind_length == 0 || !fields_are_sound(at, end) || a_name_is_twice(at, end))
        return VERDICT_MALFORMED;
    return VERDICT_GOOD;
}

bool form_is(const struct form *form, const char *kind)
{
    return strlen(kind) == form->kind_length && memcmp(kind, form->kind, form->kind_length) == 0;
}

const char *form_field(const struct form *form, const char *name, uint8_t *length)
{
    const char *value = find(form->fields, form->end, name, (uint8_t)strlen(name));
    if (!value)
        return 0;
    const char *stop = value;
    while (stop != form->end && *stop != ' ')
        stop++;
    *length = (uint8_t)(stop - value);
    return value;
}

bool read_whole(const char *text, uint8_t length, uint32_t most, uint32_t *value)
{
    if (length == 0 || length > 10 || (text[0] == '0' && length > 1))
        return false;
    uint32_t sum = 0;
    for (uint8_t i = 0; i < length; i++) {
        if (!is_digit(text[i]))
            return false;
        uint8_t digit = (uint8_t)(text[i] - '0');
        if (sum > (0xFFFFFFFFul - digit) / 10u)
            return false;
        sum = sum * 10u + digit;
    }
    *value = sum;
    return sum <= most;
}
