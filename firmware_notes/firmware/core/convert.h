/* From converter steps to temperature and to the place of the float. Both inputs are dividers on the supply
 * that is also the converter's reference, so the supply cancels. */
#ifndef CONVERT_H
#define CONVERT_H

#include <stdint.h>

enum sensor_outcome { SENSOR_GOOD, SENSOR_OPEN, SENSOR_SHORT };

/* Temperature in degrees Celsius of the sum of `count` conversions.
 * Steinhart and Hart, Deep-Sea Research 15 (1968) 497: 1/T = a + b ln R + c (ln R)^3. */
enum sensor_outcome thermistor_read(uint32_t sum, uint16_t count, float *celsius);

/* The float's place, 0 to 1. */
enum sensor_outcome sender_read(uint32_t sum, uint16_t count, float *fraction);

#endif
