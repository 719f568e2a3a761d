#include "frame.h"

#include <inttypes.h>
#include <stdio.h>
#include <string.h>

enum { CHECK_BYTES = 9 };
const char *const COMMAND_KINDS[4] = {"lease", "drain", "close", "identify"};
static char line[FRAME_BYTES + 1];
static size_t line_bytes;
static bool collecting;

uint32_t crc32_of(const char *text, size_t length)
{
    uint32_t crc = 0xFFFFFFFFu;
    for (size_t i = 0; i < length; i++) {
        crc ^= (uint8_t)text[i];
        for (int bit = 0; bit < 8; bit++)
            crc = (crc & 1u) ? (crc >> 1) ^ 0xEDB88320u : crc >> 1;
    }
    return crc ^ 0xFFFFFFFFu;
}

static bool is_digit(char c) { return c >= '0' && c <= '9'; }
static bool is_lower(char c) { return c >= 'a' && c <= 'z'; }

/* Reads a whole number of 16 bits without sign and leading zeros. Returns what follows, or NULL. */
static const char *whole(const char *at, unsigned *value)
{
    const char *start = at;
    unsigned sum = 0;
    for (; is_digit(*at); at++)
        if ((sum = sum * 10 + (unsigned)(*at - '0')) > 65535)
            return NULL;
    if (at == start || (*start == '0' && at - start > 1))
        return NULL;
    *value = sum;
    return at;
}

static bool has_a_name_twice(const char *fields)
{
    for (const char *one = strchr(fields, ' '); one; one = strchr(one + 1, ' ')) {
        size_t with_sign = strcspn(one + 1, "=") + 1;
        for (const char *other = strchr(one + 1, ' '); other; other = strchr(other + 1, ' '))
            if (!strncmp(one + 1, other + 1, with_sign))
                return true;
    }
    return false;
}

static bool well_formed(const char *fields)
{
    const char *at = fields;
    while (*at) {
        if (*at++ != ' ' || !is_lower(*at))
            return false;
        while (is_lower(*at) || is_digit(*at))
            at++;
        if (*at++ != '=')
            return false;
        while (*at && !strchr(" =*<>", *at))
            at++;
        if (*at && *at != ' ')
            return false;
    }
    return !has_a_name_twice(fields);
}

static bool has_time(const char *fields, unsigned *ms)
{
    const char *at = strstr(fields, " ms=");
    const char *end = at ? whole(at + 4, ms) : NULL;
    return end && (*end == ' ' || !*end) && *ms > 0;
}

/* Checks the line in the order of section 7. Returns why it is not used, or NULL. */
static const char *read_line(struct command *got)
{
    char check[CHECK_BYTES];
    char text[FRAME_BYTES + 1];
    for (size_t i = 0; i < line_bytes; i++)
        if (line[i] < 0x20 || line[i] > 0x7E)
            return "bytes";
    if (line_bytes < CHECK_BYTES + 1 || line[line_bytes - CHECK_BYTES] != '*')
        return "check";
    snprintf(check, sizeof check, "%08" PRIX32, crc32_of(line, line_bytes - CHECK_BYTES));
    if (memcmp(check, line + line_bytes - CHECK_BYTES + 1, CHECK_BYTES - 1))
        return "check";
    if (line[0] != '<')
        return "echo";
    memcpy(text, line, line_bytes);
    text[line_bytes - CHECK_BYTES] = '\0';
    if (!is_digit(text[1]) || text[2] != ' ')
        return "malformed";
    if (text[1] != '1')
        return "version";
    const char *kind = whole(text + 3, &got->seq);
    if (!kind || *kind++ != ' ' || !is_lower(*kind))
        return "malformed";
    size_t letters = 0;
    while (is_lower(kind[letters]))
        letters++;
    if (!well_formed(kind + letters))
        return "malformed";
    for (int i = 0; i < 4; i++)
        if (letters == strlen(COMMAND_KINDS[i]) && !memcmp(kind, COMMAND_KINDS[i], letters)) {
            got->kind = (enum command_kind)i;
            got->ms = 0;
            got->text = line;
            bool timed = i == COMMAND_LEASE || i == COMMAND_DRAIN;
            return timed && !has_time(kind + letters, &got->ms) ? "malformed" : NULL;
        }
    return "kind";
}

bool command_ends_with(char byte, struct command *got, const char **unused)
{
    *unused = NULL;
    if (byte == '<' || byte == '>') {
        line_bytes = 0;
        collecting = true;
    }
    if (!collecting)
        return false;
    if (byte != '\n') {
        line[line_bytes++] = byte;
        collecting = line_bytes < FRAME_BYTES;
        return false;
    }
    collecting = false;
    if (line[line_bytes - 1] == '\r')
        line_bytes--;
    line[line_bytes] = '\0';
    *unused = read_line(got);
    return !*unused;
}

void forget_the_line(void)
{
    collecting = false;
}
