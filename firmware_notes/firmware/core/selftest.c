#include "selftest.h"

#include <string.h>

#include "crc32.h"

struct check {
    struct order order;
    uint16_t least;
    uint16_t most;
};

/* The reference is 1.0 to 1.2 V and the supply 4.5 to 5.5 V: 186 to 273 steps.
 * The first row is only there to let the inputs settle after power came. */
static const struct check CHECKS[] = {
    {{DRIVE_REST, CELL_PRODUCT, RANGE_HIGH, CHANNEL_REFERENCE}, 0, 1023},
    {{DRIVE_REST, CELL_PRODUCT, RANGE_HIGH, CHANNEL_REFERENCE}, 186, 273},
    {{DRIVE_REST, CELL_PRODUCT, RANGE_HIGH, CHANNEL_PRODUCT_NODE}, 0, 20},
    {{DRIVE_LIFT, CELL_PRODUCT, RANGE_HIGH, CHANNEL_PRODUCT_NODE}, 1003, 1023},
    {{DRIVE_REST, CELL_FEED, RANGE_MIDDLE, CHANNEL_FEED_NODE}, 0, 20},
    {{DRIVE_LIFT, CELL_FEED, RANGE_MIDDLE, CHANNEL_FEED_NODE}, 1003, 1023},
};

#define CHECK_COUNT (sizeof CHECKS / sizeof CHECKS[0])
#define FIRST_FEED_CHECK 4u
#define SETTLE_SLOTS 12u  /* 3 ms before the conversion that counts */
#define IMAGE_PART 32u

void selftest_begin(struct selftest *test, bool with_feed)
{
    memset(test, 0, sizeof *test);
    test->with_feed = with_feed;
    test->image_crc = CRC32_START;
}

struct order selftest_step(struct selftest *test, uint16_t sample)
{
    struct order order = {DRIVE_REST, CELL_PRODUCT, RANGE_HIGH, CHANNEL_NONE};
    if (test->inputs_done)
        return order;
    const struct check *check = &CHECKS[test->step];
    if (test->slot > SETTLE_SLOTS) {
        if (sample < check->least || sample > check->most)
            test->failed = true;
        test->slot = 0;
        test->step++;
        if (test->step == CHECK_COUNT || (test->step == FIRST_FEED_CHECK && !test->with_feed)) {
            test->inputs_done = true;
            return order;
        }
        check++;
    }
    test->slot++;
    return check->order;
}

static bool image_is_sound(const struct selftest *test)
{
    uint32_t wanted = 0;
    for (uint8_t i = 4; i > 0; i--)
        wanted = (wanted << 8) | hal_image_byte((uint16_t)(hal_image_check_at() + i - 1u));
    return crc32_end(test->image_crc) == wanted;
}

bool selftest_pass(struct selftest *test, bool outputs_high)
{
    if (outputs_high)
        test->failed = true;
    uint16_t length = hal_image_length();
    uint16_t check_at = hal_image_check_at();
    for (uint8_t i = 0; i < IMAGE_PART && test->image_at < length; i++, test->image_at++)
        if (test->image_at < check_at || test->image_at >= check_at + 4u)
            test->image_crc = crc32_byte(test->image_crc, hal_image_byte(test->image_at));
    if (test->image_at == length && !test->image_done) {
        test->image_done = true;
        if (!image_is_sound(test))
            test->failed = true;
    }
    return test->image_done && test->inputs_done;
}
