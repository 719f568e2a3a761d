"""The forecast for each row of a trace, from the rows up to it only.

:func:`forecast_trace` makes a complete forecast for each row. :func:`crossings` is faster for long traces. If
a reading does not change the grid, the posterior of the load at the crossing stays the same, and only the
progress of the bed changes. So :func:`crossings` calculates the distribution once for each state of the grid.
For each row it takes the quantiles beyond the grams applied so far and converts them to litres.
"""

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from bridge.errors import InputError
from bridge.purifier.breakthrough import Front, begin, observe
from bridge.purifier.cartridge import RATING_SD, Capacity, estimate
from bridge.purifier.forecast import SHARES, Crossing, Interval, cells_left, grams_at_crossing, interval
from bridge.purifier.grid import Grid
from bridge.purifier.season import Expected


@dataclass(frozen=True, slots=True)
class TraceRow:
    """One row of a trace: the litres treated since the cartridge was new, and the readings at that volume."""

    volume_l: float
    feed_ppm: float
    product_ppm: float


SWAPPED = "Trace: the feed is far below the product in most rows; check whether the two columns are swapped."


@dataclass(frozen=True, slots=True)
class TraceForecast:
    """The litres at which the product crosses the limit, as forecast at ``volume_l``."""

    volume_l: float
    crossing_l: Interval


def forecast_trace(
    rows: Iterable[TraceRow],
    capacity_g: float,
    limit_ppm: float,
    rating_sd: float = RATING_SD,
    prior: Capacity | None = None,
    feed_sd_share: float = 0.0,
) -> Iterator[TraceForecast]:
    """Forecast for each row the litres at which the product crosses the limit.

    The future feed is taken as the mean of the feed so far. After the crossing the result is the litres at
    which it happened.

    Args:
        rows: treated volume in litres since the cartridge was new, feed and product in ppm.
        capacity_g: rated grams on the scale of the trace.
        limit_ppm: the limit of the product.
        rating_sd: relative standard deviation of the rating.
        prior: the estimate from earlier cartridges, used instead of the rating.
        feed_sd_share: relative standard deviation of the future feed from the mean of the feed so far.

    Raises:
        InputError: If the volume of a row decreases, if a value is negative or missing, or if feed and
            product are swapped. The message about a row has its number, counted from one.
    """
    rows = tuple(rows)
    if swapped(rows):
        raise InputError(SWAPPED)
    front = begin(prior if prior is not None else estimate(capacity_g, (), rating_sd), limit_ppm)
    last_l = 0.0
    feed_litres = 0.0
    for number, row in enumerate(rows, start=1):
        _check(number, row, last_l)
        step_l = row.volume_l - last_l
        last_l = row.volume_l
        front = observe(front, step_l, row.feed_ppm, row.product_ppm)
        feed_litres += step_l * row.feed_ppm
        mean = max(feed_litres / last_l if last_l > 0.0 else row.feed_ppm, 1e-6)
        if front.crossed is not None:
            at = front.crossed.treated_l
            yield TraceForecast(row.volume_l, Interval(at, at, at, at, at))
        else:
            left = interval(cells_left(front, Expected(mean, feed_sd_share * mean)))
            yield TraceForecast(row.volume_l, left.shifted(row.volume_l))


def _check(number: int, row: TraceRow, last_l: float) -> None:
    values = (row.volume_l, row.feed_ppm, row.product_ppm)
    if not all(math.isfinite(value) and value >= 0.0 for value in values):
        raise InputError(f"Trace row {number}: a negative or missing number; all three must be zero or more.")
    if row.volume_l < last_l:
        raise InputError(
            f"Trace row {number}: volume {row.volume_l:g} L after {last_l:g} L; it must not run backwards."
        )


def swapped(rows: Iterable[TraceRow]) -> bool:
    """Return whether feed and product of a trace are swapped: the feed is far below the product in most rows.

    An exhausted bed lets everything through, and then noise or a falling feed puts single readings of the
    product over the feed.
    """
    count = below = 0
    for row in rows:
        count += 1
        below += 0.0 <= row.feed_ppm < _SWAPPED_SHARE * row.product_ppm
    return below > 0.5 * count


_SWAPPED_SHARE = 0.8
"""A feed under this share of the product is more than noise."""


_SAME_STRETCH = 1e-4
"""The mean feed counts as unchanged if it stretches the widest front by less than this share of the
capacity."""


def crossings(rows: Iterable[TraceRow], prior: Capacity, limit_ppm: float) -> Iterator[TraceForecast]:
    """Forecast for each row the litres at which the product crosses the limit, fast.

    The result is that of :func:`forecast_trace` with the same prior and without a deviation of the feed. The
    rows are not checked: volumes must not decrease, and no value may be negative.

    Args:
        rows: treated volume in litres since the cartridge was new, feed and product in ppm.
        prior: the capacity, in grams on the scale of the trace.
        limit_ppm: the limit of the product.

    Raises:
        InputError: If the limit is not above zero, or a value in a row is negative.
    """
    front = begin(prior, limit_ppm)
    last_l = feed_litres = 0.0
    known: _Known | None = None
    for row in rows:
        step_l = row.volume_l - last_l
        last_l = row.volume_l
        front = observe(front, step_l, row.feed_ppm, row.product_ppm)
        if front.crossed is not None:
            at = front.crossed.treated_l
            yield TraceForecast(row.volume_l, Interval(at, at, at, at, at))
            continue
        feed_litres += step_l * row.feed_ppm
        mean = max(feed_litres / last_l if last_l > 0.0 else row.feed_ppm, 1e-6)
        if known is None or not known.valid_for(front, mean):
            known = _Known(front.grid, _stretch(limit_ppm, mean), grams_at_crossing(front, mean))
        floor = 0.0 if math.isinf(front.floor_ppm) else front.floor_ppm
        per_g = 1000.0 / max(mean - floor, 1e-3 * mean)
        left = (grams * per_g for grams in known.crossing.quantiles_left(front.applied_g, SHARES))
        yield TraceForecast(row.volume_l, Interval(*left).shifted(row.volume_l))


@dataclass(frozen=True, slots=True)
class _Known:
    """The distribution of the grams at the crossing, and the state of the bed for which it is valid."""

    grid: Grid
    stretch: float
    crossing: Crossing

    def valid_for(self, front: Front, feed_ppm: float) -> bool:
        """Return whether the distribution is valid for this front."""
        if self.grid is not front.grid:
            return False
        return abs(self.stretch - _stretch(front.grid.limit_ppm, feed_ppm)) <= _SAME_STRETCH


def _stretch(limit_ppm: float, feed_ppm: float) -> float:
    """Return by how much a feed stretches a front of slope 1, relative to the capacity."""
    reach = max(feed_ppm, 1.05 * limit_ppm)
    return math.log(reach / (reach - limit_ppm))
