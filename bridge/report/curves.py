"""The cartridges within a report and their curves: the product hour by hour over the litres treated. Core."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from bridge.history.records import Bucket, CartridgeRow, Series
from bridge.history.rollup import HOUR_MS
from bridge.purifier.cartridge import Evidence
from bridge.report.water import Production

STANDING_L = 2.0
"""Litres after a pause that do not count: they are standing water (common practice, no source)."""
PAUSE_MS = 1_800_000
"""A longer time without flow is a pause."""


@dataclass(frozen=True, slots=True)
class Point:
    """One point of a curve: an hour with flow within the report, or a day before it."""

    start_ms: int
    treated_l: float
    """Since the cartridge was new, at the end of the hour."""
    litres: float
    product_ppm: float
    feed_ppm: float | None
    celsius: float | None


@dataclass(frozen=True, slots=True)
class CartridgeHistory:
    """One cartridge within the report."""

    number: int
    fitted_ms: int | None
    """None if the log has no record of it."""
    changed: CartridgeRow | None
    """The record of its removal; None while it is in use."""
    points: tuple[Point, ...]
    past: tuple[Point, ...]
    """Days before the report, for a cartridge that was fitted before it."""
    earlier: tuple[Evidence, ...]
    """The final loads of the cartridges before it, as known when it was fitted."""
    litres: float
    """Made by it within the report."""


@dataclass(slots=True)
class _Hour:
    start_ms: int
    treated_l: float
    all: list[tuple[float, float]]
    """Litres and product."""
    settled: list[tuple[float, float]]
    feed: list[tuple[float, float]]
    warm: list[tuple[float, float]]

    def point(self) -> Point:
        litres = sum(litres for litres, _ in self.all)
        product = _mean(self.settled) if self.settled else _mean(self.all)
        assert product is not None
        return Point(self.start_ms, self.treated_l, litres, product, _mean(self.feed), _mean(self.warm))


def points(pieces: Iterable[Production], feed_ppm: float | None) -> dict[int, list[Point]]:
    """Compute the curves.

    Args:
        pieces: The water made, in order.
        feed_ppm: The feed, ppm, where the log has none.

    Returns:
        By the cartridge's number, a point for each hour with flow and a known product.
    """
    found: dict[int, list[Point]] = {}
    hour: _Hour | None = None
    at: tuple[int, int] | None = None
    since_l, last_ms = 0.0, 0
    for one in pieces:
        bucket = one.bucket
        product = bucket.cells[Series.PRODUCT_PPM]
        if one.litres <= 0.0 or product is None:
            continue
        key = (one.number, bucket.start_ms // HOUR_MS)
        continues = bucket.start_ms - last_ms <= PAUSE_MS and at is not None and at[0] == one.number
        if hour is not None and continues and not hour.settled:
            # The fill has had standing water only, so its litres so far join the next hour.
            at = key
        if key != at:
            if hour is not None and at is not None:
                found.setdefault(at[0], []).append(hour.point())
            if at is None or at[0] != one.number:
                since_l = 0.0
            hour, at = _Hour(bucket.start_ms - bucket.start_ms % HOUR_MS, 0.0, [], [], [], []), key
        assert hour is not None
        since_l = one.litres + (since_l if bucket.start_ms - last_ms <= PAUSE_MS else 0.0)
        last_ms = bucket.start_ms + bucket.span_ms
        hour.treated_l = one.treated_l
        hour.all.append((one.litres, product.mean))
        if since_l > STANDING_L:
            hour.settled.append((one.litres, product.mean))
        feed, warm = bucket.cells[Series.FEED_PPM], bucket.cells[Series.TEMPERATURE]
        if feed is not None or feed_ppm is not None:
            hour.feed.append((one.litres, feed.mean if feed is not None else feed_ppm or 0.0))
        if warm is not None:
            hour.warm.append((one.litres, warm.mean))
    if hour is not None and at is not None:
        found.setdefault(at[0], []).append(hour.point())
    return found


def past_points(days: Sequence[Sequence[Bucket]], feed_ppm: float | None) -> tuple[Point, ...]:
    """Compute the points before the report.

    The litres of a point are those since the point before, so that their sum is the litres treated. A day's
    product is the best of its hours, because an hourly mean includes standing water. When the total of litres
    falls, the points before belong to another cartridge and are dropped.

    Args:
        days: The hours of some days, in order.
        feed_ppm: The feed, ppm, where the log has none.

    Returns:
        A point for each day with flow.
    """
    found: list[Point] = []
    for hours in days:
        treated = [cell for one in hours if (cell := one.cells[Series.THROUGHPUT]) is not None]
        if not treated:
            continue
        at_l = treated[-1].greatest
        if found and at_l < found[-1].treated_l:
            found.clear()
        before_l = found[-1].treated_l if found else 0.0
        product = [
            cell.least
            for one in hours
            if (cell := one.cells[Series.PRODUCT_PPM]) is not None
            and (through := one.cells[Series.THROUGHPUT]) is not None
            and through.greatest > through.least
        ]
        feeds = [cell.mean for one in hours if (cell := one.cells[Series.FEED_PPM]) is not None]
        warm = [cell.mean for one in hours if (cell := one.cells[Series.TEMPERATURE]) is not None]
        if not product or at_l <= before_l:
            continue
        feed = sum(feeds) / len(feeds) if feeds else feed_ppm
        found.append(
            Point(
                hours[-1].start_ms,
                at_l,
                at_l - before_l,
                min(product),
                feed,
                sum(warm) / len(warm) if warm else None,
            )
        )
    return tuple(found)


def cartridge_histories(
    pieces: Sequence[Production],
    changes: Sequence[CartridgeRow],
    before: Sequence[CartridgeRow],
    evidence: Sequence[Evidence],
    past: tuple[Point, ...],
    feed_ppm: float | None,
) -> list[CartridgeHistory]:
    """Find every cartridge in use within the report.

    Args:
        pieces: The water made, in order.
        changes: Changes of a cartridge within the report.
        before: Changes of a cartridge before it.
        evidence: The final load of each changed cartridge, before and within the report.
        past: Points before the report, for the cartridge in use at its start.
        feed_ppm: The feed, ppm, where the log has none.

    Returns:
        The cartridges, in order.
    """
    curve = points(pieces, feed_ppm)
    known = len(evidence) - sum(1 for row in changes if row.load_g)
    found = []
    fitted_ms = before[-1].stamp.utc_ms if before else None
    for number in range(len(changes) + 1):
        changed = changes[number] if number < len(changes) else None
        litres = sum(one.litres for one in pieces if one.number == number)
        own = tuple(curve.get(number, ()))
        earlier = tuple(evidence[:known])
        found.append(
            CartridgeHistory(number, fitted_ms, changed, own, past if number == 0 else (), earlier, litres)
        )
        if changed is not None:
            fitted_ms = changed.stamp.utc_ms
            known += 1 if changed.load_g else 0
    return [one for one in found if one.points or one.litres > 0.0 or one.changed is None]


def thinned(curve: Sequence[Point], most: int = 300) -> list[Point]:
    """Reduce a curve to about ``most`` points; it keeps the last one and each rise to a new maximum."""
    step = max(1, len(curve) // most)
    kept = []
    highest = 0.0
    for i, point in enumerate(curve):
        if i % step == 0 or i == len(curve) - 1 or point.product_ppm > 1.05 * highest:
            kept.append(point)
        highest = max(highest, point.product_ppm)
    return kept


def joined(history: CartridgeHistory) -> tuple[Point, ...]:
    """Join the points before and within the report; the litres of the first hour start at the past's end."""
    if not history.past or not history.points:
        return history.past + history.points
    first = history.points[0]
    gap_l = max(first.treated_l - history.past[-1].treated_l, 0.0)
    return (*history.past, replace(first, litres=gap_l), *history.points[1:])


def _mean(pairs: Sequence[tuple[float, float]]) -> float | None:
    total = sum(weight for weight, _ in pairs)
    return sum(weight * value for weight, value in pairs) / total if total > 0.0 else None
