/* What was measured since the last reading: the scans added up, and then the fields of a reading. */
#ifndef GATHER_H
#define GATHER_H

#include "frame.h"
#include "scan.h"

struct gather {
    struct cell_sums cell[CELLS];
    uint32_t single[SINGLES];
    uint16_t single_count;
};

/* The measured fields of a reading, and the fault bits that go with them. */
struct measures {
    struct measured product_us, product_c, feed_us, feed_c, sender;
    uint16_t faults;
};

void gather_clear(struct gather *gather);

/* Add a finished scan and set the ranges of the next. A cell whose range changes begins anew. */
void gather_scan(struct gather *gather, struct scan *scan);

/* True when there is something of every fitted input, so that a reading can be made. */
bool gather_is_complete(const struct gather *gather, bool with_feed);

struct measures gather_measures(const struct gather *gather, const uint8_t range[CELLS], uint16_t fitted);

#endif
