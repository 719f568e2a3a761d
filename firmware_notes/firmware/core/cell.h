/* From sums of converter steps to conductance, and which range comes next.
 *
 * The circuit is  drive pin - range resistor R - middle point - cell - return pin.  Between the forward and the
 * reverse half the middle point moves by N and the return electrode by -B (in steps; B is nearly the whole
 * scale). The drive end moves by B too, since its pin is made like the other. So the resistor has
 * B - N across it and the cell B + N, twice over, the same current flows in both, and
 *
 *     G = (B - N) / (B + N) / R.
 *
 * What is constant cancels: the converter's offset, the voltage that two electrodes in water make by
 * themselves, the supply, and the resistance of the pins as far as the two are alike.
 *
 * Resolution: one step of the converter is 1/1024 of the scale, so with y = G R one conversion pair has
 * dG/G = (1 + y)^2 / (2 y) / 1024, which is 0.5 % at y = 0.12 and 0.4 % at y = 6, the ends of a range.
 * A reading averages at least 48 such pairs (16 nodes and 8 halves a scan at 1 megohm, 12 elsewhere, four to
 * five scans). With half a step of noise, which the converter and the water bring along, one standard deviation
 * of a reading is below 0.1 %, or 0.00015 uS where that is more; seen in the emulator at 0.06 to 2000 uS.
 * Without any noise a step stays a step, and the error is below 0.5 %.
 */
#ifndef CELL_H
#define CELL_H

#include "scan.h"

enum cell_outcome { CELL_GOOD, CELL_BELOW, CELL_ABOVE };

/* Conductance in uS of what a cell gave in one or several scans on one range. Never negative.
 * CELL_ABOVE, and a value beyond every range, when the cell is too conductive to compute anything here;
 * CELL_BELOW when nothing was measured. */
enum cell_outcome cell_conductance(const struct cell_sums *sums, enum range range, float *us);

/* The range on which to measure next what was measured as `us` on `range`. The feed cell has no high range. */
enum range cell_next_range(enum cell cell, enum range range, float us);

#endif
