"""Selects the readings to store, and rolls all readings up into minutes and hours. Core.

A roll-up (bucket) holds the least, mean and greatest value of each series in a minute or an hour of UTC.
Readings come in the order of their stamps, so one bucket is open at a time.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from bridge.history.records import Bucket as Bucket
from bridge.history.records import Cell as Cell
from bridge.history.records import ReadingRow, Series, Values
from bridge.water.health import Health

MINUTE_MS = 60_000
HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS


@dataclass(frozen=True, slots=True)
class DeadBand:
    """The change that a series must exceed before its reading is stored: the larger of the two parts."""

    absolute: float
    relative: float = 0.0


DEAD_BANDS: dict[Series, DeadBand] = {
    Series.TEMPERATURE: DeadBand(0.5),
    Series.PRODUCT_PPM: DeadBand(0.5, 0.05),
    Series.FEED_PPM: DeadBand(10.0, 0.05),
    Series.VOLUME: DeadBand(2.0, 0.01),
    Series.RESERVOIR_PPM: DeadBand(0.5, 0.05),
    Series.THROUGHPUT: DeadBand(5.0),
}
"""The other series are functions of these."""
_BANDS = tuple((int(series), band.absolute, band.relative) for series, band in DEAD_BANDS.items())


class ByException:
    """Selects the readings of one reservoir that are stored.

    A reading is stored if a series left its dead band since the last stored reading, if its path, health or
    set of values is new, and at least once a minute.
    """

    def __init__(self) -> None:
        self._last: ReadingRow | None = None
        self._values: Values = ()

    def keeps(self, row: ReadingRow) -> bool:
        """Take the next reading and return whether to store it."""
        if self._moved(row):
            self._last, self._values = row, row.values
            return True
        return False

    def _moved(self, row: ReadingRow) -> bool:
        last = self._last
        if (
            last is None
            or row.path is not last.path
            or row.health is not last.health
            or row.stamp.utc_ms - last.stamp.utc_ms >= MINUTE_MS
            or row.stamp.boot != last.stamp.boot
        ):
            return True
        values = row.values
        for series, absolute, relative in _BANDS:
            old, new = self._values[series], values[series]
            if old is None or new is None:
                if old is not new:
                    return True
            elif not abs(new - old) <= max(absolute, relative * abs(old)):
                return True
        return False


class RollUp:
    """Collects readings into buckets.

    Args:
        span_ms: the length of a bucket.
    """

    def __init__(self, span_ms: int) -> None:
        self._span = span_ms
        self._begin(-1)

    def _begin(self, start_ms: int) -> None:
        width = len(Series)
        self._start = start_ms
        self._least = [math.inf] * width
        self._greatest = [-math.inf] * width
        self._sum = [0.0] * width
        self._counts = [0] * width
        self._count = 0
        self._health = Health.GOOD

    def add(self, utc_ms: int, values: Values, health: Health) -> Bucket | None:
        """Add one reading.

        Args:
            utc_ms: its time. An earlier time than that of the last reading counts into the open bucket.
            values: its series.
            health: its worst class.

        Returns:
            The bucket before it, if this reading is the first of a new bucket.
        """
        closed: Bucket | None = None
        if utc_ms >= self._start + self._span or self._start < 0:
            closed = self.close()
            self._begin(utc_ms - utc_ms % self._span)
        self._count += 1
        if health > self._health:
            self._health = health
        least, greatest, sums, counts = self._least, self._greatest, self._sum, self._counts
        for i, value in enumerate(values):
            # Infinity and NaN are left out: only for them is this difference not 0.
            if value is None or value - value != 0.0:
                continue
            if value < least[i]:
                least[i] = value
            if value > greatest[i]:
                greatest[i] = value
            sums[i] += value
            counts[i] += 1
        return closed

    def over(self, utc_ms: int) -> Bucket | None:
        """Close and return the open bucket if it has ended by this time and is not empty."""
        if not self._count or utc_ms < self._start + self._span:
            return None
        closed = self.close()
        self._begin(-1)
        return closed

    def close(self) -> Bucket | None:
        """Return the open bucket; None if it is empty."""
        if not self._count:
            return None
        cells = tuple(
            # Rounding of the sum must not move the mean out of the measured range.
            Cell(low, min(max(total / n, low), high), high, n) if n else None
            for low, total, high, n in zip(self._least, self._sum, self._greatest, self._counts, strict=True)
        )
        return Bucket(self._start, self._span, cells, self._count, self._health)


def merge(buckets: Sequence[Bucket], start_ms: int, span_ms: int) -> Bucket:
    """Merge at least one shorter bucket into one bucket.

    Args:
        buckets: buckets within the span.
        start_ms: the start of the span.
        span_ms: its length.
    """
    cells: list[Cell | None] = []
    for i in range(len(Series)):
        parts = [cell for bucket in buckets if (cell := bucket.cells[i]) is not None]
        if not parts:
            cells.append(None)
            continue
        count = sum(part.count for part in parts)
        low, high = min(part.least for part in parts), max(part.greatest for part in parts)
        mean = math.fsum(part.mean * part.count for part in parts) / count
        cells.append(Cell(low, min(max(mean, low), high), high, count))
    worst = max(bucket.health for bucket in buckets)
    return Bucket(start_ms, span_ms, tuple(cells), sum(bucket.count for bucket in buckets), worst)


@dataclass(frozen=True, slots=True)
class Group:
    """Some following minutes or hours of one reservoir."""

    start_ms: int
    cells: tuple[Cell | None, ...]
    """One for each series that was asked for."""
    through_l: float
    """The product that was made in this time."""


@dataclass(frozen=True, slots=True)
class Grouping:
    """What to group.

    Args:
        span_ms: the minutes or the hours of the log.
        width_ms: the length of a group.
        offset_ms: added to the time of a row before it is grouped, such as the offset of a time zone.
        series: the series that are wanted.
        flowing: those of them that count only in the minutes or hours in which product was made.
    """

    span_ms: int
    width_ms: int
    series: tuple[Series, ...] = ()
    flowing: frozenset[Series] = frozenset()
    offset_ms: int = 0


def groups_of(buckets: Iterable[Bucket], wanted: Grouping, before_l: float | None = None) -> list[Group]:
    """Group buckets by the same rule as :func:`bridge.history.reader.stored_groups`.

    Args:
        buckets: in order.
        wanted: what to group.
        before_l: the counter of the product before the first one; None if it is not known.
    """
    groups: list[Group] = []
    for bucket in buckets:
        through = bucket.cells[Series.THROUGHPUT]
        made_l, flowed = 0.0, True
        if through is not None:
            begin_l = through.least if before_l is None else before_l
            began_again = through.greatest < begin_l
            made_l = through.greatest - (through.least if began_again else begin_l)
            flowed = began_again or made_l > 0.0
        before_l = None if through is None else through.greatest
        number = (bucket.start_ms + wanted.offset_ms) // wanted.width_ms
        cells = tuple(
            [
                bucket.cells[series] if flowed or series not in wanted.flowing else None
                for series in wanted.series
            ]
        )
        groups.append(Group(number * wanted.width_ms - wanted.offset_ms, cells, made_l))
    return joined(groups)


def joined(groups: Sequence[Group]) -> list[Group]:
    """Join following groups that have the same start."""
    made: list[Group] = []
    for group in groups:
        if made and made[-1].start_ms == group.start_ms:
            last = made.pop()
            cells = tuple([_join(one, other) for one, other in zip(last.cells, group.cells, strict=True)])
            group = Group(group.start_ms, cells, math.fsum((last.through_l, group.through_l)))
        made.append(group)
    return made


def _join(one: Cell | None, other: Cell | None) -> Cell | None:
    if one is None or other is None:
        return one or other
    count = one.count + other.count
    mean = (one.mean * one.count + other.mean * other.count) / count
    return Cell(min(one.least, other.least), mean, max(one.greatest, other.greatest), count)
