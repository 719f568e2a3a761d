"""The forecast of a purifier: the litres and days left, with their intervals, and the time to order.

The posterior of the load at the crossing is converted to litres with the expected feed, which is uncertain
too, and to days with the expected use.

Feed and use have a season (level, swing and trend): a Bayesian regression on a constant, one harmonic of the
year and a slow trend. Each value updates it in closed form: four means and a four-by-four covariance, for any
length of the history. The covariance grows a little every day, so that the estimate follows a change of
supply. The forecast of an exchange bed uses the feed and the use of the days until its end.
"""

import math
from bisect import bisect_left
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import accumulate
from statistics import NormalDist

from bridge.errors import InputError
from bridge.purifier.breakthrough import Front
from bridge.purifier.grid import CELLS, SHELVES, SLOPES, by_shape

ORDER_DRY_SHARE = 0.08
"""Order when the expected time without a working cartridge reaches this share of the lead time.

A plain probability of exhaustion would not count how long this time is: if the capacity is well known, a late
order is late by a short time only. A smaller share orders earlier and uses less of the old cartridge. With
this share no order for a known kind of cartridge came before 75 % of its life, and nearly every one came
before the crossing, in simulated columns.
"""

_SPREAD_POINTS = ((-1.732, 1 / 6), (0.0, 2 / 3), (1.732, 1 / 6))
"""Gauss-Hermite quadrature: three values and weights with the mean and the variance of a normal."""

SHARES = (0.5, 0.1, 0.9, 0.025, 0.975)
"""The probabilities of median, low80, high80, low95 and high95 of an interval."""

_MARKS = (1e-9, *(NormalDist().cdf(0.2 * k) for k in range(-18, 19)), 1.0 - 1e-9)
"""Probabilities between which many cells are merged: even steps of a normal, to keep the tails."""

_SMALL = 1e-5
"""Shapes with a lower probability are ignored."""

Cell = tuple[float, float, float]
"""Lower and upper end of a range, and its probability, spread evenly over the range."""


@dataclass(frozen=True, slots=True)
class Interval:
    """The median of a quantity, with its central 80 % and 95 % intervals."""

    median: float
    low80: float
    high80: float
    low95: float
    high95: float

    def shifted(self, offset: float) -> "Interval":
        """Return the interval of the quantity plus ``offset``."""
        values = (self.median, self.low80, self.high80, self.low95, self.high95)
        return Interval(*(value + offset for value in values))


@dataclass(frozen=True, slots=True)
class Expected:
    """An expected mean (a feed in ppm, a use in litres a day) and its standard deviation."""

    mean: float
    sd: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.mean) and self.mean > 0.0 and math.isfinite(self.sd) and self.sd >= 0.0):
            raise InputError(
                f"Expected {self.mean:g} ± {self.sd:g}: the mean must be above zero, the deviation not below."
            )


@dataclass(frozen=True, slots=True)
class Forecast:
    """The forecast of a purifier.

    Attributes:
        litres_left: the litres of product until the crossing.
        days_left: the days until the crossing.
        chance_within_lead: the probability that the product crosses the limit within the lead time.
        dry_share_of_lead: the expected share of the lead time after the crossing.
        order_now: True if ``dry_share_of_lead`` has reached ORDER_DRY_SHARE, or after the crossing.
        rests_on: the data behind the forecast, in words.
    """

    litres_left: Interval
    days_left: Interval
    chance_within_lead: float
    dry_share_of_lead: float
    order_now: bool
    rests_on: str


def forecast(front: Front, feed: Expected, use_l_per_day: Expected, lead_days: float) -> Forecast:
    """Forecast the litres and days left for an exchange bed, and whether to order.

    Args:
        front: the running bed.
        feed: the expected mean feed until the bed is exhausted, ppm.
        use_l_per_day: the expected mean use until then, litres a day.
        lead_days: the days from the order until the new cartridge is fitted.

    Raises:
        InputError: If the lead time is negative.
    """
    seen = "product over the limit" if front.crossed else "product rising" if front.risen else "product pure"
    rests_on = f"{front.grid.prior.rests_on}; {seen}; feed {feed.mean:.3g} ± {feed.sd:.2g} ppm"
    return from_cells(cells_left(front, feed), use_l_per_day, lead_days, rests_on)


