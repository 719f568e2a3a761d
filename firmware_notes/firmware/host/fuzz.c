/* Throw damaged, cut, mixed and hostile lines, times, contacts and measurements at the whole logic:
 *
 *     fuzz ROUNDS SEED
 *
 * It is built with address and undefined-behaviour sanitizers. Besides what these find, it checks after every
 * step what must always be true, and ends with a sentence and status 1 when it is not. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "board.h"
#include "config.h"
#include "controller.h"
#include "crc32.h"
#include "fitted.h"
#include "selftest.h"

static uint64_t chance;

static uint32_t upto(uint32_t most)
{
    chance ^= chance >> 12;
    chance ^= chance << 25;
    chance ^= chance >> 27;
    return (uint32_t)((chance * 0x2545F4914F6CDD1Dull) >> 33) % (most + 1u);
}

static void fail(const char *sentence)
{
    fprintf(stderr, "fuzz: %s\n", sentence);
    exit(1);
}

static struct controller controller;
static struct scan scan;
static uint64_t now_ms, may_be_open_until_ms;
static bool overflow_up;

static char line[400];
static uint32_t line_length;

static void seal(void)
{
    line_length += (uint32_t)sprintf(line + line_length, "*%08X\n", crc32_of(line, (uint8_t)line_length));
}

/* A frame that is right, or nearly. Times that the controller may rightly obey are noted. */
static void make_line(void)
{
    static const char *const KINDS[] = {"lease", "drain", "close", "identify", "reading", "le", "leasee", ""};
    static const char *const TAILS[] = {"",       " x=1",  " ms=1",   " ms=", " ms",      " =1",
                                        " a=b c", "  a=b", " a=b a=c", " ms=5 ms=6", " z9=~!", " ms=4294967297"};
    uint32_t kind = upto(7) < 5 ? upto(3) : upto(7), ms = upto(3) ? 1u + upto(12000) : upto(70000);
    line_length = (uint32_t)sprintf(line, "%c1 %u %s", upto(20) ? '<' : '>', upto(upto(9) ? 65535u : 70000u), KINDS[kind]);
    if (kind < 2)
        line_length += (uint32_t)sprintf(line + line_length, " ms=%u", ms);
    if (upto(3) == 0)
        line_length += (uint32_t)sprintf(line + line_length, "%s", TAILS[upto(11)]);
    seal();
    if (kind < 2 && ms >= 1) {
        uint64_t until = now_ms + (ms > LONGEST_LEASE_MS ? LONGEST_LEASE_MS : ms);
        if (until > may_be_open_until_ms)
            may_be_open_until_ms = until;
    }
    switch (upto(9)) {
    case 0:
        line[upto(line_length - 1)] ^= (char)(1u << upto(7));
        break;
    case 1:
        line_length = upto(line_length);
        break;
    case 2:
        for (line_length = 0; line_length < sizeof line && upto(300); line_length++)
            line[line_length] = (char)upto(255);
        break;
    case 3:
        line_length = 0;
        line[line_length++] = '<';
        while (line_length < 118u + upto(6))
            line[line_length++] = (char)(0x20u + upto(0x5E));
        line[line_length++] = '\n';
        break;
    default:
        break;
    }
}

static void check_said(void)
{
    uint32_t at = 0;
    while (at < board.said_length) {
        const char *end = memchr(board.said + at, '\n', board.said_length - at);
        if (!end || board.said[at] != '>')
            fail("a frame went out without its start or its end");
        uint32_t length = (uint32_t)(end - (board.said + at)) + 1u;
        struct line own;
        struct form form;
        memset(&own, 0, sizeof own);
        if (length > FRAME_MOST)
            fail("a frame went out that is longer than 120 bytes");
        for (uint32_t i = 0; i < length; i++)
            if (line_take(&own, (uint8_t)board.said[at + i]) == LINE_COMPLETE &&
                line_judge(&own, '>', &form) != VERDICT_GOOD)
                fail("a frame went out that is damaged");
        at += length;
    }
    board.said_length = 0;
}

