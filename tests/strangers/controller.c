/*
 * A controller of the line protocol, version 1, written from firmware_notes/protocol.md alone: no code of the bridge
 * and none of its firmware is used. It has a world of its own, so that a test can compare what the bridge believes
 * with the truth: a valve, a lease timer, a meter of pulses, a tank with water of known ppm, two cells.
 *
 *   controller [name=number ...] [id=NAME] [link=PATH]
 *   controller decode < BYTES
 *
 * It opens a pseudo-terminal, and keeps the link PATH pointing to it. Standard input takes one command a line.
 * Standard output has one JSON object a line; "t" is CLOCK_MONOTONIC in seconds, taken when it happened.
 *
 * Everything is invented. It drives no real valve and measures no real water.
 */
#define _XOPEN_SOURCE 700
#define _DEFAULT_SOURCE
#include <errno.h>
#include <inttypes.h>
#include <math.h>
#include <poll.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "frame.h"
#include "port.h"

enum { HISTORY = 64 };
enum { FIT_DRAIN = 1, FIT_FEED = 2, FIT_FLOW = 4, FIT_LEVEL = 8, FIT_OVERFLOW = 64 };
enum { ERR_CELL = 2, ERR_OVERFLOW = 64, ERR_LAPSED = 128 };
enum path { SHUT, FILL, DRAIN };
static const char *const PATHS[] = {"shut", "fill", "drain"};

/* The board's settings and the world around it. */
static char board_id[25] = "stranger-1", link_path[256];
static double rate_hz = 10, longest_lease_ms = 10000, litres_a_pulse = 0.01, flow_l_s = 0.5, capacity_l = 200;
static double feed_ppm = 300, product_ppm = 5, tank_l = 116, tank_ppm = 5, factor = 0.5;
static double product_cell = 0.1, feed_cell = 1.0, celsius = 25;
static double with_pulses = 1, with_drain = 0, with_feed = 1;
static double delivered_l, drained_l, since_boot_l;

/* The state of section 6. */
static enum path open_path, next_path;
static bool changing, float_is_up;
static double lease_ends, pause_ends, float_fell, last_look;
static unsigned err_bits;
static long last_granted = -1;
static unsigned next_seq;

/* Faults that a command puts in. */
static long torn_by;
static bool n_at_end, huge_once, err_once, readings_stop, resets_at_opening, silent_to_open, never_opens, swapped;
static bool unplugged, loops;
static int told_path = -1;
static double reset_due = INFINITY;

static const char *boot_reason = "power";
static double next_reading, last_reading;
static bool reading_wanted;
static char past[HISTORY][FRAME_BYTES + 1];
static unsigned past_count, past_at, loop_from, loop_length;

/* ------------------------------------------------------------------------------------------------ the world */

static void water_flows_until(double t)
{
    if (t <= last_look)
        return;
    double litres = open_path == SHUT ? 0 : (t - last_look) * flow_l_s;
    last_look = t;
    if (open_path == DRAIN)
        drained_l += litres;
    if (open_path == FILL && litres > 0) {
        tank_ppm = (tank_ppm * tank_l + product_ppm * litres) / (tank_l + litres);
        tank_l = fmin(tank_l + litres, capacity_l);
        delivered_l += litres;
    }
    since_boot_l += litres;
}

static void truth(double t, const char *event, const char *more)
{
    told(t, "\"ev\": \"%s\", %s\"path\": \"%s\", \"delivered_l\": %.6f, \"drained_l\": %.6f, \"tank_l\": %.6f, "
            "\"tank_ppm\": %.4f, \"product_ppm\": %.4f, \"pulses\": %.0f",
         event, more, PATHS[open_path], delivered_l, drained_l, tank_l, tank_ppm, product_ppm,
         floor(since_boot_l / litres_a_pulse));
}

static void drive(double t, enum path path, const char *cause)
{
    char why[64];
    if (path == open_path)
        return;
    water_flows_until(t);
    open_path = path;
    reading_wanted = true;
    snprintf(why, sizeof why, "\"cause\": \"%s\", ", cause);
    truth(t, path == SHUT ? "shut" : "open", why);
    if (path != SHUT && resets_at_opening)
        reset_due = t + 0.3;
}

/* ------------------------------------------------------------------------------------------------ sending */

