/* One scan of all analogue inputs, in slots of 250 microseconds: what to drive and what to convert next.
 *
 * In each slot the caller hands in the conversion that the slot before asked for, sets the drive and begins
 * the conversion that it is told. A cell is driven one way and then the other for exactly the same number of
 * slots, so that no direct current is left over:
 *
 *     slot of a half   0 ... settle-1   settle ... settle+nodes-1   the last
 *     drive            one way          the same                    the same
 *     conversion       none             the middle point            the return electrode
 *
 * The middle point lies between range resistor and cell. The return electrode is converted too, because
 * the pin that drives it is not at 0 V or at the full supply while current flows (core/cell.h).
 */
#ifndef SCAN_H
#define SCAN_H

#include <stdbool.h>
#include <stdint.h>

enum cell { CELL_PRODUCT, CELL_FEED, CELLS };
enum range { RANGE_HIGH, RANGE_MIDDLE, RANGE_LOW, RANGES };

enum channel {
    CHANNEL_PRODUCT_NODE,
    CHANNEL_PRODUCT_RETURN,
    CHANNEL_FEED_NODE,
    CHANNEL_FEED_RETURN,
    CHANNEL_PRODUCT_TEMPERATURE,
    CHANNEL_FEED_TEMPERATURE,
    CHANNEL_SENDER,
    CHANNEL_SUPPLY,
    CHANNEL_REFERENCE,
    CHANNEL_NONE,
};

enum drive {
    DRIVE_REST,     /* both ends of every cell at 0 V */
    DRIVE_FORWARD,  /* range resistor high, return electrode low */
    DRIVE_REVERSE,  /* range resistor low, return electrode high */
    DRIVE_LIFT,     /* both ends high: no current; only for the self-test */
};

struct order {
    uint8_t drive;    /* enum drive */
    uint8_t cell;     /* enum cell: which one is driven; the other rests */
    uint8_t range;    /* enum range */
    uint8_t channel;  /* enum channel: convert this now */
};

#define SINGLES 4u         /* the inputs that are no cells, from CHANNEL_PRODUCT_TEMPERATURE on */
#define SINGLE_SAMPLES 2u  /* of each in one scan */

/* Forward conversions minus reverse ones, in converter steps. */
struct cell_sums {
    int32_t node;
    int32_t back;
    uint16_t nodes;
    uint16_t backs;
};

struct scan {
    uint8_t range[CELLS];
    bool with_feed;
    volatile bool done;
    struct cell_sums cell[CELLS];
    uint16_t single[SINGLES];
    uint8_t stage;  /* 0 product, 1 feed, 2 and on the single inputs, then done */
    uint8_t half;
    uint8_t slot;
    uint8_t pending;  /* the channel that the last order asked for */
    bool pending_forward;
};

/* Begin a scan; the ranges were set by the caller. */
void scan_begin(struct scan *scan);

/* One slot on: `sample` is the conversion asked for last (anything when none was). */
struct order scan_step(struct scan *scan, uint16_t sample);

#endif
