"""How pure the product was: percentiles and times over target and limit. Core.

Every litre counts the same: the percentiles are weighted by the litres that were made at each value. Where
no litres are known as they flow, every minute of a fill counts the same instead. A percentile is the smallest
value that so much of the water was at or under.

Months, weeks or days of local time, whichever suits the length of a report. Core.

Where the log has no reading: what the report cannot know. Core.

How many litres were made, roll-up by roll-up, and by which cartridge. Core.

The log carries the product made by the running cartridge so far. Between two roll-ups it rises by what was
made; it starts again at zero when a change of cartridge is recorded. A fall without such a record means that
the accounts of an earlier moment were taken up again (after a power cut, say): nothing was made by it.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import Enum

from bridge.history.records import CartridgeRow, Series
from bridge.history.rollup import HOUR_MS, Bucket, Cell

Local = Callable[[float], datetime]
"""From seconds of UTC to local time."""

_DAY_H = 24.0


class Grain(Enum):
    """The width of a period; the value is its word."""

    DAY = "day"
    WEEK = "week"
    MONTH = "month"


@dataclass(frozen=True, slots=True)
class Period:
    """One month, week or day, as far as it lies in the report."""

    key: str
    """``2026-06``, ``2026-W23`` or ``2026-06-01`` (ISO 8601)."""
    label: str


def grain_for(start_ms: int, end_ms: int) -> Grain:
    """Days up to three weeks, weeks up to a quarter, months beyond."""
    days = (end_ms - start_ms) / HOUR_MS / _DAY_H
    return Grain.DAY if days <= 22.0 else Grain.WEEK if days <= 95.0 else Grain.MONTH


def period_of(moment: datetime, grain: Grain) -> Period:
    """The period that a local moment lies in."""
    if grain is Grain.MONTH:
        return Period(f"{moment:%Y-%m}", f"{moment:%b %Y}")
    if grain is Grain.WEEK:
        year, week, _ = moment.isocalendar()
        monday = moment.date() - timedelta(days=moment.weekday())
        return Period(f"{year}-W{week:02d}", f"week of {monday:%d %b}")
    return Period(f"{moment:%Y-%m-%d}", f"{moment:%d %b}")


def periods(start_ms: int, end_ms: int, grain: Grain, local: Local) -> list[Period]:
    """Every period that the report touches, in order, those without a record too."""
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
        """How many."""
        return (self.end_ms - self.start_ms) / HOUR_MS


def gaps(hours_ms: Iterable[int], start_ms: int, end_ms: int) -> list[Gap]:
    """The stretches of at least an hour, from start to end, that no hour covers.

    :param hours_ms: the start of each hour with a reading, in order.
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
class Made:
    """What one cartridge made within one roll-up."""

    bucket: Bucket
    number: int
    """0 for the cartridge that was in at the start, one more after each change."""
    litres: float
    treated_l: float
    """Made by this cartridge so far, at the end of it."""


def made(buckets: Iterable[Bucket], changes: Sequence[CartridgeRow]) -> list[Made]:
    """Litres of each roll-up that knows of them; roll-ups of different widths may follow each other.

    :param buckets: in order of time, without overlap.
    :param changes: the cartridges changed within the same span, in order.
    """
    known = [(bucket, cell) for bucket in buckets if (cell := bucket.cells[Series.THROUGHPUT]) is not None]
    found: list[Made] = []
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
                # Never more than a reading has shown: the record alone moves no water.
                last = cell.greatest if treated_l is None else min(treated_l, cell.greatest)
            begin = end if end is not None else min(cell.least, last)
            found.append(Made(bucket, number, max(last - begin, 0.0), last))
            number += 1
            end = 0.0
            changed = changed or inside
        if changed:
            # Least and greatest belong to two cartridges; where the new one stands, the next roll-up says.
            now = 0.0 if following is None else min(following.least, cell.greatest)
            found.append(Made(bucket, number, now, now))
        else:
            litres, now = _risen(cell, end, following)
            found.append(Made(bucket, number, litres, now))
        end = now
    return found


def _risen(cell: Cell, end: float | None, following: Cell | None) -> tuple[float, float]:
    """Litres made without a change of cartridge, and where the account stands then."""
    begin = cell.least if end is None else end
    if cell.least >= begin:
        return cell.greatest - begin, cell.greatest
    if cell.greatest < begin:
        # It fell while nobody looked.
        return cell.greatest - cell.least, cell.greatest
    now = cell.least if following is None else min(max(following.least, cell.least), cell.greatest)
    return (cell.greatest - begin) + (now - cell.least), now


def flowing(hours: Sequence[Bucket], changes: Sequence[CartridgeRow]) -> set[int]:
    """The start of each hour in which something was made, so that it is worth a closer look."""
    return {one.bucket.start_ms for one in made(hours, changes) if one.litres > 0.0}


_MS_PER_H = 3_600_000.0


@dataclass(frozen=True, slots=True)
class Flow:
    """Product that flowed during one roll-up, a minute as a rule."""

    start_ms: int
    span_ms: int
    litres: float
    ppm: float
    """The mean of the roll-up."""


@dataclass(frozen=True, slots=True)
class Quality:
    """Values in ppm on the reservoir's own scale."""

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
    """The mean of the worst roll-up."""
    worst_ms: int
    target_h: float
    """Hours in which the product that flowed was at or over the target, those over the limit included."""
    limit_h: float
    target_l: float
    limit_l: float


def quality(flows: Sequence[Flow], target_ppm: float, limit_ppm: float, by_volume: bool) -> Quality | None:
    """The quality of what flowed; None when nothing did."""
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
    """For each share (0 to 1, rising) the smallest value that so much of the weight is at or under.

    :param ordered: at least one value, rising.
    """
    total = sum(weights)
    found: list[float] = []
    reached = 0.0
    for value, weight in zip(ordered, weights, strict=True):
        reached += weight
        # Sums of many floats miss an exact share by a hair.
        while len(found) < len(shares) and reached >= shares[len(found)] * total * (1.0 - 1e-12):
            found.append(value)
    found += [ordered[-1]] * (len(shares) - len(found))
    return tuple(found)


def _hours(flows: Sequence[Flow]) -> float:
    return sum(one.span_ms for one in flows) / _MS_PER_H
