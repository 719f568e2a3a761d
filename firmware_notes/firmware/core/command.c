#include "command.h"

static struct command timed(struct command command, const struct form *form)
{
    uint8_t length;
    uint32_t ms;
    const char *text = form_field(form, "ms", &length);
    if (text && read_whole(text, length, 0xFFFFu, &ms) && ms > 0) {
        command.ms = (uint16_t)ms;
    } else {
        command.kind = COMMAND_NONE;
        command.verdict = VERDICT_MALFORMED;
    }
    return command;
}

struct command command_read(const struct line *line)
{
    struct form form;
    struct command command = {COMMAND_NONE, VERDICT_GOOD, 0, 0};
    command.verdict = line_judge(line, '<', &form);
    if (command.verdict != VERDICT_GOOD)
        return command;
    command.sequence = form.sequence;
    if (form_is(&form, "lease")) {
        command.kind = COMMAND_LEASE;
        return timed(command, &form);
    }
    if (form_is(&form, "drain")) {
        command.kind = COMMAND_DRAIN;
        return timed(command, &form);
    }
    if (form_is(&form, "close"))
        command.kind = COMMAND_CLOSE;
    else if (form_is(&form, "identify"))
        command.kind = COMMAND_IDENTIFY;
    else
        command.kind = COMMAND_UNKNOWN;
    return command;
}
