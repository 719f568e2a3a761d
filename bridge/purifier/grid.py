"""The joint posterior of a bed's capacity and of the shape of its front, on a grid of fixed size.

Real fronts are not those of a model. What a reading misses by is taken to wander along the bed: close
readings miss by nearly the same, and readings some widths of the front apart miss independently (an
Ornstein-Uhlenbeck process in load, of each shape's own length). So a reading is judged by what the one before
it leaves to be expected, and it is the change between two readings that tells a steep front from a slow one,
or from a shelf. Evidence is forgotten by the same measure of length: the posterior never grows surer than the
model deserves.

What a front of each shape would show: the residuals of a reading over shapes x capacities.

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
from dataclasses import dataclass, replace

from bridge.errors import InputError
from bridge.purifier.capacity import Capacity

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


_SHELF_ODDS = 0.2
"""Odds of a shelf against a logistic front before anything is seen."""
_SHAPE_LN = (-math.log(len(SLOPES)),) * len(SLOPES) + (math.log(_SHELF_ODDS / len(SHELVES)),) * len(SHELVES)
_LN_WIDTHS = tuple(map(math.log, WIDTHS))
_READ_SD = 0.05
"""Of a reading by itself, in e-folds: what does not wander along."""
_TAIL = 8.0
"""Degrees of freedom of all that disagreement: one wild reading cannot decide."""
_LENGTH = 2.0
"""Widths of a front after which what a reading misses by is independent, or nearly so."""
_FORGET = 0.5
"""What is left of the evidence after half a width of a shape's front."""
_FORGET_WIDTHS = 0.5
_FASTER = 2.0
"""A steep shape forgets at most this much faster than the front that is likely."""
_MIN_STEP = 2e-4
_TAIL_MASS = 2e-4


@dataclass(frozen=True, slots=True)
class Grid:
    """The grid and the readings that are in it.

    ``prior_ln`` is the log prior of each cell, ``evidence`` the log likelihood and ``weights`` the posterior
    probability, each over shapes x capacities, shape by shape. ``spread`` and ``typical_g`` are the
    posterior's mean width (geometric, as a share of the capacity) and capacity. ``last`` is the newest
    reading and ``missed`` what it misses by in each cell.
    """

    prior: Capacity
    limit_ppm: float
    ln_low: float
    ln_step: float
    prior_ln: tuple[float, ...]
    evidence: tuple[float, ...]
    weights: tuple[float, ...] = ()
    spread: float = 0.0
    typical_g: float = 0.0
    last: Reading | None = None
    missed: tuple[float, ...] = ()


def blank(prior: Capacity, limit_ppm: float) -> Grid:
    """The grid of a bed of which only its prior capacity is known."""
    low = prior.ln_low
    step = prior.ln_step * (len(prior.weights) - 1) / (CELLS - 1)
    evidence = (0.0,) * (CELLS * SHAPES)
    return _weighed(Grid(prior, limit_ppm, low, step, _prior_ln(prior, low, step), evidence))


def restored(
    prior: Capacity,
    limit_ppm: float,
    ln_low: float,
    ln_step: float,
    evidence: tuple[float, ...],
    last: Reading | None,
) -> Grid:
    """A grid with the evidence that an earlier process had gathered, under a prior that may have changed.

    Raises:
        InputError: evidence that does not belong to a grid of this size.
    """
    if len(evidence) != CELLS * SHAPES or not ln_step > 0.0 or not all(map(math.isfinite, evidence)):
        raise InputError(f"Grid: {len(evidence)} values of evidence; it must be {CELLS * SHAPES} numbers.")
    missed = () if last is None else tuple(residuals(ln_low, ln_step, limit_ppm, last)[0])
    prior_ln = _prior_ln(prior, ln_low, ln_step)
    grid = Grid(prior, limit_ppm, ln_low, ln_step, prior_ln, evidence, last=last, missed=missed)
    return _weighed(grid)


def weigh(grid: Grid, reading: Reading, gained_g: float) -> Grid:
    """The grid with one more reading in it, ``gained_g`` grams brought to the bed after the one before it.

    Where the reading narrows or moves the posterior so far that the grid must follow, it is put on the new
    grid again, once, so the cost is bounded.
    """
    after = _judged(grid, reading, gained_g)
    better = _better_range(grid, by_capacity(after.weights))
    if better is None:
        return after
    low, step = better
    last = grid.last
    moved = replace(
        grid,
        ln_low=low,
        ln_step=step,
        prior_ln=_prior_ln(grid.prior, low, step),
        evidence=_regrid(grid, low, step),
        missed=() if last is None else tuple(residuals(low, step, grid.limit_ppm, last)[0]),
    )
    return _judged(moved, reading, gained_g)


