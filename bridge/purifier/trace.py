"""A whole trace forecast row by row, each row from the rows up to it and nothing else."""

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from bridge.errors import InputError
from bridge.purifier.breakthrough import begin, observe
from bridge.purifier.capacity import RATING_SD, Capacity, estimate
from bridge.purifier.forecast import Expected, Interval, cells_left, interval


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