def from_cells(cells: list[Cell], use_l_per_day: Expected, lead_days: float, rests_on: str) -> Forecast:
    """Return the forecast from a distribution of the litres left, a use and a lead time.

    Raises:
        InputError: If the lead time is negative.
    """
    if not (math.isfinite(lead_days) and lead_days >= 0.0):
        raise InputError(f"Forecast: a lead time of {lead_days:g} days; it must be zero or more.")
    few = gathered(cells)
    days: list[Cell] = []
    for use, share in _spread(use_l_per_day):
        days.extend((low / use, high / use, weight * share) for low, high, weight in few)
    total = sum(weight for _, _, weight in days)
    chance = min(1.0, sum(weight * _part_below(low, high, lead_days) for low, high, weight in days) / total)
    dry_days = sum(weight * _mean_below(low, high, lead_days) for low, high, weight in days) / total
    dry_share = dry_days / lead_days if lead_days > 0.0 else 0.0
    left = interval(days)
    order = dry_share >= ORDER_DRY_SHARE or left.high95 <= 0.0
    rests_on = f"{rests_on}; use {use_l_per_day.mean:.3g} ± {use_l_per_day.sd:.2g} L/day"
    return Forecast(interval(few), left, chance, dry_share, order, rests_on)


def cells_left(front: Front, feed: Expected) -> list[Cell]:
    """Return the distribution of the litres until the product crosses the limit, with the expected feed.

    After the crossing all litres are zero. With a feed at or under the limit the product never crosses it.
    Then the result is the litres until nearly the whole feed breaks through.
    """
    if front.crossed is not None:
        return [(0.0, 0.0, 1.0)]
    floor = 0.0 if math.isinf(front.floor_ppm) else front.floor_ppm
    grams = [
        (max(low - front.applied_g, 0.0), max(high - front.applied_g, 0.0), weight)
        for low, high, weight in _grams_at_crossing(front, feed.mean)
    ]
    litres: list[Cell] = []
    for ppm, share in _spread(feed):
        per_g = 1000.0 / max(ppm - floor, 1e-3 * feed.mean)
        litres.extend((low * per_g, high * per_g, weight * share) for low, high, weight in grams)
    return litres


def _grams_at_crossing(front: Front, feed_ppm: float) -> list[Cell]:
    """Return the distribution of the grams applied at the crossing, in cells that do not overlap.

    On a logarithmic scale a shape only shifts the capacities, so all shapes are summed on one grid.
    """
    grid = front.grid
    reach = max(feed_ppm, 1.05 * grid.limit_ppm)
    ln_open = math.log(reach / (reach - grid.limit_ppm))
    shifts = [math.log1p(slope * ln_open) / grid.ln_step for slope in SLOPES] + [0.0] * len(SHELVES)
    shares = by_shape(grid.weights)
    line = [0.0] * (
        CELLS + 1 + int(max(x for x, share in zip(shifts, shares, strict=True) if share > _SMALL))
    )
    for shape, (shift, share) in enumerate(zip(shifts, shares, strict=True)):
        if share <= _SMALL:
            continue
        whole = int(shift)
        part = shift - whole
        row = grid.weights[shape * CELLS : (shape + 1) * CELLS]
        for k, weight in enumerate(row, start=whole):
            if weight:
                line[k] += (1.0 - part) * weight
                line[k + 1] += part * weight
    reached = list(accumulate(line, initial=0.0))
    lowest = grid.ln_low - 0.5 * grid.ln_step
    cells: list[Cell] = []
    at = lowest
    before = 0.0
    for mark in _MARKS:
        target = mark * reached[-1]
        i = min(bisect_left(reached, target, lo=1), len(line))
        inside = line[i - 1]
        place = i - 1 + ((target - reached[i - 1]) / inside if inside > 0.0 else 1.0)
        here = math.exp(lowest + place * grid.ln_step)
        if mark != _MARKS[0]:
            cells.append((at, here, mark - before))
        at, before = here, mark
    return cells


