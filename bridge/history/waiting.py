"""The settings of a log, and the rows that wait for the disk within their bounds. Core."""

from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from bridge.history.records import (
    CommandRow,
    EventRow,
    ForecastRow,
    MinuteRow,
    ReadingRow,
    Row,
    StateRow,
)

COMMIT_S = 5.0
"""The longest time that a row waits for its commit."""


@dataclass(frozen=True, slots=True)
class OutboxSettings:
    """The settings of the outbox for the hub's log."""

    every_s: float = 10.0
    """At most one reading is sent in each slot of this length, and every reading with a new path or health.
    0 sends all stored readings."""
    pack_rows: int = 60
    """Maximum number of rows in one parcel."""
    limit_bytes: int = 32 * 2**20
    """Maximum size of the unacknowledged readings, over all reservoirs."""
    alert_fraction: float = 0.8

    @property
    def look_s(self) -> float:
        """Seconds between two looks for new readings.

        A reading waits up to ``COMMIT_S`` for its commit, and the rest of ``every_s`` for the look.
        """
        return max(1.0, min(self.every_s - COMMIT_S - 1.0, 60.0))


@dataclass(frozen=True, slots=True)
class LogSettings:
    """The settings of one log; the defaults suit a memory card."""

    raw_days: int = 14
    minute_days: int = 5 * 366
    hour_days: int = 20 * 366
    entry_days: int = 20 * 366
    most_waiting: int = 7200
    """Maximum number of readings in memory while the file cannot be written, over all reservoirs. The oldest
    are dropped first."""
    most_entries: int = 20_000
    """Maximum number of other rows in memory. The oldest events are dropped first, then the oldest refused
    commands, then the oldest minutes and forecasts, and nothing else."""
    outbox: OutboxSettings | None = field(default_factory=OutboxSettings)
    """None if there is no hub's log."""


@dataclass(slots=True)
class Batch:
    """The rows of one call."""

    rows: Sequence[Row]
    durable: bool
    done: Callable[[bool], None] | None
    at_s: float


@dataclass(slots=True)
class Waiting:
    """The rows that are not in the file yet, in order and within their bounds."""

    settings: LogSettings
    batches: deque[Batch] = field(default_factory=deque)
    lost_readings: int = 0
    lost_entries: int = 0

    def rows(self) -> list[Row]:
        """Return all rows, in order."""
        return [row for batch in self.batches for row in batch.rows]

    def refuse(self) -> None:
        """Report to every caller that waits for the disk that it does not respond."""
        for batch in self.batches:
            if batch.done is not None:
                done, batch.done = batch.done, None
                done(False)

    def bound(self) -> None:
        """Drop rows that exceed the bounds: readings; events, then refused commands, then minutes."""
        self.refuse()
        rows = self.rows()
        newest = {row.key: row for row in rows if isinstance(row, StateRow)}
        kept = [row for row in rows if not isinstance(row, StateRow) or newest[row.key] is row]
        over = sum(isinstance(row, ReadingRow) for row in kept) - self.settings.most_waiting
        self.lost_readings += max(0, over)
        kept = _without(kept, over, lambda row: isinstance(row, ReadingRow))
        for is_of_kind in (_is_event, _is_refused, _is_summary):
            over = sum(not isinstance(row, ReadingRow) for row in kept) - self.settings.most_entries
            before = len(kept)
            kept = _without(kept, over, is_of_kind)
            self.lost_entries += before - len(kept)
        if len(kept) < len(rows):
            durable = any(batch.durable for batch in self.batches)
            at_s = self.batches[0].at_s
            self.batches = deque([Batch(kept, durable, None, at_s)])


def _is_event(row: Row) -> bool:
    return isinstance(row, EventRow)


def _is_refused(row: Row) -> bool:
    return isinstance(row, CommandRow) and not row.accepted


def _is_summary(row: Row) -> bool:
    return isinstance(row, MinuteRow | ForecastRow)


def _without(rows: list[Row], count: int, is_of_kind: Callable[[Row], bool]) -> list[Row]:
    """Return the rows without the first ``count`` of one kind."""
    if count <= 0:
        return rows
    kept: list[Row] = []
    for row in rows:
        if count > 0 and is_of_kind(row):
            count -= 1
        else:
            kept.append(row)
    return kept
