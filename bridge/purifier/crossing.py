"""A long trace forecast row by row at the cost of a glance for most rows.

Between two rows whose readings left the grid alone the posterior over the load at the crossing is the same,
and only how far along the bed is has changed. So its bounds are found once for each state of the grid, in
grams counted from a new bed; a row takes what is behind it off them and turns the rest into litres.
"""

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

from bridge.purifier.breakthrough import Front, begin, observe
from bridge.purifier.capacity import Capacity
from bridge.purifier.forecast import SHARES, Expected, Interval, cells_left, quantiles
from bridge.purifier.grid import Grid
from bridge.purifier.trace import TraceForecast, TraceRow

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
