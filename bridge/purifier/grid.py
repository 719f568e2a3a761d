"""The joint posterior of a bed's capacity and of the shape of its front, on a grid of fixed size.

Two families of shape. Logistic: the front of Bohart and Adams, of Thomas, and of Yoon and Nelson, which are
one curve in different letters, written in load instead of time so that a changing feed does not bend it:

    product = floor + (feed - floor) / (1 + exp(-(applied - centre) / width))

``applied`` is the grams brought to the bed so far, ``capacity`` the grams it takes up until the product
crosses the limit, and ``slope`` = width / capacity. From the curve,

    centre  = capacity x (1 + slope x ln(feed / limit))
    applied = capacity x (1 + slope x ln(feed / (feed - limit)))       when the product crosses the limit

Shelf: a mixed bed can end in two steps. The hydroxide resin, which takes up carbonic acid too, ends first,
and the product stands on a low shelf of carbonic acid until the hydrogen resin ends as well: pure, then
anything up to a share of the limit for the last few per cent of the capacity, then the crossing.
"""

import math
import operator
from dataclasses import dataclass, replace

from bridge.errors import InputError
from bridge.purifier.capacity import Capacity

SLOPES = (0.001, 0.003, 0.008, 0.02, 0.045, 0.08, 0.12, 0.18, 0.27)
"""Logistic shapes: width of the front over capacity, from an ideal bed to a strongly hindered one."""
SHELVES = (0.006, 0.012, 0.022, 0.04, 0.07)
"""Shelf shapes: the share of the capacity that the shelf lasts."""
SHAPES = len(SLOPES) + len(SHELVES)
CELLS = 64
"""Cells of the grid in ln(capacity); with the shapes, the whole size of the posterior."""

RESOLUTION_SHARE = 0.005
"""What a probe resolves, as a share of the limit."""

