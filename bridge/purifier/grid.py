"""The joint posterior of the capacity of a bed and of the shape of its front, on a grid of fixed size.

Each cell of the grid is a shape and a capacity. A reading gives each cell a residual: the difference between
the reading and the model. Real fronts differ from a model, so the residual is modelled as an
Ornstein-Uhlenbeck process in load, with a length that depends on the shape. Readings at short distances have
nearly the same residual, readings some widths of the front apart have independent ones. The expected residual
of a reading follows from the one before. So the change between two readings distinguishes a steep front from
a slow one, or from a shelf. The evidence decays with the same length, so that the posterior never becomes
narrower than the model is accurate.

There are two families of shapes. Logistic: the front of Bohart and Adams, of Thomas, and of Yoon and Nelson,
which are the same curve in different notations. It is written in load instead of time, so that a change of
the feed does not change the shape:

    product = floor + (feed - floor) / (1 + exp(-(applied - centre) / width))

``applied`` is the grams brought to the bed so far, ``capacity`` the grams that it takes up until the product
crosses the limit, and ``slope`` = width / capacity. It follows that

    centre  = capacity x (1 + slope x ln(feed / limit))
    applied = capacity x (1 + slope x ln(feed / (feed - limit)))       when the product crosses the limit

Shelf: a mixed bed can be exhausted in two steps. The hydroxide resin, which takes up carbonic acid too, is
exhausted first. Then the product has a low level of carbonic acid, the shelf, until the hydrogen resin is
exhausted too: the product is pure, then it is a small share of the limit for the last few per cent of the
capacity, then it crosses.

A steep front can lie between two cells. So the residual of a cell follows from the model at both edges of the
cell. A reading between the two values has a residual of zero, and the wider the distance of the edges, the
lower its likelihood.
"""

import math
import operator
from dataclasses import dataclass, replace

from bridge.errors import InputError
from bridge.purifier.cartridge import Capacity

SLOPES = (0.001, 0.003, 0.008, 0.02, 0.045, 0.08, 0.12, 0.18, 0.27)
"""Logistic shapes: width of the front over capacity, from an ideal bed to one with slow exchange."""
SHELVES = (0.008, 0.02, 0.05)
"""Shelf shapes: the share of the capacity that the shelf lasts."""
SHAPES = len(SLOPES) + len(SHELVES)
WIDTHS = (*SLOPES, *(0.25 * shelf for shelf in SHELVES))
"""For each shape, the share of the capacity over which the product changes by about one e-fold."""
CELLS = 64
"""Number of capacities of the grid, evenly spaced in ln(capacity)."""

RESOLUTION_SHARE = 0.005
"""Resolution of a probe, as a share of the limit."""
LOG_SD = 0.25
"""Standard deviation of the residual of a perfect model, in e-folds of the product above the resolution."""

