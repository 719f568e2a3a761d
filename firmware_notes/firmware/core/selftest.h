/* What is checked at boot, while the outputs are shut and nothing is read from the line:
 *
 * - the program in flash against its check value;
 * - the valve outputs, read back, are low;
 * - the converter against the chip's own reference;
 * - the input of each fitted cell: with both ends of the cell at 0 V it must read 0, with both at the full
 *   supply it must read full, whatever the water is.
 *
 * It does not check the valves, the floats, the working memory or the water: those are for the
 * proof test of every season. What fails stays failed until a reset whose self-test passes.
 */
#ifndef SELFTEST_H
#define SELFTEST_H

#include "hal.h"

struct selftest {
    bool with_feed;
    volatile bool inputs_done;
    volatile bool failed;
    bool image_done;
    uint8_t step;
    uint8_t slot;
    uint16_t image_at;
    uint32_t image_crc;
};

void selftest_begin(struct selftest *test, bool with_feed);

/* The slots of the analogue part; called in place of scan_step. */
struct order selftest_step(struct selftest *test, uint16_t sample);

/* A part of the rest, called in each pass of the main loop; true when all of it is done. */
bool selftest_pass(struct selftest *test, bool outputs_high);

#endif
