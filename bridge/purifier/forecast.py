"""The forecast of a purifier: the litres and days left, with their intervals, and the time to order.

The posterior of the load at the crossing is converted to litres with the expected feed, which is uncertain
too, and to days with the expected use. The forecast of an exchange bed uses the feed and the use of the days
until its end.
"""

import math
from bisect import bisect_left
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import accumulate
from statistics import NormalDist

from bridge.errors import InputError
from bridge.purifier.breakthrough import Front
from bridge.purifier.grid import CELLS, SHELVES, SLOPES, WIDTHS, by_shape
from bridge.purifier.season import Expected, Season, expected_in_season
from bridge.units import plain

ORDER_CHANCE = 0.04
"""Order when the chance that the delivery comes more than a day after the crossing reaches this share.

The chance is taken over all cartridges of a kind, those that would have been exhausted by now included: a
chance among the survivors alone would let a few cartridges cross in every lead time, until many have.
"""

_LATE_DAYS = 1.0
"""A delivery that comes by so many days after the crossing does not count as late."""

_SPREAD_POINTS = ((-2.857, 0.01126), (-1.3556, 0.22208), (0.0, 0.53333), (1.3556, 0.22208), (2.857, 0.01126))
"""Gauss-Hermite quadrature: five values and weights with the moments of a normal."""

SHARES = (0.5, 0.1, 0.9, 0.025, 0.975)
"""The probabilities of median, low80, high80, low95 and high95 of an interval."""

_MARKS = (1e-9, *(NormalDist().cdf(0.15 * k) for k in range(-24, 25)), 1.0 - 1e-9)
"""Probabilities between which many cells are merged: even steps of a normal, to keep the tails."""

_SMALL = 1e-5
"""Shapes with a lower probability are ignored."""

_NO_MASS = 1e-12

CROSSING_SD = 0.4
"""Standard deviation of the crossing from the curve of its shape, in widths of the front."""
_CROSSING_POINTS = ((-1.732, 1 / 6), (0.0, 2 / 3), (1.732, 1 / 6))
_FAR = 1.732

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
class Forecast:
    """The forecast of a purifier.

    Attributes:
        litres_left: the litres of product until the crossing.
        days_left: the days until the crossing.
        dry_share_of_lead: the expected share of the lead time after the crossing.
        chance_late: the probability that what is ordered now comes more than a day after the crossing.
        order_now: True if the chance to be late is too high, or after the crossing.
        rests_on: the data behind the forecast, in words.
    """

    litres_left: Interval
    days_left: Interval
    dry_share_of_lead: float
    chance_late: float
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
    rests_on = f"{front.grid.prior.rests_on}; {seen}; feed {plain(feed.mean)} ± {plain(feed.sd, '.2g')} ppm"
    chance = _chance_of_kind(front, feed, use_l_per_day, lead_days)
    return from_cells(cells_left(front, feed), use_l_per_day, lead_days, rests_on, chance)


def _chance_of_kind(front: Front, feed: Expected, use_l_per_day: Expected, lead_days: float) -> float:
    """Return the share of cartridges of this kind that do not last from new until the delivery."""
    floor = 0.0 if math.isinf(front.floor_ppm) else front.floor_ppm
    points = [
        (front.applied_g + use * max(lead_days - _LATE_DAYS, 0.0) * max(ppm - floor, 0.0) / 1000.0, p * q)
        for ppm, p in _spread(feed)
        for use, q in _spread(use_l_per_day)
    ]
    below = front.grid.prior.chances_below(grams for grams, _ in points)
    return sum(chance * share for chance, (_, share) in zip(below, points, strict=True))