_SHELF_TOP_SHARE = 0.3
_SHELF_FOOT_SHARE = 0.04
"""A shelf lies between these shares of the limit above the floor (carbonic acid only; from PHREEQC
columns)."""
_NOISE = 0.2
"""In e-folds: so much above the floor is no evidence against a distant front, because of noise."""
_ABOVE_SHELF = 2.5
"""Factor for the residual of a reading above the shelf, because a shelf is flat."""
_FOOT, _HEAD = -12.0, 8.0
"""Beyond these a logistic front equals the floor or the feed, to a hundredth of the resolution of a probe."""


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading of a bed: the load, the recent mean feed, and the feed, the floor and the product."""

    applied_g: float
    mean_feed_ppm: float
    feed_ppm: float
    floor_ppm: float
    product_ppm: float


def residuals(
    ln_low: float, ln_step: float, limit_ppm: float, reading: Reading
) -> tuple[list[float], list[float]]:
    """Return the residual of a reading for each cell, and the gap between the edges of each cell.

    Both are in e-folds, over shapes x capacities, shape by shape.

    Args:
        ln_low: the lowest capacity of the grid, ln(grams).
        ln_step: the step of the grid.
        limit_ppm: the limit of the product.
        reading: the reading.
    """
    resolution = RESOLUTION_SHARE * limit_ppm
    seen = math.log(reading.product_ppm + resolution)
    floor = min(reading.floor_ppm, reading.feed_ppm)
    reach = reading.feed_ppm - floor
    base = floor + resolution
    ln_base, ln_full = math.log(base), math.log(base + reach)
    ln_ratio = math.log(max(reading.mean_feed_ppm, 1.05 * limit_ppm) / limit_ppm)
    far = math.copysign(max(abs(seen - ln_base) - _NOISE, 0.0), seen - ln_base)
    # The edges of the cells as progress along their capacity, which falls from one to the next.
    ln_first = (math.log(reading.applied_g) if reading.applied_g > 0.0 else -700.0) - ln_low + 0.5 * ln_step
    residual: list[float] = []
    edge_gap: list[float] = []
    for slope in SLOPES:
        centre = 1.0 / slope + ln_ratio
        past = _count(ln_first, ln_step, slope * (centre + _HEAD))
        there = _count(ln_first, ln_step, slope * (centre + _FOOT))
        shown = [ln_full] * past
        shown += [
            math.log(base + reach / (1.0 + math.exp(centre - math.exp(ln_first - i * ln_step) / slope)))
            for i in range(past, there)
        ]
        shown += [ln_base] * (CELLS + 1 - there)
        lows = shown[1:]
        residual += [
            seen - high if seen > high else seen - low if seen < low else 0.0
            for high, low in zip(shown, lows[:there], strict=False)
        ]
        residual += [far] * (CELLS - there)
        edge_gap += map(operator.sub, shown, lows)
    ln_top, ln_foot = (
        math.log(base + _SHELF_TOP_SHARE * limit_ppm),
        math.log(base + _SHELF_FOOT_SHARE * limit_ppm),
    )
    on_shelf = _ABOVE_SHELF * (seen - ln_top) if seen > ln_top else min(seen - ln_foot, 0.0)
    spent = min(seen - math.log(base + limit_ppm), 0.0)
    gone = max(_count(ln_first, ln_step, 1.0) - 1, 0)
    for shelf in SHELVES:
        begun = min(_count(ln_first, ln_step, 1.0 - shelf), CELLS)
        residual += [spent] * gone + [on_shelf] * (begun - gone) + [far] * (CELLS - begun)
        edge_gap += [0.0] * gone + [ln_top - ln_foot] * (begun - gone) + [0.0] * (CELLS - begun)
    return residual, edge_gap


def _count(ln_first: float, ln_step: float, mark: float) -> int:
    """Return how many edges lie at or beyond a progress of ``mark``."""
    if mark <= 0.0:
        return CELLS + 1
    return min(max(math.floor((ln_first - math.log(mark)) / ln_step) + 1, 0), CELLS + 1)


_SHELF_ODDS = 0.2
"""Prior odds of a shelf against a logistic front."""
_SHAPE_LN = (-math.log(len(SLOPES)),) * len(SLOPES) + (math.log(_SHELF_ODDS / len(SHELVES)),) * len(SHELVES)
_LN_WIDTHS = tuple(map(math.log, WIDTHS))
_READ_SD = 0.05
"""Standard deviation of the independent part of a residual, in e-folds."""
_TAIL = 8.0
"""Degrees of freedom of the residuals (Student's t), so that one outlier cannot decide."""
_LENGTH = 2.0
"""Widths of a front after which residuals are nearly independent."""
_FORGET = 0.5
"""Share of the evidence that remains after half a width of the front of a shape."""
_FORGET_WIDTHS = 0.5
_FASTER = 2.0
"""The evidence of a steep shape decays faster than that of the likely front by at most this factor."""
_MIN_STEP = 2e-4
_TAIL_MASS = 2e-4


@dataclass(frozen=True, slots=True)
class Grid:
    """The grid with its prior, its evidence and its posterior.

    Attributes:
        prior: the prior of the capacity.
        limit_ppm: the limit of the product.
        ln_low: the lowest capacity of the grid, ln(grams).
        ln_step: the step of the grid.
        prior_ln: the log prior of each capacity.
        evidence: the log likelihood of each cell, over shapes x capacities, shape by shape.
        weights: the posterior probability of each cell, in the same order.
        spread: the mean width of the posterior (geometric), as a share of the capacity.
        typical_g: the mean capacity of the posterior (geometric), grams.
        last: the newest reading.
        residual: the residual of the newest reading in each cell.
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
    residual: tuple[float, ...] = ()


def blank(prior: Capacity, limit_ppm: float) -> Grid:
    """Return the grid of a new bed, from the prior of its capacity."""
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
    """Return a grid with the evidence of an earlier process. The prior can have changed since then.

    Args:
        prior: the present prior of the capacity.
        limit_ppm: the limit of the product.
        ln_low: the lowest capacity of the earlier grid.
        ln_step: the step of the earlier grid.
        evidence: the evidence of the earlier grid.
        last: the newest reading in it.

    Raises:
        InputError: If the evidence does not have the size of the grid.
    """
    if len(evidence) != CELLS * SHAPES or not ln_step > 0.0 or not all(map(math.isfinite, evidence)):
        raise InputError(f"Grid: {len(evidence)} values of evidence; it must be {CELLS * SHAPES} numbers.")
    residual = () if last is None else tuple(residuals(ln_low, ln_step, limit_ppm, last)[0])
    prior_ln = _prior_ln(prior, ln_low, ln_step)
    grid = Grid(prior, limit_ppm, ln_low, ln_step, prior_ln, evidence, last=last, residual=residual)
    return _weighed(grid)


def weigh(grid: Grid, reading: Reading, gained_g: float) -> Grid:
    """Return the grid with one more reading, ``gained_g`` grams after the one before.

    If the posterior becomes too narrow for the grid, or leaves it, the grid is moved and the reading is
    weighed once more.
    """
    after = _with_reading(grid, reading, gained_g)
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
        residual=() if last is None else tuple(residuals(low, step, grid.limit_ppm, last)[0]),
    )
    return _with_reading(moved, reading, gained_g)


def by_shape(weights: tuple[float, ...]) -> list[float]:
    """Return the probability of each shape."""
    return [sum(weights[start : start + CELLS]) for start in range(0, CELLS * SHAPES, CELLS)]


def by_capacity(weights: tuple[float, ...]) -> list[float]:
    """Return the probability of each capacity, summed over the shapes."""
    rows = [weights[start : start + CELLS] for start in range(0, CELLS * SHAPES, CELLS)]
    return list(map(sum, zip(*rows, strict=True)))


def _with_reading(grid: Grid, reading: Reading, gained_g: float) -> Grid:
    """Return the grid with the evidence and the posterior of one more reading."""
    residual, edge_gap = residuals(grid.ln_low, grid.ln_step, grid.limit_ppm, reading)
    before = grid.residual or (0.0,) * (CELLS * SHAPES)
    widths = gained_g / grid.typical_g
    likely = _FASTER * min(1.0, widths / (_FORGET_WIDTHS * grid.spread))
    gain, unit = -0.5 * (_TAIL + 1.0), 1.0 / (2.5 * LOG_SD)
    old = grid.evidence
    evidence: list[float] = []
    start = 0
    for width in WIDTHS:
        stays = math.exp(-widths / (_LENGTH * width))
        fresh = 1.0 - stays * stays
        scale = 1.0 / (_TAIL * (LOG_SD * LOG_SD * fresh + _READ_SD * _READ_SD))
        keep = _FORGET ** min(likely, widths / (_FORGET_WIDTHS * width), 1.0)
        part = slice(start, start + CELLS)
        start += CELLS
        evidence += [
            keep * held
            + gain * math.log1p((off := now - stays * earlier) * off * scale)
            - (fresh * math.log1p(between * unit) if between else 0.0)
            for held, now, earlier, between in zip(
                old[part], residual[part], before[part], edge_gap[part], strict=True
            )
        ]
    after = replace(grid, evidence=tuple(evidence), last=reading, residual=tuple(residual))
    return _weighed(after)


def _weighed(grid: Grid) -> Grid:
    """Return the grid with its posterior and its typical values updated."""
    prior_ln = grid.prior_ln
    logs: list[float] = []
    for shape, start in enumerate(range(0, CELLS * SHAPES, CELLS)):
        of_shape = _SHAPE_LN[shape]
        part = map(operator.add, grid.evidence[start : start + CELLS], prior_ln)
        logs += [value + of_shape for value in part]
    top = max(logs)
    cut = top - 30.0
    likely = [math.exp(value - top) if value > cut else 0.0 for value in logs]
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
    """Return the low end and the step of a better grid, or None if the present one is good enough."""
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
    """Return the evidence on another range of capacities, linear between cells and constant beyond."""
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
