#include "controller.h"

#include <string.h>

#include "command.h"
#include "config.h"
#include "fitted.h"
#include "message.h"

static struct frame frame;  /* one buffer for every frame that goes out */

static void send(struct controller *c, bool fits)
{
    /* A frame for which there is no room is dropped, and its number is used up. */
    c->sequence++;
    if (fits)
        (void)hal_send(frame.text, frame.length);
}

static void drive(struct controller *c, enum path before)
{
    if (c->valve.path == before)
        return;
    hal_valves(c->valve.path);
    c->hurry = true;
}

static void send_hello(struct controller *c)
{
    send(c, message_hello(&frame, c->sequence, BOARD_ID, FIRMWARE_VERSION, c->boot, LONGEST_LEASE_MS, c->fitted));
}

static void judge_supply(struct controller *c, const struct scan *scan)
{
    uint16_t sum = scan->single[CHANNEL_SUPPLY - CHANNEL_PRODUCT_TEMPERATURE];
    if (sum < SUPPLY_LOW_STEPS * SINGLE_SAMPLES)
        c->supply_bad = true;
    else if (sum >= SUPPLY_GOOD_STEPS * SINGLE_SAMPLES)
        c->supply_bad = false;
}

void controller_start(struct controller *c, uint16_t fitted, const char *boot, bool self_test_failed,
                      const struct scan *first, struct contacts contacts)
{
    memset(c, 0, sizeof *c);
    c->fitted = fitted;
    c->boot = boot;
    c->self_test_failed = self_test_failed;
    c->supply_bad = true;
    judge_supply(c, first);
    c->supply.stands = c->supply_bad;
    c->overflow_up = (fitted & FITTED_OVERFLOW) && contacts.overflow;
    c->overflow.stands = c->overflow_up;
    c->low.state = contacts.low;
    c->full.state = contacts.full;
    hal_valves(PATH_SHUT);
    send_hello(c);
}

static const char *why_not(const struct controller *c, enum command_kind kind)
{
    if (c->overflow.stands)
        return "overflow";
    if (c->supply.stands)
        return "supply";
    if (c->self_test_failed)
        return "fault";
    if (kind == COMMAND_DRAIN && !(c->fitted & FITTED_DRAIN))
        return "nodrain";
    return 0;
}

static void obey(struct controller *c, const struct command *command)
{
    enum path before = c->valve.path;
    if (command->kind == COMMAND_IDENTIFY) {
        send_hello(c);
        return;
    }
    if (command->kind == COMMAND_CLOSE) {
        valve_shut(&c->valve);
    } else if (!valve_is_duplicate(&c->valve, command->sequence)) {
        const char *why = why_not(c, command->kind);
        if (why) {
            valve_shut(&c->valve);
            drive(c, before);
            send(c, message_no(&frame, c->sequence, command->sequence, why));
            return;
        }
        valve_grant(&c->valve, command->kind == COMMAND_LEASE ? PATH_FILL : PATH_DRAIN, command->ms,
                    command->sequence);
    }
    drive(c, before);
    send(c, message_ack(&frame, c->sequence, command->sequence, c->valve.path));
}

void controller_byte(struct controller *c, uint8_t byte)
{
    if (line_take(&c->line, byte) != LINE_COMPLETE)
        return;
    struct command command = command_read(&c->line);
    if (command.kind != COMMAND_NONE && command.kind != COMMAND_UNKNOWN)
        obey(c, &command);
}

static uint16_t faults_of(const struct controller *c)
{
    uint16_t faults = c->self_test_failed ? FAULT_SELF_TEST : 0;
    if (c->overflow.stands)
        faults |= FAULT_OVERFLOW;
    if (c->valve.lapsed)
        faults |= FAULT_LAPSED;
    if (c->supply.stands)
        faults |= FAULT_SUPPLY;
    return faults;
}

static char switch_letter(const struct controller *c, uint16_t bit, bool up)
{
    return !(c->fitted & bit) ? '-' : up ? '1' : '0';
}

static void send_reading(struct controller *c, const uint8_t range[CELLS])
{
    struct reading reading;
    char switches[4] = {switch_letter(c, FITTED_LOW, c->low.state), switch_letter(c, FITTED_FULL, c->full.state),
                        switch_letter(c, FITTED_OVERFLOW, c->overflow_up), 0};
    reading.path = c->valve.path;
    reading.measures = gather_measures(&c->gather, range, c->fitted);
    reading.switches = c->fitted & (FITTED_LOW | FITTED_FULL | FITTED_OVERFLOW) ? switches : 0;
    reading.with_pulses = c->fitted & FITTED_PULSES;
    reading.pulses = hal_pulses();
    reading.faults = faults_of(c) | reading.measures.faults;
    send(c, message_reading(&frame, c->sequence, &reading));
    gather_clear(&c->gather);
    c->since_reading_ms = 0;
    c->hurry = false;
}

void controller_pass(struct controller *c, uint16_t elapsed_ms, struct contacts contacts,
                     const uint8_t range[CELLS])
{
    enum path before = c->valve.path;
    bool overflow_stood = c->overflow.stands;
    c->overflow_up = (c->fitted & FITTED_OVERFLOW) && contacts.overflow;
    standing_take(&c->overflow, c->overflow_up, elapsed_ms);
    standing_take(&c->supply, c->supply_bad, elapsed_ms);
    if (c->overflow.stands || c->supply.stands)
        valve_shut(&c->valve);
    valve_pass(&c->valve, elapsed_ms);
    drive(c, before);
    debounce_take(&c->low, contacts.low, elapsed_ms);
    debounce_take(&c->full, contacts.full, elapsed_ms);
    if (c->overflow.stands && !overflow_stood)
        c->hurry = true;

    c->since_reading_ms = (uint16_t)(c->since_reading_ms + elapsed_ms);
    bool complete = gather_is_complete(&c->gather, c->fitted & FITTED_FEED);
    if (c->since_reading_ms >= READING_PERIOD_MS ||
        (c->hurry && complete && c->since_reading_ms >= SHORTEST_GAP_MS))
        send_reading(c, range);
}

void controller_scan(struct controller *c, struct scan *scan)
{
    judge_supply(c, scan);
    gather_scan(&c->gather, scan);
}