def from_cells(
    cells: list[Cell],
    use_l_per_day: Expected,
    lead_days: float,
    rests_on: str,
    chance_of_kind: float = 0.0,
    of_days: Sequence[Cell] = (),
) -> Forecast:
    """Return the forecast from a distribution of the litres left, a use and a lead time.

    Args:
        cells: the distribution of the litres left.
        use_l_per_day: the expected use.
        lead_days: the days from the order until the new cartridge is fitted.
        rests_on: the data behind the forecast, in words.
        chance_of_kind: the share of all purifiers of this kind that do not last until the delivery.
        of_days: the part of the distribution that is known in days and not in litres.

    Raises:
        InputError: If the lead time is negative.
    """
    if not (math.isfinite(lead_days) and lead_days >= 0.0):
        raise InputError(f"Forecast: a lead time of {lead_days:g} days; it must be zero or more.")
    few, days = gathered(cells), gathered(of_days)
    litres, of_use = list(few), list(days)
    for use, share in _spread(use_l_per_day):
        days.extend((low / use, high / use, weight * share) for low, high, weight in few)
        litres.extend((low * use, high * use, weight * share) for low, high, weight in of_use)
    total = sum(weight for _, _, weight in days)
    dry_days = sum(weight * _mean_below(low, high, lead_days) for low, high, weight in days) / total
    dry_share = dry_days / lead_days if lead_days > 0.0 else 0.0
    left = interval(days)
    deadline = lead_days - _LATE_DAYS
    late = sum(weight * _part_below(low, high, deadline) for low, high, weight in days if low < deadline)
    late = min(1.0, late / total)
    order = max(late, chance_of_kind) >= ORDER_CHANCE or left.high95 <= 0.0
    late = max(late, chance_of_kind)
    rests_on = f"{rests_on}; use {plain(use_l_per_day.mean)} ± {plain(use_l_per_day.sd, '.2g')} L/day"
    return Forecast(interval(litres), left, dry_share, late, order, rests_on)


def cells_left(front: Front, feed: Expected) -> list[Cell]:
    """Return the distribution of the litres until the product crosses the limit, with the expected feed.

    After the crossing all litres are zero. With a feed at or under the limit the product never crosses it.
    Then the result is the litres until nearly the whole feed breaks through.
    """
    if front.crossed is not None:
        return [(0.0, 0.0, 1.0)]
    floor = 0.0 if math.isinf(front.floor_ppm) else front.floor_ppm
    grams = grams_at_crossing(front, feed.mean).left(front.applied_g)
    litres: list[Cell] = []
    for ppm, share in _spread(feed):
        per_g = 1000.0 / max(ppm - floor, 1e-3 * feed.mean)
        litres.extend((low * per_g, high * per_g, weight * share) for low, high, weight in grams)
    return litres


@dataclass(frozen=True, slots=True)
class Crossing:
    """The distribution of the grams applied at the crossing, as cells that are even in ln(grams).

    Attributes:
        ln_low: the lower edge of the first cell, ln(grams).
        ln_step: the width of a cell.
        reached: the weight below each edge, from 0 on.
    """

    ln_low: float
    ln_step: float
    reached: tuple[float, ...]

    def left(self, applied_g: float) -> list[Cell]:
        """Return the grams left, in cells that do not overlap, given that the bed has not crossed yet."""
        begin = self._below(applied_g)
        ahead = self.reached[-1] - begin
        if ahead <= _NO_MASS * self.reached[-1]:
            # The bed has outlasted every cell of the grid: the crossing may come with each gram.
            return [(0.0, applied_g * math.expm1(self.ln_step), 1.0)]
        cells: list[Cell] = []
        at = before = 0.0
        for mark in _MARKS:
            here = max(self._quantile(begin + mark * ahead) - applied_g, at)
            if mark != _MARKS[0]:
                cells.append((at, here, mark - before))
            at, before = here, mark
        return cells

    def quantiles_left(self, applied_g: float, shares: Sequence[float]) -> list[float]:
        """Return quantiles of the grams left, given that the bed has not crossed yet."""
        begin = self._below(applied_g)
        ahead = self.reached[-1] - begin
        if ahead <= _NO_MASS * self.reached[-1]:
            return quantiles(self.left(applied_g), shares)
        return [max(self._quantile(begin + share * ahead) - applied_g, 0.0) for share in shares]

    def _below(self, grams: float) -> float:
        if grams <= 0.0:
            return 0.0
        place = min(max((math.log(grams) - self.ln_low) / self.ln_step, 0.0), len(self.reached) - 1.0)
        left = min(int(place), len(self.reached) - 2)
        return self.reached[left] + (place - left) * (self.reached[left + 1] - self.reached[left])

    def _quantile(self, target: float) -> float:
        i = min(bisect_left(self.reached, target, lo=1), len(self.reached) - 1)
        inside = self.reached[i] - self.reached[i - 1]
        place = i - 1 + ((target - self.reached[i - 1]) / inside if inside > 0.0 else 1.0)
        return math.exp(self.ln_low + place * self.ln_step)


