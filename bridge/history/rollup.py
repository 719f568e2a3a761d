"""Selects the readings to store, and rolls all readings up into minutes and hours. Core.

A roll-up (bucket) holds the least, mean and greatest value of each series in a minute or an hour of UTC.
Readings come in the order of their stamps, so one bucket is open at a time.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from bridge.history.records import Bucket as Bucket
from bridge.history.records import Cell as Cell
from bridge.history.records import ReadingRow, Series, Values
from bridge.water.health import Health

MINUTE_MS = 60_000
HOUR_MS = 3_600_000


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
