"""Periods, gaps, litres made and purity, from the means in the log. Core.

A report has months, weeks or days of local time, by its length.

Litres: the log has the total that the cartridge in use has treated. It rises by the water made, and starts
again at zero when a change of cartridge is recorded. A fall without such a record means that an older total
was restored, after a power cut for example, and counts as no water.

Purity: percentiles are weighted by litres. If the litres are not known during the flow, every minute of a
fill has the same weight instead. A percentile is the smallest value that this share of the water does not
exceed.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import Enum

from bridge.history.records import Bucket, CartridgeRow, Cell, Series
from bridge.history.rollup import HOUR_MS

Local = Callable[[float], datetime]
"""Converts seconds of UTC to local time."""

_DAY_H = 24.0


class Grain(Enum):
    """The width of a period; the value is its word."""

    DAY = "day"
    WEEK = "week"
    MONTH = "month"


@dataclass(frozen=True, slots=True)
class Period:
    """One month, week or day."""

    key: str
    """``2026-06``, ``2026-W23`` or ``2026-06-01`` (ISO 8601)."""
    label: str
    """``Jun 2026``, ``01 Jun`` for the week of this Monday, or ``01 Jun``."""


def grain_for(start_ms: int, end_ms: int) -> Grain:
    """Choose days up to three weeks, weeks up to a quarter, and months beyond."""
    days = (end_ms - start_ms) / HOUR_MS / _DAY_H
    return Grain.DAY if days <= 22.0 else Grain.WEEK if days <= 95.0 else Grain.MONTH


def period_of(moment: datetime, grain: Grain) -> Period:
    """Return the period of a local time."""
    if grain is Grain.MONTH:
        return Period(f"{moment:%Y-%m}", f"{moment:%b %Y}")
    if grain is Grain.WEEK:
        year, week, _ = moment.isocalendar()
        monday = moment.date() - timedelta(days=moment.weekday())
        return Period(f"{year}-W{week:02d}", f"{monday:%d %b}")
    return Period(f"{moment:%Y-%m-%d}", f"{moment:%d %b}")


def periods(start_ms: int, end_ms: int, grain: Grain, local: Local) -> list[Period]:
    """Return every period of the report in order, those without a record too."""
    found = {}
    for at_ms in [*range(start_ms, end_ms, 6 * HOUR_MS), end_ms - 1]:
        period = period_of(local(at_ms / 1000.0), grain)
        found[period.key] = period
    return list(found.values())


@dataclass(frozen=True, slots=True)
class Gap:
    """Whole hours without a reading."""

    start_ms: int
    end_ms: int

    @property
    def hours(self) -> float:
        """Length of the gap, hours."""
        return (self.end_ms - self.start_ms) / HOUR_MS


def gaps(hours_ms: Iterable[int], start_ms: int, end_ms: int) -> list[Gap]:
    """Find the gaps of at least an hour.

    Args:
        hours_ms: Start of each hour with a reading, in order.
        start_ms: Start of the report.
        end_ms: End of the report.

    Returns:
        The gaps, in order.
    """
    found = []
    covered_ms = start_ms
    for at_ms in hours_ms:
        if at_ms - covered_ms >= HOUR_MS:
            found.append(Gap(covered_ms, at_ms))
        covered_ms = max(covered_ms, at_ms + HOUR_MS)
    if end_ms - covered_ms >= HOUR_MS:
        found.append(Gap(covered_ms, end_ms))
    return found


@dataclass(frozen=True, slots=True)
class Production:
    """The water that one cartridge made within one minute or hour of the log."""

    bucket: Bucket
    number: int
    """0 for the cartridge in use at the start, one more after each change."""
    litres: float
    treated_l: float
    """Total of this cartridge at the end of the minute or hour."""


def production(buckets: Iterable[Bucket], changes: Sequence[CartridgeRow]) -> list[Production]:
    """Compute the litres made in each minute or hour that has a total.

    Args:
        buckets: Minutes and hours, mixed, in order of time and without overlap.
        changes: Changes of a cartridge within the same span, in order.

    Returns:
        The litres, in order; a minute or hour with a change has one value for each cartridge.
    """
    known = [(bucket, cell) for bucket in buckets if (cell := bucket.cells[Series.THROUGHPUT]) is not None]
    found: list[Production] = []
    end: float | None = None
    number = 0
    for i, (bucket, cell) in enumerate(known):
        after_ms = bucket.start_ms + bucket.span_ms
        following = known[i + 1][1] if i + 1 < len(known) else None
        changed = False
        while number < len(changes) and changes[number].stamp.utc_ms < after_ms:
            treated_l = changes[number].treated_l
            inside = changes[number].stamp.utc_ms >= bucket.start_ms
            last = end or 0.0
            if inside:
                # The record may be wrong, so a reading must have shown this total.
                last = cell.greatest if treated_l is None else min(treated_l, cell.greatest)
            begin = end if end is not None else min(cell.least, last)
            found.append(Production(bucket, number, max(last - begin, 0.0), last))
            number += 1
            end = 0.0
            changed = changed or inside
        if changed:
            # Least and greatest belong to two cartridges; the next mean has the total of the new one.
            now = 0.0 if following is None else min(following.least, cell.greatest)
            found.append(Production(bucket, number, now, now))
        else:
            litres, now = _risen(cell, end, following)
            found.append(Production(bucket, number, litres, now))
        end = now
    return found


def _risen(cell: Cell, end: float | None, following: Cell | None) -> tuple[float, float]:
    """Return the litres made without a change of cartridge, and the total after them."""
    begin = cell.least if end is None else end
    if cell.least >= begin:
        return cell.greatest - begin, cell.greatest
    if cell.greatest < begin:
        # The total fell between two readings.
        return cell.greatest - cell.least, cell.greatest
    now = cell.least if following is None else min(max(following.least, cell.least), cell.greatest)
    return (cell.greatest - begin) + (now - cell.least), now


def flowing(hours: Sequence[Bucket], changes: Sequence[CartridgeRow]) -> set[int]:
    """Return the start of each hour in which water was made, so that its minutes are read."""
    return {one.bucket.start_ms for one in production(hours, changes) if one.litres > 0.0}


@dataclass(frozen=True, slots=True)
class Flow:
    """Product that flowed during one minute, or one hour where no minutes are left."""

    start_ms: int
    span_ms: int
    litres: float
    ppm: float
    """The mean over this time."""


@dataclass(frozen=True, slots=True)
class Quality:
    """The purity of the product, in ppm on the reservoir's own scale."""

    by_volume: bool
    """Weighted by litres; else by time."""
    litres: float
    hours: float
    mean_ppm: float
    median_ppm: float
    p90_ppm: float
    p95_ppm: float
    p99_ppm: float
    worst_ppm: float
    """The mean of the worst minute or hour."""
    worst_ms: int
    target_h: float
    """Hours with product at or over the target, those over the limit included."""
    limit_h: float
    target_l: float
    limit_l: float


