"""Finds feed and product cells whose plugs were exchanged, from a sudden change of both. Core.

Each cell keeps its own constant, and the exchanged cells are read with the constant of the other one. So the
product may still look good, while feed water flows into the reservoir. But both values change at once, in
opposite directions, and the rejection with them: no purifier and no supply does that.
"""

from dataclasses import dataclass

CHANGE = 1.5
"""Both values must change by this factor."""
WITHIN_S = 10.0
"""Changes are measured against a pair of values that is at least this old, so that slow probes are seen."""


@dataclass(frozen=True, slots=True)
class CellPair:
    """The values with which new ones are compared, in µS/cm."""

    product_us_cm: float
    feed_us_cm: float
    at: float


@dataclass(frozen=True, slots=True)
class Cells:
    """The state between readings: the pair to compare with, and the pair that will be next."""

    usual: CellPair | None = None
    next: CellPair | None = None
    exchanged: bool = False


def look(before: Cells, product_us_cm: float, feed_us_cm: float, now: float) -> Cells:
    """Compare the values of two sound probes with earlier ones.

    An exchange lasts until both values are near the earlier ones again, whatever either does meanwhile. While
    it lasts, the earlier values are kept.

    Args:
        before: the state that the last call returned, or ``Cells()``.
        product_us_cm: the conductivity of the product.
        feed_us_cm: the conductivity of the feed.
        now: monotonic seconds.
    """
    usual = before.usual
    if usual is not None:
        rises, falls = product_us_cm / usual.product_us_cm, usual.feed_us_cm / feed_us_cm
        if before.exchanged:
            came_back = max(rises, 1.0 / rises, falls, 1.0 / falls) < CHANGE
            if not came_back:
                return before
        elif (rises >= CHANGE and falls >= CHANGE) or (rises <= 1.0 / CHANGE and falls <= 1.0 / CHANGE):
            return Cells(usual, None, exchanged=True)
    latest = before.next
    if latest is None:
        latest = CellPair(product_us_cm, feed_us_cm, now)
        return Cells(usual or latest, latest)
    if now - latest.at < WITHIN_S and not before.exchanged:
        return before
    return Cells(latest, CellPair(product_us_cm, feed_us_cm, now))
