#include "scan.h"

#include <string.h>

/* How one half of a drive cycle is spent. At 1 megohm the cable's capacitance needs longer to charge. */
struct shape {
    uint8_t settle;
    uint8_t nodes;
    uint8_t halves;
};

static const struct shape SHAPES[RANGES] = {
    {7, 4, 4},   /* 12 slots: 3 ms a half */
    {2, 1, 12},  /* 4 slots: 1 ms a half */
    {1, 1, 12},  /* 3 slots: 0.75 ms a half */
};

#define STAGE_SINGLE 2u
#define STAGE_END (STAGE_SINGLE + SINGLES)

void scan_begin(struct scan *scan)
{
    memset(scan->cell, 0, sizeof scan->cell);
    memset(scan->single, 0, sizeof scan->single);
    scan->stage = 0;
    scan->half = 0;
    scan->slot = 0;
    scan->pending = CHANNEL_NONE;
    /* The slot interrupt steps the scan as soon as `done` is false: the rest must be in memory by then. */
    __asm__ volatile("" ::: "memory");
    scan->done = false;
}

static void bank(struct scan *scan, uint16_t sample)
{
    uint8_t channel = scan->pending;
    scan->pending = CHANNEL_NONE;
    if (channel == CHANNEL_NONE)
        return;
    if (channel >= CHANNEL_PRODUCT_TEMPERATURE) {
        scan->single[channel - CHANNEL_PRODUCT_TEMPERATURE] += sample;
        return;
    }
    struct cell_sums *sums = &scan->cell[channel / 2u];
    int32_t signed_sample = scan->pending_forward ? (int32_t)sample : -(int32_t)sample;
    if (channel % 2u == 0) {
        sums->node += signed_sample;
        sums->nodes++;
    } else {
        sums->back += signed_sample;
        sums->backs++;
    }
}

static struct order cell_slot(struct scan *scan, uint8_t cell)
{
    const struct shape *shape = &SHAPES[scan->range[cell]];
    bool forward = scan->half % 2u == 0;
    struct order order = {forward ? DRIVE_FORWARD : DRIVE_REVERSE, cell, scan->range[cell], CHANNEL_NONE};
    if (scan->slot >= shape->settle + shape->nodes)
        order.channel = (uint8_t)(2u * cell + 1u);
    else if (scan->slot >= shape->settle)
        order.channel = (uint8_t)(2u * cell);
    scan->pending = order.channel;
    scan->pending_forward = forward;
    if (++scan->slot > shape->settle + shape->nodes) {
        scan->slot = 0;
        if (++scan->half == shape->halves) {
            scan->half = 0;
            scan->stage++;
        }
    }
    return order;
}

struct order scan_step(struct scan *scan, uint16_t sample)
{
    struct order order = {DRIVE_REST, CELL_PRODUCT, RANGE_HIGH, CHANNEL_NONE};
    if (scan->done)
        return order;
    bank(scan, sample);
    if (scan->stage == CELL_FEED && !scan->with_feed)
        scan->stage = STAGE_SINGLE;
    if (scan->stage < STAGE_SINGLE)
        return cell_slot(scan, scan->stage);
    if (scan->stage == STAGE_END) {
        scan->done = true;
        return order;
    }
    order.channel = (uint8_t)(CHANNEL_PRODUCT_TEMPERATURE + scan->stage - STAGE_SINGLE);
    scan->pending = order.channel;
    if (++scan->slot == SINGLE_SAMPLES) {
        scan->slot = 0;
        scan->stage++;
    }
    return order;
}