static void send_frame(double t, const char *form, ...)
{
    char frame[FRAME_BYTES * 2];
    va_list values;
    int bytes = snprintf(frame, sizeof frame, ">1 %u ", next_seq);
    va_start(values, form);
    bytes += vsnprintf(frame + bytes, sizeof frame - (size_t)bytes, form, values);
    va_end(values);
    next_seq = (next_seq + 1) & 0xFFFF;
    bytes += snprintf(frame + bytes, sizeof frame - (size_t)bytes, "*%08" PRIX32, crc32_of(frame, (size_t)bytes));
    told(t, "\"ev\": \"sent\", \"frame\": \"%s\"", frame);
    strcat(frame, "\n");
    if (bytes + 1 > FRAME_BYTES) {
        told(t, "\"ev\": \"own-fault\", \"what\": \"a frame of %d bytes\"", bytes + 1);
        exit(1);
    }
    if (strstr(frame, " reading "))
        strcpy(past[past_count++ % HISTORY], frame);
    put_line(frame);
}

static void send_hello(double t)
{
    unsigned fit = FIT_LEVEL | FIT_OVERFLOW | (with_pulses > 0 ? FIT_FLOW : 0u) | (with_drain > 0 ? FIT_DRAIN : 0u) |
                   (with_feed > 0 ? FIT_FEED : 0u);
    send_frame(t, "hello id=%s fw=0.1 boot=%s lease=%.0f fit=%u", board_id, boot_reason, longest_lease_ms, fit);
}

static void measured(char *to, size_t room, const char *name, double value)
{
    snprintf(to, room, " %s=%.3f", name, value);
}

static void send_reading(double t)
{
    char p[24] = " p=?", f[24] = "", n[24] = "", err[16] = "";
    double product_us = product_ppm / factor / product_cell, feed_us = feed_ppm / factor / feed_cell;
    double level = tank_l / capacity_l, shown_us = swapped ? feed_us : product_us;
    uint32_t pulses = (uint32_t)floor(since_boot_l / litres_a_pulse);
    unsigned bits = err_bits;

    if (!unplugged)
        measured(p, sizeof p, "p", shown_us);
    else
        bits |= ERR_CELL;
    if (huge_once)
        snprintf(p, sizeof p, " p=1000000000");
    if (err_once)
        bits |= ERR_CELL;
    if (with_feed > 0)
        measured(f, sizeof f, "f", swapped ? product_us : feed_us);
    if (with_pulses > 0)
        snprintf(n, sizeof n, " n=%" PRIu32, n_at_end ? UINT32_MAX : pulses + (uint32_t)torn_by);
    if (bits)
        snprintf(err, sizeof err, " err=%u", bits);
    huge_once = err_once = n_at_end = false;
    torn_by = 0;
    send_frame(t, "reading path=%s%s pt=%.2f%s%s lv=%.4f sw=--%d%s%s", PATHS[told_path < 0 ? (int)open_path : told_path],
               p, celsius, f, with_feed > 0 ? " ft=25.00" : "", level, float_is_up, n, err);
}

static void reading_is_due(double t)
{
    next_reading = t + 1 / rate_hz;
    last_reading = t;
    reading_wanted = false;
    if (loops) {
        const char *old = past[(loop_from + past_at++ % loop_length) % HISTORY];
        told(t, "\"ev\": \"replayed\", \"frame\": \"%.*s\"", (int)strcspn(old, "\n"), old);
        put_line(old);
    } else if (!readings_stop) {
        send_reading(t);
    }
}

/* ------------------------------------------------------------------------------------------------ the rules */

static void boot(double t, const char *why)
{
    drive(t, SHUT, "reset");
    changing = false;
    forget_the_line();
    err_bits = float_is_up ? ERR_OVERFLOW : 0;
    last_granted = -1;
    next_seq = 0;
    since_boot_l = 0;
    reset_due = INFINITY;
    boot_reason = why;
    told(t, "\"ev\": \"boot\", \"why\": \"%s\"", why);
    send_hello(t);
}

static void shut_all(double t, const char *cause)
{
    changing = false;
    drive(t, SHUT, cause);
}

static void granted(double t, unsigned seq, enum path wanted, double ms)
{
    char cause[32];
    snprintf(cause, sizeof cause, "%s %u", wanted == FILL ? "lease" : "drain", seq);
    last_granted = (long)seq;
    err_bits &= ~(unsigned)ERR_LAPSED;
    lease_ends = t + fmin(ms, longest_lease_ms) / 1000 - 0.002;
    told(t, "\"ev\": \"granted\", \"seq\": %u, \"ends\": %.6f", seq, lease_ends);
    if (never_opens)
        return;
    if (changing) {
        if (next_path != wanted)
            pause_ends = t + 0.3;
        next_path = wanted;
    } else if (open_path != SHUT && open_path != wanted) {
        drive(t, SHUT, "change");
        changing = true;
        next_path = wanted;
        pause_ends = t + 0.3;
    } else {
        drive(t, wanted, cause);
    }
}