def by_shape(weights: tuple[float, ...]) -> list[float]:
    """The probability of each shape."""
    return [sum(weights[start : start + CELLS]) for start in range(0, CELLS * SHAPES, CELLS)]


def by_capacity(weights: tuple[float, ...]) -> list[float]:
    """The probability of each capacity, whatever the shape."""
    rows = [weights[start : start + CELLS] for start in range(0, CELLS * SHAPES, CELLS)]
    return list(map(sum, zip(*rows, strict=True)))


def _judged(grid: Grid, reading: Reading, gained_g: float) -> Grid:
    """The evidence and the posterior with one more reading."""
    missed, apart = residuals(grid.ln_low, grid.ln_step, grid.limit_ppm, reading)
    before = grid.missed or (0.0,) * (CELLS * SHAPES)
    widths = gained_g / grid.typical_g
    likely = _FASTER * min(1.0, widths / (_FORGET_WIDTHS * grid.spread))
    gain, unit = -0.5 * (_TAIL + 1.0), 1.0 / (2.5 * LOG_SD)
    log1p, exp = math.log1p, math.exp
    old = grid.evidence
    evidence: list[float] = []
    start = 0
    for width in WIDTHS:
        stays = exp(-widths / (_LENGTH * width))
        fresh = 1.0 - stays * stays
        scale = 1.0 / (_TAIL * (LOG_SD * LOG_SD * fresh + _READ_SD * _READ_SD))
        keep = _FORGET ** min(likely, widths / (_FORGET_WIDTHS * width), 1.0)
        part = slice(start, start + CELLS)
        start += CELLS
        evidence += [
            keep * held
            + gain * log1p((off := now - stays * earlier) * off * scale)
            - (fresh * log1p(between * unit) if between else 0.0)
            for held, now, earlier, between in zip(
                old[part], missed[part], before[part], apart[part], strict=True
            )
        ]
    after = replace(grid, evidence=tuple(evidence), last=reading, missed=tuple(missed))
    return _weighed(after)


def _weighed(grid: Grid) -> Grid:
    """The grid with its posterior and the typical values brought up to date."""
    prior_ln = grid.prior_ln
    logs: list[float] = []
    for shape, start in enumerate(range(0, CELLS * SHAPES, CELLS)):
        of_shape = _SHAPE_LN[shape]
        part = map(operator.add, grid.evidence[start : start + CELLS], prior_ln)
        logs += [value + of_shape for value in part]
    top = max(logs)
    cut = top - 30.0
    exp = math.exp
    likely = [exp(value - top) if value > cut else 0.0 for value in logs]
    total = sum(likely)
    weights = tuple([value / total for value in likely])
    ln_spread = sum(map(operator.mul, by_shape(weights), _LN_WIDTHS))
    mean = sum(map(operator.mul, range(CELLS), by_capacity(weights)))
    return replace(
        grid,
        weights=weights,
        spread=math.exp(ln_spread),
        typical_g=math.exp(grid.ln_low + grid.ln_step * mean),
    )


def _better_range(grid: Grid, by_capacity: list[float]) -> tuple[float, float] | None:
    """Low end and step of a grid that holds the posterior better, or None while the present one serves."""
    first, last = 0, CELLS - 1
    below, above = by_capacity[first], by_capacity[last]
    overflows = above > _TAIL_MASS
    while below < _TAIL_MASS:
        first += 1
        below += by_capacity[first]
    while above < _TAIL_MASS:
        last -= 1
        above += by_capacity[last]
    if not overflows and (last - first + 1 > CELLS // 2 or grid.ln_step <= _MIN_STEP):
        return None
    low = grid.ln_low + (first - 1.5) * grid.ln_step
    high = grid.ln_low + (last + 1.5) * grid.ln_step + (0.5 if overflows else 0.0)
    return low, max((high - low) / (CELLS - 1), _MIN_STEP)


def _prior_ln(prior: Capacity, low: float, step: float) -> tuple[float, ...]:
    return tuple(prior.ln_density(low + i * step) for i in range(CELLS))


def _regrid(grid: Grid, low: float, step: float) -> tuple[float, ...]:
    """The evidence on another range of capacities, by straight lines between the cells; flat beyond them."""
    places: list[tuple[int, float]] = []
    for i in range(CELLS):
        position = min(max((low + i * step - grid.ln_low) / grid.ln_step, 0.0), CELLS - 1.0)
        left = min(int(position), CELLS - 2)
        places.append((left, position - left))
    moved: list[float] = []
    for start in range(0, CELLS * SHAPES, CELLS):
        row = grid.evidence[start : start + CELLS]
        moved.extend([row[left] + share * (row[left + 1] - row[left]) for left, share in places])
    return tuple(moved)
