"""The front of an exchange bed: the product of the running cartridge narrows the estimate of its capacity.

While the product is pure, the only evidence is that the front has not broken through, and the estimate is
mostly the prior. When the product rises, the shape of the rise counts. The cost of an update is independent
of the age of the cartridge.
"""

import math
from dataclasses import dataclass, replace

from bridge.errors import InputError, OutOfRangeError
from bridge.purifier.cartridge import Capacity, Load, add
from bridge.purifier.grid import RESOLUTION_SHARE, Grid, Reading, blank, weigh

_NEW = Load()
_E_FOLD_SHARE = 0.5
_FLOOR_SHARE = 0.02
_RISE_SHARE = 0.04
_GATE = 0.2
"""A reading enters the grid only after this share of an e-fold since the last one."""


@dataclass(frozen=True, slots=True)
class Front:
    """The progress of an exchange bed. Grams and ppm are on the scale of the limit.

    Attributes:
        grid: the posterior of capacity and shape.
        load: the load of the bed.
        applied_g: the grams brought to the bed.
        feed_ppm: the mean feed over about the last tenth of the capacity.
        floor_ppm: the product while the front is far away; infinite before the first reading.
        unused_g: the grams since the last reading in the grid.
        last_product_ppm: the product of the last reading in the grid.
        crossed: the load at which the product first reached the limit; None before.
    """

    grid: Grid
    load: Load = _NEW
    applied_g: float = 0.0
    feed_ppm: float = 0.0
    floor_ppm: float = math.inf
    unused_g: float = 0.0
    last_product_ppm: float = 0.0
    crossed: Load | None = None

    @property
    def risen(self) -> bool:
        """True if the product is at least 4 % of the limit above the floor of the bed."""
        floor = 0.0 if math.isinf(self.floor_ppm) else self.floor_ppm
        return self.last_product_ppm >= floor + _RISE_SHARE * self.grid.limit_ppm


def begin(prior: Capacity, limit_ppm: float) -> Front:
    """Return the front of a new bed.

    Args:
        prior: the capacity, as far as it is known.
        limit_ppm: the limit of the product.

    Raises:
        InputError: If the limit is not above zero.
    """
    if not (math.isfinite(limit_ppm) and limit_ppm > 0.0):
        raise InputError(f"Front: a limit of {limit_ppm:g} ppm; it must be above zero.")
    return Front(blank(prior, limit_ppm))


def observe(
    front: Front, volume_l: float, feed_ppm: float, product_ppm: float, standing: bool = False
) -> Front:
    """Return the front after ``volume_l`` more litres with this feed and product.

    A product above the feed counts as the feed. Most calls only add to the load. The grid is updated when the
    load or the product has changed enough.

    Args:
        front: the front before.
        volume_l: the litres since the last call.
        feed_ppm: the feed.
        product_ppm: the product.
        standing: True for the first water after a stop, which adds to the load only.

    Raises:
        OutOfRangeError: If a value is negative or not finite.
    """
    if not (math.isfinite(product_ppm) and product_ppm >= 0.0):
        raise OutOfRangeError(f"Front: a product of {product_ppm} ppm; it must be zero or more.")
    load = add(front.load, volume_l, feed_ppm, min(product_ppm, feed_ppm))
    if front.crossed is not None:
        return replace(front, load=load)
    if standing:
        floor = 0.0 if math.isinf(front.floor_ppm) else front.floor_ppm
        gained = max(feed_ppm - floor, 0.0) * volume_l / 1000.0
        return replace(front, load=load, applied_g=front.applied_g + gained)
    if product_ppm >= front.grid.limit_ppm:
        return replace(front, load=load, crossed=_crossing(front, load, product_ppm))
    floor = min(product_ppm, front.floor_ppm)
    gained = max(feed_ppm - floor, 0.0) * volume_l / 1000.0
    typical = front.grid.typical_g
    share = min(1.0, gained / (0.1 * typical)) if front.feed_ppm else 1.0
    applied = front.applied_g + gained
    mean_feed = front.feed_ppm + share * (feed_ppm - front.feed_ppm)
    floor = _floor(front, product_ppm, gained)
    unused = front.unused_g + gained
    resolution = RESOLUTION_SHARE * front.grid.limit_ppm
    changed = abs(math.log((product_ppm + resolution) / (front.last_product_ppm + resolution)))
    by_load = unused / (_E_FOLD_SHARE * front.grid.spread * typical)
    by_change = changed / _E_FOLD_SHARE
    grid, last = front.grid, front.last_product_ppm
    if by_load >= _GATE or by_change >= 1.0:
        reading = Reading(applied, mean_feed, feed_ppm, floor, product_ppm)
        grid, unused, last = weigh(grid, reading, unused), 0.0, product_ppm
    return Front(grid, load, applied, mean_feed, floor, unused, last)


def reopened(front: Front) -> Front:
    """Return the front without its crossing, because the product is under the limit again."""
    if front.crossed is None:
        return front
    return replace(front, crossed=None, applied_g=max(front.applied_g, front.load.taken_up_g))


def _floor(front: Front, product_ppm: float, gained_g: float) -> float:
    """Return the next floor. It follows the product down at once, and up slowly and only near the product."""
    floor = front.floor_ppm
    if product_ppm <= floor:
        return product_ppm
    if product_ppm - floor > _FLOOR_SHARE * front.grid.limit_ppm:
        return floor
    return floor + min(1.0, gained_g / (0.3 * front.grid.typical_g)) * (product_ppm - floor)


def _crossing(front: Front, load: Load, product_ppm: float) -> Load:
    """Return the load at the crossing between the last reading and this one, on an exponential rise."""
    before = max(front.last_product_ppm, 1e-3)
    if front.load.treated_l == 0.0 or before >= front.grid.limit_ppm:
        return load
    rise = math.log(product_ppm / before)
    share = math.log(front.grid.limit_ppm / before) / rise if rise > 0.0 else 1.0
    treated = front.load.treated_l + share * (load.treated_l - front.load.treated_l)
    taken_up = front.load.taken_up_g + share * (load.taken_up_g - front.load.taken_up_g)
    return Load(treated, taken_up)
