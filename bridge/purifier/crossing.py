"""A long trace forecast row by row at the cost of a glance for most rows.

Between two rows whose readings left the grid alone the posterior over the load at the crossing is the same,
and only how far along the bed is has changed. So its bounds are found once for each state of the grid, in
grams counted from a new bed; a row takes what is behind it off them and turns the rest into litres.
"""

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from bridge.errors import InputError
from bridge.purifier.breakthrough import Front, begin, observe
from bridge.purifier.capacity import Capacity
from bridge.purifier.forecast import Cell, Expected, Interval, cells_left
from bridge.purifier.grid import Grid
from bridge.purifier.trace import TraceForecast, TraceRow

_SHARES = (0.5, 0.1, 0.9, 0.025, 0.975)
"""Of an interval's median, low80, high80, low95 and high95."""
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


def quantiles(cells: Iterable[Cell], shares: Sequence[float]) -> list[float]:
    """The values below which these shares of a distribution lie that is spread evenly within each cell.

    The cells may overlap in any way: where they do, their densities add up.

    Raises:
        InputError: a share that does not lie between 0 and 1, or cells without any weight.
    """
    if not all(0.0 < share < 1.0 for share in shares):
        raise InputError(f"Quantiles: shares of {list(shares)}; each must lie between 0 and 1.")
    slopes: dict[float, float] = {}
    jumps: dict[float, float] = {}
    for low, high, weight in cells:
        if high > low:
            slopes[low] = slopes.get(low, 0.0) + weight / (high - low)
            slopes[high] = slopes.get(high, 0.0) - weight / (high - low)
        else:
            jumps[low] = jumps.get(low, 0.0) + weight
    edges = sorted(slopes.keys() | jumps.keys())
    # two for each edge: the share reached before it and, after a cell of no width there, beyond it
    values: list[float] = []
    reached: list[float] = []
    total = density = 0.0
    before = edges[0] if edges else 0.0
    for edge in edges:
        total += max(density, 0.0) * (edge - before)
        values += [edge, edge]
        reached += [total, total + jumps.get(edge, 0.0)]
        total = reached[-1]
        density += slopes.get(edge, 0.0)
        before = edge
    if not total > 0.0:
        raise InputError("Quantiles: the cells have no weight; at least one must be above zero.")
    return [_looked_up(values, reached, share * total) for share in shares]


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
    grams = tuple(litres / per_g for litres in quantiles(cells, _SHARES))
    return _Bounds(front.grid, _stretch(front.grid.limit_ppm, feed_ppm), grams)


def _stretch(limit_ppm: float, feed_ppm: float) -> float:
    """How a feed stretches a front of slope 1 between its capacity and what is brought to it."""
    reach = max(feed_ppm, 1.05 * limit_ppm)
    return math.log(reach / (reach - limit_ppm))


def _litres_per_g(front: Front, feed_ppm: float) -> float:
    floor = 0.0 if math.isinf(front.floor_ppm) else front.floor_ppm
    return 1000.0 / max(feed_ppm - floor, 1e-3 * feed_ppm)


def _looked_up(values: list[float], reached: list[float], target: float) -> float:
    """The value at which so much is reached, on a straight line between the two around it."""
    i = next((k for k, so_far in enumerate(reached) if so_far >= target), len(reached) - 1)
    if i == 0 or reached[i] == reached[i - 1]:
        return values[i]
    share = min((target - reached[i - 1]) / (reached[i] - reached[i - 1]), 1.0)
    return values[i - 1] + share * (values[i] - values[i - 1])