static void ask_for_water(double t, unsigned seq, enum path wanted, double ms)
{
    const char *why = NULL;
    if (silent_to_open)
        return;
    if ((long)seq == last_granted) {
        told(t, "\"ev\": \"duplicate\", \"seq\": %u", seq);
        send_frame(t, "ack of=%u path=%s", seq, PATHS[open_path]);
        return;
    }
    if (float_is_up || (err_bits & ERR_OVERFLOW))
        why = "overflow";
    else if (wanted == DRAIN && with_drain <= 0)
        why = "nodrain";
    if (why) {
        shut_all(t, "refused");
        send_frame(t, "no of=%u why=%s", seq, why);
        return;
    }
    granted(t, seq, wanted, ms);
    send_frame(t, "ack of=%u path=%s", seq, PATHS[open_path]);
}

/* ------------------------------------------------------------------------------------------------ receiving */

static void byte_came(double t, char byte)
{
    struct command got;
    const char *unused = NULL;
    if (!command_ends_with(byte, &got, &unused)) {
        if (unused)
            told(t, "\"ev\": \"unused\", \"why\": \"%s\"", unused);
        return;
    }
    told(t, "\"ev\": \"got\", \"frame\": \"%s\", \"kind\": \"%s\", \"seq\": %u, \"ms\": %u", got.text,
         COMMAND_KINDS[got.kind], got.seq, got.ms);
    switch (got.kind) {
    case COMMAND_LEASE:
    case COMMAND_DRAIN:
        ask_for_water(t, got.seq, got.kind == COMMAND_LEASE ? FILL : DRAIN, got.ms);
        break;
    case COMMAND_CLOSE:
        shut_all(t, "close");
        send_frame(t, "ack of=%u path=%s", got.seq, PATHS[open_path]);
        break;
    case COMMAND_IDENTIFY:
        send_hello(t);
        break;
    }
}

/* ------------------------------------------------------------------------------------------------ commands */

static struct { const char *name; double *value; } NUMBERS[] = {
    {"rate", &rate_hz}, {"lease", &longest_lease_ms}, {"pulse", &litres_a_pulse}, {"flow", &flow_l_s},
    {"feed", &feed_ppm}, {"ppm", &product_ppm}, {"tank", &tank_l}, {"tankppm", &tank_ppm}, {"celsius", &celsius},
    {"pulses", &with_pulses}, {"drain", &with_drain}, {"feedcell", &with_feed},
};
static struct { const char *name; bool *value; } FAULTS[] = {
    {"n-at-end", &n_at_end}, {"huge", &huge_once}, {"err-beside", &err_once}, {"readings-stop", &readings_stop},
    {"resets-at-opening", &resets_at_opening}, {"silent-to-open", &silent_to_open}, {"never-opens", &never_opens},
    {"swapped", &swapped}, {"unplugged", &unplugged},
};

static bool set_number(const char *name, double value)
{
    for (size_t i = 0; i < sizeof NUMBERS / sizeof *NUMBERS; i++)
        if (!strcmp(name, NUMBERS[i].name)) {
            *NUMBERS[i].value = value;
            return true;
        }
    return false;
}

static bool command(double t, char *text)
{
    char *value = strchr(text, ' ');
    if (value)
        *value++ = '\0';
    double number = value ? atof(value) : 1;
    water_flows_until(t);
    if (set_number(text, number))
        return true;
    for (size_t i = 0; i < sizeof FAULTS / sizeof *FAULTS; i++)
        if (!strcmp(text, FAULTS[i].name)) {
            *FAULTS[i].value = number > 0;
            return true;
        }
    if (!strcmp(text, "torn")) {
        torn_by = (long)number;
    } else if (!strcmp(text, "float")) {
        if (float_is_up && number <= 0)
            float_fell = t;
        float_is_up = number > 0;
        if (float_is_up) {
            err_bits |= ERR_OVERFLOW;
            shut_all(t, "overflow");
            reading_wanted = true;
        }
    } else if (!strcmp(text, "loop")) {
        loops = number > 0 && past_count > 0;
        loop_length = (unsigned)fmin(fmin(number, past_count), HISTORY);
        loop_from = past_count - loop_length;
        past_at = 0;
    } else if (!strcmp(text, "path")) {
        told_path = -1;
        for (int i = 0; value && i < 3; i++)
            if (!strcmp(value, PATHS[i]))
                told_path = i;
    } else if (!strcmp(text, "id") && value) {
        snprintf(board_id, sizeof board_id, "%s", value);
    } else if (!strcmp(text, "replug")) {
        plug_in(t, link_path);
        forget_the_line();
    } else if (!strcmp(text, "reset")) {
        boot(t, "pin");
    } else if (!strcmp(text, "truth")) {
        char what[64];
        snprintf(what, sizeof what, "\"of\": %.0f, ", number);
        truth(t, "truth", what);
    } else {
        return false;
    }
    return true;
}

