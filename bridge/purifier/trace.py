"""A whole trace forecast row by row, each row from the rows up to it and nothing else.

A long trace forecast row by row at the cost of a glance for most rows.

Between two rows whose readings left the grid alone the posterior over the load at the crossing is the same,
and only how far along the bed is has changed. So its bounds are found once for each state of the grid, in
grams counted from a new bed; a row takes what is behind it off them and turns the rest into litres.
"""

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

from bridge.errors import InputError
from bridge.purifier.breakthrough import Front, begin, observe
from bridge.purifier.capacity import RATING_SD, Capacity, estimate
from bridge.purifier.forecast import SHARES, Expected, Interval, cells_left, interval, quantiles
from bridge.purifier.grid import Grid


@dataclass(frozen=True, slots=True)
class TraceRow:
    """Litres treated since the cartridge was new, and the readings there."""

    volume_l: float
    feed_ppm: float
    product_ppm: float


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
    """For each row the litres at which the product crosses the limit.

    The feed to come is taken as the mean of the feed so far. Once the product has crossed, the figure is
    the litres at which it did.

    Args:
        rows: volume treated (litres, from the cartridge's first), feed and product in ppm.
        capacity_g: rated grams on the scale of the trace, with the relative deviation ``rating_sd``.
        limit_ppm: the product's limit.
        prior: what earlier cartridges taught, in place of the rating.
        feed_sd_share: relative deviation of the feed to come against the mean of the feed so far.

    Raises:
        InputError: a row whose volume runs backwards, whose feed is below its product, or with a value that
            is negative or missing; the message gives the row's number, counted from one.
    """
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
    if row.feed_ppm < row.product_ppm:
        raise InputError(
            f"Trace row {number}: the feed ({row.feed_ppm:g} ppm) is below the product "
            f"({row.product_ppm:g} ppm); check whether the two columns are swapped."
        )


_SAME_STRETCH = 1e-4
"""A mean feed that stretches the widest front by less than this share of the capacity counts as unchanged."""


def crossings(rows: Iterable[TraceRow], prior: Capacity, limit_ppm: float) -> Iterator[TraceForecast]:
    """For each row the litres at which the product crosses the limit, from the rows up to it.

    As ``forecast_trace`` with the same prior and a feed to come that is the mean of the feed so far; the rows
    are taken to be right (volumes that do not run backwards, feeds not below their products). Once the
    product has crossed, the figure is the litres at which it did.

    Args:
        rows: volume treated (litres, from the cartridge's first), feed and product in ppm.
        prior: what is known of the capacity, in grams on the scale of the trace.
        limit_ppm: the product's limit.

    Raises:
        InputError: a limit that is not above zero, or a negative value in a row.
    """
    front = begin(prior, limit_ppm)
    last_l = feed_litres = 0.0
    known: _Bounds | None = None
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
        if known is None or not known.hold_for(front, mean):
            known = _bounds(front, mean)
        per_g = _litres_per_g(front, mean)
        left = (max(grams - front.applied_g, 0.0) * per_g for grams in known.grams)
        yield TraceForecast(row.volume_l, Interval(*left).shifted(row.volume_l))


@dataclass(frozen=True, slots=True)
class _Bounds:
    """The bounds of the grams at the crossing, with the state of the bed that they hold for."""

    grid: Grid
    stretch: float
    grams: tuple[float, ...]

    def hold_for(self, front: Front, feed_ppm: float) -> bool:
        """Whether they are still those of this front."""
        if self.grid is not front.grid:
            return False
        return abs(self.stretch - _stretch(front.grid.limit_ppm, feed_ppm)) <= _SAME_STRETCH


def _bounds(front: Front, feed_ppm: float) -> _Bounds:
    cells = cells_left(replace(front, applied_g=0.0), Expected(feed_ppm, 0.0))
    per_g = _litres_per_g(front, feed_ppm)
    grams = tuple(litres / per_g for litres in quantiles(cells, SHARES))
    return _Bounds(front.grid, _stretch(front.grid.limit_ppm, feed_ppm), grams)


def _stretch(limit_ppm: float, feed_ppm: float) -> float:
    """How a feed stretches a front of slope 1 between its capacity and what is brought to it."""
    reach = max(feed_ppm, 1.05 * limit_ppm)
    return math.log(reach / (reach - limit_ppm))


def _litres_per_g(front: Front, feed_ppm: float) -> float:
    floor = 0.0 if math.isinf(front.floor_ppm) else front.floor_ppm
    return 1000.0 / max(feed_ppm - floor, 1e-3 * feed_ppm)
