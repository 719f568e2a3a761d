#include "convert.h"

#include <math.h>

#include "config.h"

/* The three constants from three points; all of this is folded into constants by the compiler. */
#define LN0 __builtin_log(THERMISTOR_0C_OHM)
#define LN25 __builtin_log(THERMISTOR_25C_OHM)
#define LN50 __builtin_log(THERMISTOR_50C_OHM)
#define SLOPE_25 ((1.0 / 298.15 - 1.0 / 273.15) / (LN25 - LN0))
#define SLOPE_50 ((1.0 / 323.15 - 1.0 / 273.15) / (LN50 - LN0))
static const float CUBIC = (float)((SLOPE_50 - SLOPE_25) / (LN50 - LN25) / (LN0 + LN25 + LN50));
#define CUBIC_D ((SLOPE_50 - SLOPE_25) / (LN50 - LN25) / (LN0 + LN25 + LN50))
#define LINEAR_D (SLOPE_25 - CUBIC_D * (LN0 * LN0 + LN0 * LN25 + LN25 * LN25))
static const float LINEAR = (float)LINEAR_D;
static const float CONSTANT = (float)(1.0 / 273.15 - LN0 * (LINEAR_D + LN0 * LN0 * CUBIC_D));

/* The resistance at the bottom of a divider, in ohm; negative when it is without end. */
static float divider_ohm(uint32_t sum, uint16_t count, float series_ohm)
{
    /* A step stands for the half step above it on average. */
    float part = ((float)sum + 0.5f * (float)count) / (1024.0f * (float)count);
    return part < 0.9985f ? series_ohm * part / (1.0f - part) : -1.0f;
}

enum sensor_outcome thermistor_read(uint32_t sum, uint16_t count, float *celsius)
{
    float ohm = divider_ohm(sum, count, THERMISTOR_SERIES_OHM);
    if (ohm < 0.0f || ohm > THERMISTOR_OPEN_OHM)
        return SENSOR_OPEN;
    if (ohm < THERMISTOR_SHORT_OHM)
        return SENSOR_SHORT;
    float ln = logf(ohm);
    *celsius = 1.0f / (CONSTANT + ln * (LINEAR + CUBIC * ln * ln)) - 273.15f;
    return SENSOR_GOOD;
}

enum sensor_outcome sender_read(uint32_t sum, uint16_t count, float *fraction)
{
    float ohm = divider_ohm(sum, count, SENDER_SERIES_OHM);
    if (ohm < 0.0f || ohm > SENDER_OPEN_OHM)
        return SENSOR_OPEN;
    if (ohm < SENDER_SHORT_OHM)
        return SENSOR_SHORT;
    float place = (ohm - SENDER_BOTTOM_OHM) / (SENDER_TOP_OHM - SENDER_BOTTOM_OHM);
    *fraction = place < 0.0f ? 0.0f : place > 1.0f ? 1.0f : place;
    return SENSOR_GOOD;
}
