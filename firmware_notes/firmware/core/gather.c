#include "gather.h"

#include <string.h>

#include "cell.h"
#include "config.h"
#include "convert.h"
#include "fitted.h"

#define SINGLE(channel) ((channel) - CHANNEL_PRODUCT_TEMPERATURE)

void gather_clear(struct gather *gather) { memset(gather, 0, sizeof *gather); }

static void add_cell(struct cell_sums *sum, const struct cell_sums *scan)
{
    sum->node += scan->node;
    sum->back += scan->back;
    sum->nodes = (uint16_t)(sum->nodes + scan->nodes);
    sum->backs = (uint16_t)(sum->backs + scan->backs);
}

void gather_scan(struct gather *gather, struct scan *scan)
{
    for (uint8_t cell = 0; cell < CELLS; cell++) {
        float us;
        enum range range = (enum range)scan->range[cell];
        if (scan->cell[cell].nodes == 0)
            continue;
        (void)cell_conductance(&scan->cell[cell], range, &us);
        enum range next = cell_next_range((enum cell)cell, range, us);
        scan->range[cell] = (uint8_t)next;
        if (next == range)
            add_cell(&gather->cell[cell], &scan->cell[cell]);
        else
            memset(&gather->cell[cell], 0, sizeof gather->cell[cell]);
    }
    for (uint8_t i = 0; i < SINGLES; i++)
        gather->single[i] += scan->single[i];
    gather->single_count = (uint16_t)(gather->single_count + SINGLE_SAMPLES);
}

bool gather_is_complete(const struct gather *gather, bool with_feed)
{
    return gather->cell[CELL_PRODUCT].nodes && (!with_feed || gather->cell[CELL_FEED].nodes);
}

static struct measured nothing(enum measured_state state)
{
    struct measured measured = {state, 0, 0};
    return measured;
}

static struct measured conductance(const struct cell_sums *sums, enum range range, float least_us)
{
    float us;
    if (cell_conductance(sums, range, &us) != CELL_GOOD || us < least_us || us > CELL_MOST_US)
        return nothing(MEASURED_FAILED);
    return measured_conductance(us);
}

static struct measured temperature(uint32_t sum, uint16_t count, uint16_t *faults)
{
    float celsius;
    enum sensor_outcome outcome = thermistor_read(sum, count, &celsius);
    if (outcome == SENSOR_GOOD)
        return measured_rounded(celsius, 2);
    *faults |= outcome == SENSOR_OPEN ? FAULT_TEMPERATURE_OPEN : FAULT_TEMPERATURE_SHORT;
    return nothing(MEASURED_FAILED);
}

static struct measured place(uint32_t sum, uint16_t count, uint16_t *faults)
{
    float fraction;
    enum sensor_outcome outcome = sender_read(sum, count, &fraction);
    if (outcome == SENSOR_GOOD)
        return measured_rounded(fraction, 4);
    *faults |= outcome == SENSOR_OPEN ? FAULT_SENDER_OPEN : FAULT_SENDER_SHORT;
    return nothing(MEASURED_FAILED);
}

struct measures gather_measures(const struct gather *gather, const uint8_t range[CELLS], uint16_t fitted)
{
    struct measures measures;
    uint16_t count = gather->single_count;
    measures.faults = 0;
    measures.product_us =
        conductance(&gather->cell[CELL_PRODUCT], (enum range)range[CELL_PRODUCT], PRODUCT_LEAST_US);
    if (measures.product_us.state == MEASURED_FAILED && gather->cell[CELL_PRODUCT].nodes)
        measures.faults |= FAULT_CELL_RANGE;
    measures.feed_us = measures.feed_c = measures.sender = nothing(MEASURED_ABSENT);
    measures.product_c = nothing(MEASURED_FAILED);
    if (count)
        measures.product_c =
            temperature(gather->single[SINGLE(CHANNEL_PRODUCT_TEMPERATURE)], count, &measures.faults);
    if (fitted & FITTED_FEED) {
        measures.feed_us =
            conductance(&gather->cell[CELL_FEED], (enum range)range[CELL_FEED], FEED_LEAST_US);
        measures.feed_c = nothing(MEASURED_FAILED);
        if (count)
            measures.feed_c =
                temperature(gather->single[SINGLE(CHANNEL_FEED_TEMPERATURE)], count, &measures.faults);
    }
    if (fitted & FITTED_SENDER) {
        measures.sender = nothing(MEASURED_FAILED);
        if (count)
            measures.sender = place(gather->single[SINGLE(CHANNEL_SENDER)], count, &measures.faults);
    }
    return measures;
}
