/* What a builder may have to change: the name, what is fitted, and the values of a few parts.
 *
 * The pins are in avr/pins.h. Everything here is a constant, so a value that cannot be is a build error.
 */
#ifndef CONFIG_H
#define CONFIG_H

/* At most 24 of A-Z a-z 0-9 . _ + -, the same for the whole life of the board. `make BOARD_ID=tunnel-1`. */
#ifndef BOARD_ID
#define BOARD_ID "purifier-1"
#endif
#define FIRMWARE_VERSION "1.0.0"

/* What is fitted, as the sum of the bits in core/fitted.h. Default: everything. `make FITTED=88`. */
#ifndef FITTED
#define FITTED 127
#endif

#define LONGEST_LEASE_MS 10000u
#define READING_PERIOD_MS 100u
/* Two readings are never closer than this: 50 a second is the most that the bridge wants. */
#define SHORTEST_GAP_MS 21u
/* Every valve is shut for this long between fill and drain. The protocol wants 200 to 1000. */
#define CHANGE_PAUSE_MS 300u
/* The clock counts whole milliseconds, and the pass of the main loop that makes a reading takes about five.
 * The lease is taken shorter by twice that, so that a busy loop never makes it longer than what was granted. */
#define LEASE_MARGIN_MS 10u
#define CLEAR_AFTER_MS 2000u
#define DEBOUNCE_MS 50u

/* The resistors of the cell drive, 0.1 % and at most 25 ppm/K, largest first. */
#define RANGE_HIGH_OHM 1000000.0f
#define RANGE_MIDDLE_OHM 33000.0f
#define RANGE_LOW_OHM 1000.0f
/* Below the first, a cell is open or dry; above the second, it is shorted or not in water of this trade. */
#define PRODUCT_LEAST_US 0.02f
#define FEED_LEAST_US 0.5f
#define CELL_MOST_US 2500.0f

/* The thermistor by three points of its maker's table, and the fixed resistor between it and the supply. */
#define THERMISTOR_0C_OHM 32650.0f
#define THERMISTOR_25C_OHM 10000.0f
#define THERMISTOR_50C_OHM 3601.0f
#define THERMISTOR_SERIES_OHM 10000.0f
/* Beyond these it is not a cold or hot thermistor but a broken wire or a short. */
#define THERMISTOR_OPEN_OHM 300000.0f
#define THERMISTOR_SHORT_OHM 400.0f

/* The float sender: resistance with the float at the bottom and at the top. */
#define SENDER_BOTTOM_OHM 10.0f
#define SENDER_TOP_OHM 180.0f
#define SENDER_SERIES_OHM 220.0f
#define SENDER_OPEN_OHM 300.0f
#define SENDER_SHORT_OHM 4.0f

/* The valve supply through 22 kOhm over 10 kOhm, in steps of the converter: 12 V gives 768. */
#define SUPPLY_LOW_STEPS 640u   /* 10.0 V: a 12 V valve may let go, or half open */
#define SUPPLY_GOOD_STEPS 672u  /* 10.5 V */

#endif