def interval(cells: list[Cell]) -> Interval:
    """Return the median and the central intervals of a distribution in cells."""
    return Interval(*quantiles(cells, SHARES))


def gathered(cells: list[Cell]) -> list[Cell]:
    """Return the same distribution in a few dozen cells that do not overlap."""
    if len(cells) < len(_MARKS):
        return cells
    total = sum(weight for _, _, weight in cells)
    bounds = quantiles(cells, _MARKS)
    return [(bounds[i], bounds[i + 1], total * (_MARKS[i + 1] - _MARKS[i])) for i in range(len(_MARKS) - 1)]


def quantiles(cells: Iterable[Cell], shares: Sequence[float]) -> list[float]:
    """Return the quantiles of a distribution in cells for these probabilities.

    The cells can overlap: then their densities add up.

    Raises:
        InputError: If a probability is not between 0 and 1, or if the cells have no weight.
    """
    if not all(0.0 < share < 1.0 for share in shares):
        raise InputError(f"Quantiles: shares of {list(shares)}; each must lie between 0 and 1.")
    edges: list[tuple[float, float, float]] = []
    for low, high, weight in cells:
        if high > low:
            slope = weight / (high - low)
            edges.append((low, slope, 0.0))
            edges.append((high, -slope, 0.0))
        else:
            edges.append((low, 0.0, weight))
    edges.sort()
    values: list[float] = []
    reached: list[float] = []
    total = density = 0.0
    before = edges[0][0] if edges else 0.0
    for edge, slope, jump in edges:
        if density > 0.0:
            total += density * (edge - before)
        values.append(edge)
        reached.append(total)
        if jump:
            total += jump
            values.append(edge)
            reached.append(total)
        density += slope
        before = edge
    if not total > 0.0:
        raise InputError("Quantiles: the cells have no weight; at least one must be above zero.")
    return [_looked_up(values, reached, share * total) for share in shares]


def _part_below(low: float, high: float, mark: float) -> float:
    if high <= mark:
        return 1.0
    return max(mark - low, 0.0) / (high - low) if high > low else 0.0


def _mean_below(low: float, high: float, mark: float) -> float:
    """Return the mean distance below the mark (zero above it) of a value spread evenly from low to high."""
    if high <= mark:
        return mark - 0.5 * (low + high)
    return 0.5 * (mark - low) ** 2 / (high - low) if low < mark else 0.0


def _spread(expected: Expected) -> list[tuple[float, float]]:
    """Return values and weights with the mean and the standard deviation of an expectation."""
    if expected.sd == 0.0:
        return [(expected.mean, 1.0)]
    return [
        (max(expected.mean + offset * expected.sd, 0.2 * expected.mean), share)
        for offset, share in _SPREAD_POINTS
    ]


def _looked_up(values: list[float], reached: list[float], target: float) -> float:
    """Return the value at which ``target`` is reached, linear between the two values around it."""
    i = min(bisect_left(reached, target), len(reached) - 1)
    if i == 0 or reached[i] == reached[i - 1]:
        return values[i]
    share = min((target - reached[i - 1]) / (reached[i] - reached[i - 1]), 1.0)
    return values[i - 1] + share * (values[i] - values[i - 1])


_TERMS = 4
_YEAR_DAYS = 365.25
_LEVEL_SD = 0.5
_SWING_SD = 0.3
_TREND_SD = 0.05
_NOISE_SD = 0.15
_FORGET_PER_DAY = 1.0 / 1500.0
_INDEPENDENT_DAYS = 7.0
_ITERATIONS = 3
LONGEST_DAYS = 3652.0


@dataclass(frozen=True, slots=True)
class Season:
    """The estimate of a season. Days count from any fixed date, because the phase of the year is learned.

    Attributes:
        scale: the unit of the means: the typical value.
        first_day: the day at which the trend starts.
        last_day: the day of the newest value.
        means: the means of constant, cosine, sine and trend per year.
        covariance: their covariance, row by row.
    """

    scale: float
    first_day: float
    last_day: float
    means: tuple[float, ...]
    covariance: tuple[float, ...]