static void random_scan(void)
{
    for (uint8_t cell = 0; cell < CELLS; cell++) {
        scan.cell[cell].nodes = (uint16_t)upto(16);
        scan.cell[cell].backs = (uint16_t)upto(8);
        scan.cell[cell].node = ((int32_t)upto(2046) - 1023) * scan.cell[cell].nodes;
        scan.cell[cell].back = ((int32_t)upto(2046) - 1023) * scan.cell[cell].backs;
    }
    for (uint8_t i = 0; i < SINGLES; i++)
        scan.single[i] = (uint16_t)(SINGLE_SAMPLES * upto(1023));
    if (upto(3))
        scan.single[CHANNEL_SUPPLY - CHANNEL_PRODUCT_TEMPERATURE] = SINGLE_SAMPLES * 768u;
    controller_scan(&controller, &scan);
}

static void start(void)
{
    struct contacts contacts = {false, false, false, false};
    memset(&scan, 0, sizeof scan);
    memset(&board, 0, sizeof board);
    scan.range[CELL_PRODUCT] = (uint8_t)upto(2);
    scan.range[CELL_FEED] = (uint8_t)(1 + upto(1));
    scan.single[CHANNEL_SUPPLY - CHANNEL_PRODUCT_TEMPERATURE] = SINGLE_SAMPLES * 768u;
    controller_start(&controller, (uint16_t)upto(127), "power", upto(9) == 0, &scan, contacts);
    may_be_open_until_ms = now_ms;
    overflow_up = false;
}

/* Every path through the slots, with converter values that no board would give. */
static void random_slots(void)
{
    struct selftest selftest;
    struct scan slots;
    memset(&slots, 0, sizeof slots);
    slots.range[CELL_PRODUCT] = (uint8_t)upto(2);
    slots.range[CELL_FEED] = (uint8_t)(1 + upto(1));
    slots.with_feed = upto(1);
    scan_begin(&slots);
    for (uint16_t i = 0; !slots.done; i++) {
        struct order order = scan_step(&slots, (uint16_t)upto(1023));
        if (i > 400 || order.channel > CHANNEL_NONE || order.cell >= CELLS || order.range >= RANGES)
            fail("a scan does not end, or asks for what there is not");
    }
    selftest_begin(&selftest, upto(1));
    for (uint16_t i = 0; !selftest.inputs_done; i++) {
        (void)selftest_step(&selftest, (uint16_t)upto(1023));
        if (i > 400)
            fail("the self-test does not end");
    }
}

int main(int argc, char **argv)
{
    unsigned long rounds = argc > 1 ? strtoul(argv[1], 0, 10) : 20000, leases = 0;
    chance = argc > 2 ? strtoull(argv[2], 0, 10) * 2u + 1u : 1;
    start();
    for (unsigned long round = 0; round < rounds; round++) {
        if (upto(200) == 0)
            start();
        make_line();
        for (uint32_t i = 0; i < line_length; i++)
            controller_byte(&controller, (uint8_t)line[i]);
        leases += board.path != PATH_SHUT;
        if (upto(60) == 0)
            overflow_up = !overflow_up;
        uint16_t elapsed = (uint16_t)(upto(9) ? upto(40) : upto(4000));
        struct contacts contacts = {upto(1), upto(1), overflow_up, false};
        now_ms += elapsed;
        controller_pass(&controller, elapsed, contacts, scan.range);
        if (upto(2) == 0)
            random_scan();
        check_said();
        if (board.path != controller.valve.path)
            fail("the outputs are not driven as the controller says");
        if (board.path != PATH_SHUT && controller.valve.lease_ms == 0)
            fail("a valve is open without a lease");
        if (board.path != PATH_SHUT && now_ms >= may_be_open_until_ms)
            fail("a valve is open longer than was granted");
        if (board.path != PATH_SHUT && overflow_up && (controller.fitted & FITTED_OVERFLOW))
            fail("a valve is open while the overflow float is up");
        if (board.path == PATH_DRAIN && !(controller.fitted & FITTED_DRAIN))
            fail("the drain valve is driven where none is fitted");
        if (board.path != PATH_SHUT && controller.self_test_failed)
            fail("a valve is open after a failed self-test");
        if (round % 16 == 0)
            random_slots();
    }
    printf("%lu lines, a valve open after %lu of them, nothing wrong\n", rounds, leases);
    return leases ? 0 : 1;
}
