"""Roll-ups: the smallest, mean and largest value of each series in a minute or an hour.

A bucket belongs to the span of UTC it starts; readings come in the order of their stamps, so one bucket
is open at a time and each reading costs the same whatever the bucket holds already.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from bridge.history.records import Series, Values
from bridge.water.health import Health

MINUTE_MS = 60_000
HOUR_MS = 3_600_000


@dataclass(frozen=True, slots=True)
class Cell:
    """One series in one bucket."""

    least: float
    mean: float
    greatest: float
    count: int


@dataclass(frozen=True, slots=True)
class Bucket:
    """All series of one reservoir over one span."""

    start_ms: int
    span_ms: int
    cells: tuple[Cell | None, ...]
    """In the order of :class:`Series`; None where no reading had a value."""
    count: int
    """Readings in the span, with or without values."""
    health: Health
    """The worst among them."""


class RollUp:
    """Takes readings in order, gives back each bucket when the first reading after it arrives."""

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
        """Take one reading; the bucket it closed, if it was the first of a later one.

        ``utc_ms`` must not decrease (the stamps see to that); an earlier one counts into the open bucket.
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
            if value is None:
                continue
            if value < least[i]:
                least[i] = value
            if value > greatest[i]:
                greatest[i] = value
            sums[i] += value
            counts[i] += 1
        return closed

    def close(self) -> Bucket | None:
        """The open bucket as it stands; None when it holds no reading."""
        if not self._count:
            return None
        cells = tuple(
            # The sum's rounding must not carry the mean outside what was measured.
            Cell(low, min(max(total / n, low), high), high, n) if n else None
            for low, total, high, n in zip(self._least, self._sum, self._greatest, self._counts, strict=True)
        )
        return Bucket(self._start, self._span, cells, self._count, self._health)


def merge(buckets: Sequence[Bucket], start_ms: int, span_ms: int) -> Bucket:
    """One bucket out of finer ones that lie in its span, at least one."""
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