static bool read_commands(void)
{
    static char text[256];
    static size_t bytes;
    ssize_t got = read(STDIN_FILENO, text + bytes, sizeof text - 1 - bytes);
    if (got <= 0)
        return false;
    bytes += (size_t)got;
    text[bytes] = '\0';
    for (char *end; (end = strchr(text, '\n')); bytes = strlen(text)) {
        *end = '\0';
        double t = now_s();
        char name[256];
        strcpy(name, text);
        bool known = command(t, text);
        told(t, "\"ev\": \"%s\", \"command\": \"%s\"", known ? "done" : "unknown", name);
        memmove(text, end + 1, strlen(end + 1) + 1);
    }
    return true;
}

/* ------------------------------------------------------------------------------------------------ the loop */

static double next_event(void)
{
    double due = fmin(next_reading, reset_due);
    if (reading_wanted)
        due = fmin(due, last_reading + 0.02);
    if (open_path != SHUT || changing)
        due = fmin(due, lease_ends);
    if (changing)
        due = fmin(due, pause_ends);
    return due;
}

static void look_at_the_clock(double t)
{
    if (t >= reset_due)
        boot(t, "brownout");
    /* The pin is on the output of a hardware timer, so that a late turn of this loop does not keep the valve open. */
    if ((open_path != SHUT || changing) && t >= lease_ends) {
        shut_all(lease_ends, "lapsed");
        err_bits |= ERR_LAPSED;
    }
    if (changing && t >= pause_ends) {
        changing = false;
        drive(t, next_path, "change");
    }
    if ((err_bits & ERR_OVERFLOW) && !float_is_up && t >= float_fell + 2)
        err_bits &= ~(unsigned)ERR_OVERFLOW;
    water_flows_until(t);
    if (t >= next_reading || (reading_wanted && t >= last_reading + 0.02))
        reading_is_due(t);
}

/* Prints what the receiver makes of the bytes of standard input, for the vectors beside the page. */
static int decode(void)
{
    struct command got;
    const char *unused;
    for (int byte; (byte = getchar()) != EOF;)
        if (command_ends_with((char)byte, &got, &unused))
            printf(got.ms ? "%s seq=%u ms=%u\n" : "%s seq=%u\n", COMMAND_KINDS[got.kind], got.seq, got.ms);
    return 0;
}

int main(int count, char **words)
{
    if (count == 2 && !strcmp(words[1], "decode"))
        return decode();
    for (int i = 1; i < count; i++) {
        char *value = strchr(words[i], '=');
        if (!value) {
            fprintf(stderr, "%s is not name=value\n", words[i]);
            return 2;
        }
        *value++ = '\0';
        if (!strcmp(words[i], "link"))
            snprintf(link_path, sizeof link_path, "%s", value);
        else if (!strcmp(words[i], "id"))
            snprintf(board_id, sizeof board_id, "%s", value);
        else if (!set_number(words[i], atof(value))) {
            fprintf(stderr, "%s is not a setting\n", words[i]);
            return 2;
        }
    }
    last_look = now_s();
    plug_in(last_look, link_path);
    boot(last_look, "power");
    for (;;) {
        struct pollfd ends[2] = {{.fd = STDIN_FILENO, .events = POLLIN}, {.fd = port_end(), .events = POLLIN}};
        double wait_s = fmax(0, next_event() - 0.001 - now_s());
        if (poll(ends, 2, (int)(fmin(wait_s, 1) * 1000)) < 0 && errno != EINTR)
            return 1;
        look_at_the_clock(now_s());
        if (ends[1].revents & POLLIN) {
            char bytes[256];
            ssize_t got = read(port_end(), bytes, sizeof bytes);
            double t = now_s();
            for (ssize_t i = 0; i < got; i++)
                byte_came(t, bytes[i]);
        }
        if (ends[0].revents && !read_commands())
            return 0;
    }
}