def quality(flows: Sequence[Flow], target_ppm: float, limit_ppm: float, by_volume: bool) -> Quality | None:
    """Compute the purity of the product; None without flow."""
    if not flows:
        return None
    ordered = sorted(flows, key=lambda one: one.ppm)
    by_volume = by_volume and any(one.litres > 0.0 for one in ordered)
    weights = [one.litres if by_volume else float(one.span_ms) for one in ordered]
    total = sum(weights)
    values = [one.ppm for one in ordered]
    median, p90, p95, p99 = percentiles(values, weights, (0.5, 0.9, 0.95, 0.99))
    worst = ordered[-1]
    over_target = [one for one in ordered if one.ppm >= target_ppm]
    over_limit = [one for one in over_target if one.ppm >= limit_ppm]
    return Quality(
        by_volume,
        sum(one.litres for one in ordered),
        _hours(ordered),
        sum(one.ppm * weight for one, weight in zip(ordered, weights, strict=True)) / total,
        median,
        p90,
        p95,
        p99,
        worst.ppm,
        worst.start_ms,
        _hours(over_target),
        _hours(over_limit),
        sum(one.litres for one in over_target),
        sum(one.litres for one in over_limit),
    )


def percentiles(
    ordered: Sequence[float], weights: Sequence[float], shares: Sequence[float]
) -> tuple[float, ...]:
    """Compute weighted percentiles.

    Args:
        ordered: At least one value, rising.
        weights: The weight of each value.
        shares: Shares of the weight, 0 to 1, rising.

    Returns:
        For each share the smallest value that this share of the weight does not exceed.
    """
    total = sum(weights)
    found: list[float] = []
    reached = 0.0
    for value, weight in zip(ordered, weights, strict=True):
        reached += weight
        # A sum of many floats can miss an exact share by rounding.
        while len(found) < len(shares) and reached >= shares[len(found)] * total * (1.0 - 1e-12):
            found.append(value)
    found += [ordered[-1]] * (len(shares) - len(found))
    return tuple(found)


def _hours(flows: Sequence[Flow]) -> float:
    return sum(one.span_ms for one in flows) / HOUR_MS