def grams_at_crossing(front: Front, feed_ppm: float) -> Crossing:
    """Return the distribution of the grams applied at the crossing.

    On a logarithmic scale a shape only shifts the capacities, so all shapes are summed on one grid. The
    crossing itself deviates from the curve of a shape as every reading does: by the deviation of a residual
    times the width of the front.
    """
    grid = front.grid
    reach = max(feed_ppm, 1.05 * grid.limit_ppm)
    ln_open = math.log(reach / (reach - grid.limit_ppm))
    shifts = [math.log1p(slope * ln_open) / grid.ln_step for slope in SLOPES] + [0.0] * len(SHELVES)
    shares = by_shape(grid.weights)
    wide = [CROSSING_SD * width / grid.ln_step for width in WIDTHS]
    likely = [shape for shape, share in enumerate(shares) if share > _SMALL]
    margin = 1 + math.ceil(max(_FAR * wide[shape] for shape in likely))
    line = [0.0] * (CELLS + 2 + 2 * margin + math.ceil(max(shifts[shape] for shape in likely)))
    for shape in likely:
        row = grid.weights[shape * CELLS : (shape + 1) * CELLS]
        for offset, share in _CROSSING_POINTS:
            shift = margin + shifts[shape] + offset * wide[shape]
            whole = int(shift)
            part = shift - whole
            for k, weight in enumerate(row, start=whole):
                if weight:
                    line[k] += (1.0 - part) * share * weight
                    line[k + 1] += part * share * weight
    ln_low = grid.ln_low - (0.5 + margin) * grid.ln_step
    return Crossing(ln_low, grid.ln_step, tuple(accumulate(line, initial=0.0)))


def interval(cells: list[Cell]) -> Interval:
    """Return the median and the central intervals of a distribution in cells."""
    return Interval(*quantiles(cells, SHARES))


def gathered(cells: Sequence[Cell]) -> list[Cell]:
    """Return the same distribution in a few dozen cells that do not overlap."""
    if len(cells) < len(_MARKS):
        return list(cells)
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
    # Lognormal, so that a wide spread has no values at or below zero.
    ln_variance = math.log1p((expected.sd / expected.mean) ** 2)
    ln_sd = math.sqrt(ln_variance)
    return [
        (expected.mean * math.exp(offset * ln_sd - 0.5 * ln_variance), share)
        for offset, share in _SPREAD_POINTS
    ]


def _looked_up(values: list[float], reached: list[float], target: float) -> float:
    """Return the value at which ``target`` is reached, linear between the two values around it."""
    i = min(bisect_left(reached, target), len(reached) - 1)
    if i == 0 or reached[i] == reached[i - 1]:
        return values[i]
    share = min((target - reached[i - 1]) / (reached[i] - reached[i - 1]), 1.0)
    return values[i - 1] + share * (values[i] - values[i - 1])


def over_days(
    front: Front, feed: Season, use: Season, today: float, days: float, lead_days: float
) -> Forecast:
    """Return the forecast with the expected feed and use of the next ``days`` days. One iteration."""
    end = today + max(days, 1.0)
    coming: Expected = expected_in_season(feed, today, end)
    return forecast(front, coming, expected_in_season(use, today, end), lead_days)
