"""What a front of each shape would show: the residuals of a reading over shapes x capacities.

Two families of shape. Logistic: the front of Bohart and Adams, of Thomas, and of Yoon and Nelson, which are
one curve in different letters, written in load instead of time so that a changing feed does not bend it:

    product = floor + (feed - floor) / (1 + exp(-(applied - centre) / width))

``applied`` is the grams brought to the bed so far, ``capacity`` the grams it takes up until the product
crosses the limit, and ``slope`` = width / capacity. From the curve,

    centre  = capacity x (1 + slope x ln(feed / limit))
    applied = capacity x (1 + slope x ln(feed / (feed - limit)))       when the product crosses the limit

Shelf: a mixed bed can end in two steps. The hydroxide resin, which takes up carbonic acid too, ends first,
and the product stands on a low shelf of carbonic acid until the hydrogen resin ends as well: pure, then
a small share of the limit for the last few per cent of the capacity, then the crossing.

A steep front fits between two cells, so a cell is judged by what its two edges would show: a reading between
them misses nothing, and the wider they stand apart the less it says.
"""

import math
import operator
from dataclasses import dataclass

SLOPES = (0.001, 0.003, 0.008, 0.02, 0.045, 0.08, 0.12, 0.18, 0.27)
"""Logistic shapes: width of the front over capacity, from an ideal bed to a strongly hindered one."""
SHELVES = (0.008, 0.02, 0.05)
"""Shelf shapes: the share of the capacity that the shelf lasts."""
SHAPES = len(SLOPES) + len(SHELVES)
WIDTHS = (*SLOPES, *(0.25 * shelf for shelf in SHELVES))
"""Of each shape the share of the capacity over which its product changes by an e-fold or so."""
CELLS = 64
"""Cells of the grid in ln(capacity); with the shapes, the whole size of the posterior."""

RESOLUTION_SHARE = 0.005
"""What a probe resolves, as a share of the limit."""
LOG_SD = 0.25
"""Disagreement of a reading with a perfect model, in e-folds of the product above the resolution."""

_SHELF_TOP_SHARE = 0.3
_SHELF_FOOT_SHARE = 0.04
"""A shelf stays between these shares of the limit above the floor (carbonic acid alone; seen in PHREEQC
columns)."""
_NOISE = 0.2
"""In e-folds: so much above the floor says nothing against a front that is far; probe and floor are noisy."""
_ABOVE_SHELF = 2.5
"""A reading above the shelf is doubted this much more than one beside a front: a shelf is flat."""
_FOOT, _HEAD = -12.0, 8.0
"""Beyond these a logistic front is its floor or its feed, to a hundredth of what a probe resolves."""


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading of a bed: where it stands in load, its mean feed lately, and the three concentrations."""

    applied_g: float
    mean_feed_ppm: float
    feed_ppm: float
    floor_ppm: float
    product_ppm: float


def residuals(
    ln_low: float, ln_step: float, limit_ppm: float, reading: Reading
) -> tuple[list[float], list[float]]:
    """By how many e-folds the reading misses what each cell would show, and how far its edges stand apart.

    Both over shapes x capacities, shape by shape.
    """
    resolution = RESOLUTION_SHARE * limit_ppm
    seen = math.log(reading.product_ppm + resolution)
    floor = min(reading.floor_ppm, reading.feed_ppm)
    reach = reading.feed_ppm - floor
    base = floor + resolution
    ln_base, ln_full = math.log(base), math.log(base + reach)
    ln_ratio = math.log(max(reading.mean_feed_ppm, 1.05 * limit_ppm) / limit_ppm)
    far = math.copysign(max(abs(seen - ln_base) - _NOISE, 0.0), seen - ln_base)
    exp, log = math.exp, math.log
    # The edges of the cells as progress along their capacity, which falls from one to the next.
    ln_first = (log(reading.applied_g) if reading.applied_g > 0.0 else -700.0) - ln_low + 0.5 * ln_step
    misses: list[float] = []
    apart: list[float] = []
    for slope in SLOPES:
        centre = 1.0 / slope + ln_ratio
        past = _count(ln_first, ln_step, slope * (centre + _HEAD))
        there = _count(ln_first, ln_step, slope * (centre + _FOOT))
        shown = [ln_full] * past
        shown += [
            log(base + reach / (1.0 + exp(centre - exp(ln_first - i * ln_step) / slope)))
            for i in range(past, there)
        ]
        shown += [ln_base] * (CELLS + 1 - there)
        lows = shown[1:]
        misses += [
            seen - high if seen > high else seen - low if seen < low else 0.0
            for high, low in zip(shown, lows[:there], strict=False)
        ]
        misses += [far] * (CELLS - there)
        apart += map(operator.sub, shown, lows)
    ln_top, ln_foot = log(base + _SHELF_TOP_SHARE * limit_ppm), log(base + _SHELF_FOOT_SHARE * limit_ppm)
    on_shelf = _ABOVE_SHELF * (seen - ln_top) if seen > ln_top else min(seen - ln_foot, 0.0)
    spent = min(seen - log(base + limit_ppm), 0.0)
    gone = max(_count(ln_first, ln_step, 1.0) - 1, 0)
    for shelf in SHELVES:
        begun = min(_count(ln_first, ln_step, 1.0 - shelf), CELLS)
        misses += [spent] * gone + [on_shelf] * (begun - gone) + [far] * (CELLS - begun)
        apart += [0.0] * gone + [ln_top - ln_foot] * (begun - gone) + [0.0] * (CELLS - begun)
    return misses, apart


def _count(ln_first: float, ln_step: float, mark: float) -> int:
    """How many edges lie at or beyond a progress of ``mark``."""
    if mark <= 0.0:
        return CELLS + 1
    return min(max(math.floor((ln_first - math.log(mark)) / ln_step) + 1, 0), CELLS + 1)