_SHELF_ODDS = 0.5
"""Odds of a shelf against a logistic front before anything is seen."""
_SHELF_TOP_SHARE = 0.3
"""A shelf stays under this share of the limit (carbonic acid alone; seen in PHREEQC columns)."""
_SHELF_SPREAD = 0.3
_SHAPE_LN = (-math.log(len(SLOPES)),) * len(SLOPES) + (math.log(_SHELF_ODDS / len(SHELVES)),) * len(SHELVES)
_SHAPE_LN_SPREAD = tuple(math.log(x) for x in (*SLOPES, *(0.25 * shelf for shelf in SHELVES)))
_LOG_SD = 0.25
"""Disagreement of a reading with a perfect model, in e-folds of the product above the resolution."""
_TAIL = 8.0
"""Degrees of freedom of that disagreement: one wild reading cannot decide."""
_FORGET = 0.7
"""What is left of the evidence after one more reading's worth."""
_MIN_STEP = 2e-4
_TAIL_MASS = 2e-4


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading of a bed: where it stands in load, its mean feed lately, and the three concentrations."""

    applied_g: float
    mean_feed_ppm: float
    feed_ppm: float
    floor_ppm: float
    product_ppm: float


@dataclass(frozen=True, slots=True)
class Grid:
    """``prior_ln`` is the log prior of each cell of ln(capacity), ``evidence`` the log likelihood over
    shapes x capacities, shape by shape. ``spread`` and ``typical_g`` are the posterior's mean slope
    (geometric) and capacity."""

    prior: Capacity
    limit_ppm: float
    ln_low: float
    ln_step: float
    prior_ln: tuple[float, ...]
    evidence: tuple[float, ...]
    spread: float
    typical_g: float


def blank(prior: Capacity, limit_ppm: float) -> Grid:
    """The grid of a bed of which only its prior capacity is known."""
    low = prior.ln_low
    step = prior.ln_step * (len(prior.weights) - 1) / (CELLS - 1)
    evidence = (0.0,) * (CELLS * SHAPES)
    prior_ln = _prior_ln(prior, low, step)
    grid = Grid(prior, limit_ppm, low, step, prior_ln, evidence, 0.0, 0.0)
    return _typical(grid, posterior(grid))


def restored(
    prior: Capacity, limit_ppm: float, ln_low: float, ln_step: float, evidence: tuple[float, ...]
) -> Grid:
    """A grid with the evidence that an earlier process had gathered, under a prior that may have changed.

    Raises:
        InputError: evidence that does not belong to a grid of this size.
    """
    if len(evidence) != CELLS * SHAPES or not ln_step > 0.0 or not all(map(math.isfinite, evidence)):
        raise InputError(f"Grid: {len(evidence)} values of evidence; it must be {CELLS * SHAPES} numbers.")
    grid = Grid(prior, limit_ppm, ln_low, ln_step, _prior_ln(prior, ln_low, ln_step), evidence, 0.0, 0.0)
    return _typical(grid, posterior(grid))


def posterior(grid: Grid) -> list[float]:
    """Probabilities over shapes x capacities (shape by shape), each capacity a cell of the grid."""
    priors = [value + shape for shape in _SHAPE_LN for value in grid.prior_ln]
    logs = list(map(operator.add, grid.evidence, priors))
    top = max(logs)
    cut = top - 30.0
    exp = math.exp
    weights = [exp(value - top) if value > cut else 0.0 for value in logs]
    total = sum(weights)
    return [value / total for value in weights]


def weigh(grid: Grid, reading: Reading, weight: float) -> Grid:
    """The grid with one reading put on it that is worth ``weight`` (0 to 1) of an independent one.

    Where the reading narrows or moves the posterior so far that the grid must follow, it is put on the new
    grid again, once, so the cost is bounded.
    """
    after = replace(grid, evidence=_judge(grid, reading, weight))
    weights = posterior(after)
    better = _better_range(grid, _by_capacity(weights))
    if better is None:
        return _typical(after, weights)
    low, step = better
    moved = replace(
        grid,
        ln_low=low,
        ln_step=step,
        prior_ln=_prior_ln(grid.prior, low, step),
        evidence=_regrid(grid, low, step),
    )
    after = replace(moved, evidence=_judge(moved, reading, weight))
    return _typical(after, posterior(after))


def _judge(grid: Grid, reading: Reading, weight: float) -> tuple[float, ...]:
    """The evidence with one more reading in it.

    A steep front fits between two cells, so a cell is judged by what its two edges would show: a reading
    between them misses nothing, and the wider they stand apart the less it says.
    """
    resolution = RESOLUTION_SHARE * grid.limit_ppm
    seen = math.log(reading.product_ppm + resolution)
    floor = min(reading.floor_ppm, reading.feed_ppm)
    reach = reading.feed_ppm - floor
    base = floor + resolution
    ln_base = math.log(base)
    ln_ratio = math.log(max(reading.mean_feed_ppm, 1.05 * grid.limit_ppm) / grid.limit_ppm)
    edges = [reading.applied_g * math.exp(-grid.ln_low - (i - 0.5) * grid.ln_step) for i in range(CELLS + 1)]
    keep = _FORGET**weight
    gain = -0.5 * (_TAIL + 1.0) * weight
    scale = 1.0 / (_LOG_SD * _LOG_SD * _TAIL)
    width = 1.0 / (2.5 * _LOG_SD)
    far = gain * math.log1p((seen - ln_base) ** 2 * scale)
    exp, log, log1p = math.exp, math.log, math.log1p
    old = grid.evidence
    new: list[float] = []
    k = 0
    for slope in SLOPES:
        centre = 1.0 / slope + ln_ratio
        high = ln_base
        for i, progress in enumerate(edges):
            z = progress / slope - centre
            low = ln_base if z < -18.0 else log(base + (reach / (1.0 + exp(-z)) if z < 18.0 else reach))
            if i:
                if high == ln_base:
                    new.append(keep * old[k] + far)
                else:
                    miss = seen - high if seen > high else low - seen if seen < low else 0.0
                    spread = weight * log1p((high - low) * width)
                    new.append(keep * old[k] + gain * log1p(miss * miss * scale) - spread)
                k += 1
            high = low
    shelf_miss = max(seen - log(base + _SHELF_TOP_SHARE * grid.limit_ppm), 0.0)
    on_shelf = gain * log1p(shelf_miss * shelf_miss * scale) - _SHELF_SPREAD * weight
    spent = gain * log1p(max(log(base + grid.limit_ppm) - seen, 0.0) ** 2 * scale)
    for shelf in SHELVES:
        for i in range(CELLS):
            if edges[i + 1] >= 1.0:
                said = spent
            elif edges[i] < 1.0 - shelf:
                said = far
            else:
                said = on_shelf
            new.append(keep * old[k] + said)
            k += 1
    return tuple(new)


def _typical(grid: Grid, weights: list[float]) -> Grid:
    """The grid with its typical values brought up to date."""
    by_shape = [sum(weights[j * CELLS : (j + 1) * CELLS]) for j in range(SHAPES)]
    ln_spread = sum(map(operator.mul, by_shape, _SHAPE_LN_SPREAD))
    ln_mean = grid.ln_low + grid.ln_step * sum(i * value for i, value in enumerate(_by_capacity(weights)))
    return replace(grid, spread=math.exp(ln_spread), typical_g=math.exp(ln_mean))


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


def _by_capacity(weights: list[float]) -> list[float]:
    return [sum(weights[i::CELLS]) for i in range(CELLS)]


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
