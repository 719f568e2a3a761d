/* The main loop. It waits for nothing but the next interrupt, and it alone serves the watchdog: once for
 * every millisecond counted, so that a stopped clock is caught as well as a hung loop. */
#include "config.h"
#include "controller.h"
#include "fitted.h"
#include "hal.h"
#include "selftest.h"

#define BYTES_IN_A_PASS 64u

static struct controller controller;
static struct selftest selftest;
static struct scan scan;
static volatile bool scanning;

_Static_assert(sizeof BOARD_ID - 1 >= 1 && sizeof BOARD_ID - 1 <= 24, "BOARD_ID has 1 to 24 characters");
_Static_assert(FITTED >= 0 && FITTED <= 127, "FITTED is a sum of bits from 1 to 64");
_Static_assert(CHANGE_PAUSE_MS >= 200u && CHANGE_PAUSE_MS <= 1000u, "the pause is 200 to 1000 ms");
_Static_assert(LONGEST_LEASE_MS <= 30000u, "a lease is at most 30 s");

struct order on_slot(uint16_t sample)
{
    return scanning ? scan_step(&scan, sample) : selftest_step(&selftest, sample);
}

static void start_scanning(void)
{
    scan.range[CELL_PRODUCT] = RANGE_MIDDLE;
    scan.range[CELL_FEED] = RANGE_MIDDLE;
    scan.with_feed = FITTED & FITTED_FEED;
    scan_begin(&scan);
    scanning = true;
}

/* Self-test and first scan, a part in each pass; true when the controller has been started. */
static bool boot_pass(void)
{
    uint8_t byte;
    while (hal_receive(&byte)) {
        /* Nothing is read at boot. */
    }
    if (!scanning) {
        if (selftest_pass(&selftest, hal_contacts().outputs_high))
            start_scanning();
        return false;
    }
    if (!scan.done)
        return false;
    controller_start(&controller, FITTED, hal_boot_word(), selftest.failed, &scan, hal_contacts());
    scan_begin(&scan);
    return true;
}

static void run_pass(uint16_t elapsed_ms)
{
    uint8_t byte;
    for (uint8_t i = 0; i < BYTES_IN_A_PASS && hal_receive(&byte); i++)
        controller_byte(&controller, byte);
    if (elapsed_ms)
        controller_pass(&controller, elapsed_ms, hal_contacts(), scan.range);
    if (scan.done) {
        controller_scan(&controller, &scan);
        scan_begin(&scan);
    }
}

int main(void)
{
    selftest_begin(&selftest, FITTED & FITTED_FEED);
    hal_start();
    uint16_t counted = hal_milliseconds();
    bool running = false;
    for (;;) {
        hal_wait();
        uint16_t now = hal_milliseconds();
        uint16_t elapsed_ms = (uint16_t)(now - counted);
        if (running)
            run_pass(elapsed_ms);
        else
            running = boot_pass();
        if (elapsed_ms) {
            counted = now;
            hal_watchdog_serve();
        }
    }
}