def begin_season(typical: float, day: float) -> Season:
    """Return the season of a quantity, from a typical value (± 50 %) only.

    Raises:
        InputError: If the typical value is not above zero.
    """
    if not (math.isfinite(typical) and typical > 0.0):
        raise InputError(f"Season: a typical value of {typical:g}; it must be above zero.")
    deviations = (_LEVEL_SD, _SWING_SD, _SWING_SD, _TREND_SD)
    covariance = tuple(deviations[i] ** 2 if i == j else 0.0 for i in range(_TERMS) for j in range(_TERMS))
    return Season(typical, day, day, (1.0, 0.0, 0.0, 0.0), covariance)


def learn_season(season: Season, day: float, value: float) -> Season:
    """Return the season after one more value. Values at intervals below a week have less weight each.

    Raises:
        InputError: If the value is negative or not finite, or the day is before the last one.
    """
    if not (math.isfinite(value) and value >= 0.0):
        raise InputError(f"Season: a value of {value:g}; it must be zero or more.")
    if day < season.last_day:
        raise InputError(f"Season: day {day:g} after day {season.last_day:g}; values come in order of time.")
    gap = day - season.last_day
    noise = _NOISE_SD**2 * max(1.0, _INDEPENDENT_DAYS / max(gap, 0.1))
    grown = 1.0 + _FORGET_PER_DAY * gap
    covariance = [grown * value for value in season.covariance]
    basis = _basis(season, day)
    along = [sum(covariance[i * _TERMS + j] * basis[j] for j in range(_TERMS)) for i in range(_TERMS)]
    total = noise + sum(b * a for b, a in zip(basis, along, strict=True))
    surprise = value / season.scale - sum(m * b for m, b in zip(season.means, basis, strict=True))
    means = tuple(m + a * surprise / total for m, a in zip(season.means, along, strict=True))
    shrunk = tuple(
        covariance[i * _TERMS + j] - along[i] * along[j] / total for i in range(_TERMS) for j in range(_TERMS)
    )
    return Season(season.scale, season.first_day, day, means, shrunk)


def expected_in_season(season: Season, from_day: float, to_day: float) -> Expected:
    """Return the expected mean of the quantity between two days, with its standard deviation.

    Raises:
        InputError: If ``to_day`` is before ``from_day``.
    """
    if to_day < from_day:
        raise InputError(f"Season: from day {from_day:g} to day {to_day:g} runs backwards.")
    steps = 12
    days = [from_day + (k + 0.5) * (to_day - from_day) / steps for k in range(steps)]
    bases = [_basis(season, day) for day in days]
    basis = [sum(b[i] for b in bases) / steps for i in range(_TERMS)]
    mean = sum(m * b for m, b in zip(season.means, basis, strict=True))
    variance = sum(
        basis[i] * season.covariance[i * _TERMS + j] * basis[j] for i in range(_TERMS) for j in range(_TERMS)
    )
    independent = max(1.0, (to_day - from_day) / _INDEPENDENT_DAYS)
    variance += _NOISE_SD**2 / independent
    return Expected(season.scale * max(mean, 0.05), season.scale * math.sqrt(variance))


def _basis(season: Season, day: float) -> tuple[float, float, float, float]:
    angle = 2.0 * math.pi * day / _YEAR_DAYS
    return 1.0, math.cos(angle), math.sin(angle), (day - season.first_day) / _YEAR_DAYS


def through_season(front: Front, feed: Season, use: Season, today: float, lead_days: float) -> Forecast:
    """Forecast the litres and days left with the seasons of feed (ppm) and use (litres a day).

    Feed and use are averaged over the days left, which depend on both. Three iterations are enough.

    Raises:
        InputError: If the lead time is negative.
    """
    days = 30.0
    for _ in range(_ITERATIONS - 1):
        days = min(over_days(front, feed, use, today, days, lead_days).days_left.median, LONGEST_DAYS)
    return over_days(front, feed, use, today, days, lead_days)


def over_days(
    front: Front, feed: Season, use: Season, today: float, days: float, lead_days: float
) -> Forecast:
    """Return the forecast with the expected feed and use of the next ``days`` days. One iteration."""
    end = today + max(days, 1.0)
    coming: Expected = expected_in_season(feed, today, end)
    return forecast(front, coming, expected_in_season(use, today, end), lead_days)
