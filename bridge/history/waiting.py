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


@dataclass(frozen=True, slots=True)
class OutboxSettings:
    """The settings of the outbox for the hub's log."""

    every_s: float = 10.0
    """At most one reading is sent in each slot of so many seconds, and every one whose path or health is new;
    0 sends all that are stored."""
    pack_rows: int = 60
    """The most rows in one parcel."""
    pack_s: float = 60.0
    """A parcel of readings that is not full waits no longer than this."""
    limit_bytes: int = 32 * 2**20
    """The size of the readings that may wait in the file, all reservoirs together."""
    alert_fraction: float = 0.8


@dataclass(frozen=True, slots=True)
class LogSettings:
    """The settings of one log; the defaults suit a memory card."""

    raw_days: int = 14
    minute_days: int = 5 * 366
    hour_days: int = 20 * 366
    entry_days: int = 20 * 366
    most_waiting: int = 7200
    """The most readings of all reservoirs that wait in memory while the file cannot be written; then the
    oldest are dropped."""
    most_entries: int = 20_000
    """The most other rows that wait; then the oldest events are dropped, then the oldest refused commands,
    then the oldest minutes, and nothing else."""
    outbox: OutboxSettings | None = field(default_factory=OutboxSettings)
    """None: there is no hub's log."""


@dataclass(slots=True)
class Batch:
    """Rows of one call."""

    rows: Sequence[Row]
    durable: bool
    done: Callable[[bool], None] | None
    at_s: float


@dataclass(slots=True)
class Waiting:
    """Rows that are not in the file, in order and within bounds."""

    settings: LogSettings
    batches: deque[Batch] = field(default_factory=deque)
    lost_readings: int = 0
    lost_entries: int = 0

    def rows(self) -> list[Row]:
        return [row for batch in self.batches for row in batch.rows]

    def refuse(self) -> None:
        """Whoever waits for the disk hears that it does not answer."""
        for batch in self.batches:
            if batch.done is not None:
                done, batch.done = batch.done, None
                done(False)

    def bound(self) -> None:
        """Drop what there is no room for: readings, then events, refused commands and minutes."""
        self.refuse()
        rows = self.rows()
        newest = {row.key: row for row in rows if isinstance(row, StateRow)}
        kept = [row for row in rows if not isinstance(row, StateRow) or newest[row.key] is row]
        over = sum(isinstance(row, ReadingRow) for row in kept) - self.settings.most_waiting
        self.lost_readings += max(0, over)
        kept = _without(kept, over, lambda row: isinstance(row, ReadingRow))
        for sort in (_is_event, _is_refused, _is_summary):
            over = sum(not isinstance(row, ReadingRow) for row in kept) - self.settings.most_entries
            before = len(kept)
            kept = _without(kept, over, sort)
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


def _without(rows: list[Row], count: int, sort: Callable[[Row], bool]) -> list[Row]:
    """The rows without the first ``count`` of a sort."""
    if count <= 0:
        return rows
    kept: list[Row] = []
    for row in rows:
        if count > 0 and sort(row):
            count -= 1
        else:
            kept.append(row)
    return kept
