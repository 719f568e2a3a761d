#include "cell.h"

#include "config.h"

/* A range is left upwards and downwards where G R passes these; they overlap, so it does not hunt. */
#define LEAVE_ABOVE 6.0f
#define LEAVE_BELOW 0.12f

static float ohm_of(enum range range)
{
    return range == RANGE_HIGH ? RANGE_HIGH_OHM : range == RANGE_MIDDLE ? RANGE_MIDDLE_OHM : RANGE_LOW_OHM;
}

enum cell_outcome cell_conductance(const struct cell_sums *sums, enum range range, float *us)
{
    *us = 0.0f;
    if (sums->nodes == 0 || sums->backs == 0)
        return CELL_BELOW;
    float node = (float)sums->node / (float)sums->nodes;
    float back = -(float)sums->back / (float)sums->backs;
    float across_resistor = back - node;
    float across_cell = back + node;
    /* With less than a step across the cell the quotient is noise; it is then far beyond this range. */
    if (across_cell < 1.0f) {
        *us = 1.0e9f;
        return CELL_ABOVE;
    }
    if (across_resistor > 0.0f)
        *us = 1.0e6f * across_resistor / across_cell / ohm_of(range);
    return CELL_GOOD;
}

enum range cell_next_range(enum cell cell, enum range range, float us)
{
    float y = us * 1.0e-6f * ohm_of(range);
    enum range highest = cell == CELL_FEED ? RANGE_MIDDLE : RANGE_HIGH;
    if (y > LEAVE_ABOVE && range != RANGE_LOW)
        return (enum range)(range + 1);
    if (y < LEAVE_BELOW && range != highest)
        return (enum range)(range - 1);
    return range;
}
