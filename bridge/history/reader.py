"""Reading the log while it is being written: its own connection, which cannot write.

What is in no block yet is taken from the marks and the spill, so that a reader sees everything up to the last
half second. Statements are short, so that a long export does not hold up the writer's checkpoints.
"""

import sqlite3
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType

from bridge.errors import InputError
from bridge.history.entries import KINDS, Kind
from bridge.history.pack import Measured, reading_row
from bridge.history.parcels import at_resolution
from bridge.history.records import EntryRow, ReadingRow
from bridge.history.recovery import Found, look
from bridge.history.rollup import HOUR_MS, Bucket, RollUp
from bridge.history.schema import block_id, entry_floor, hour_of, open_for_reading
from bridge.history.store import Store
from bridge.history.trouble import trouble_from

Progress = Callable[[float], None]
"""Called with the fraction done, 0 to 1."""

_WINDOW_HOURS = 24


def no_progress(fraction: float) -> None:
    """For those who do not want to know."""


class Reader:
    """The rows of a log by time. Times are UTC milliseconds, ``start`` included, ``end`` not.

    A context manager. Everything raises ``LogError`` with a sentence when the file cannot be read.
    """

    def __init__(self, path: Path, spill: Path | None = None) -> None:
        self._path = path
        self._spill = spill
        with self._told():
            self._store = Store(open_for_reading(path))

    def __enter__(self) -> "Reader":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._store.connection.close()

    @contextmanager
    def _told(self) -> Iterator[None]:
        try:
            yield
        except (sqlite3.Error, OSError) as error:
            raise trouble_from(error, self._path) from error

    def reservoirs(self) -> list[str]:
        """Every reservoir the log has readings of, in the order in which they appeared."""
        with self._told():
            names = list(self._store.names().values())
            return names + [name for name in self._found().readings if name not in names]

    def span_ms(self) -> tuple[int, int]:
        """The first and the last time of anything in the log; ``(0, 0)`` when it is empty."""
        with self._told():
            row = self._store.connection.execute(
                "SELECT min(t) FROM (SELECT min(id) >> 12 AS t FROM hour UNION ALL "
                f"SELECT min(id) >> 24 FROM block UNION ALL SELECT (min(id) >> 8) / {HOUR_MS} FROM entry)"
            ).fetchone()
            last = self._found().last_utc_ms
            return (int(row[0]) * HOUR_MS, last) if row[0] is not None else (last, last)

    def readings(
        self, reservoir: str, start: int, end: int, progress: Progress = no_progress
    ) -> Iterator[ReadingRow]:
        """Raw readings in order; those that retention took are gone."""
        with self._told():
            for one in self._measured(reservoir, start, end, progress):
                yield reading_row(reservoir, one)

    def buckets(
        self, reservoir: str, span_ms: int, start: int, end: int, progress: Progress = no_progress
    ) -> Iterator[Bucket]:
        """Roll-ups of a minute or an hour in order, whose start lies in the range; the last may still be
        growing."""
        with self._told():
            number = self._number(reservoir)
            oldest, rolled = self._store.hours_rolled()
            last = min(hour_of(end - 1), rolled)
            for first in range(max(hour_of(start), oldest), last + 1, _WINDOW_HOURS):
                hours = (first, min(first + _WINDOW_HOURS - 1, last))
                for bucket in list(self._store.buckets(span_ms, number, *hours)):
                    if start <= bucket.start_ms < end:
                        yield bucket
                progress(_fraction(first * HOUR_MS, start, end))
            fresh = max(start - start % span_ms, (rolled + 1) * HOUR_MS)
            roll = RollUp(span_ms)
            for one in self._measured(reservoir, fresh, end, progress):
                closed = roll.add(one.utc_ms, one.values, one.health)
                if closed and closed.start_ms >= start:
                    yield closed
            rest = roll.close()
            if rest and rest.start_ms >= start:
                yield rest

    def events(
        self, start: int, end: int, *, kinds: Iterable[Kind] = (), reservoir: str | None = None
    ) -> Iterator[EntryRow]:
        """Everything but readings, in order: all kinds when none is named, all reservoirs when none is."""
        wanted = list(kinds)
        with self._told():
            found = self._found()
            names = {kind.value for kind in wanted}
            for _, row in self._store.entries(entry_floor(start) - 1, entry_floor(end), wanted, reservoir):
                yield row
            for row in found.entries:
                if not start <= row.stamp.utc_ms < end or self._store.has_entry(row):
                    continue
                if reservoir is not None and row.reservoir != reservoir:
                    continue
                if not names or KINDS[type(row)].value in names:
                    yield row

    def earlier(self, before: int, kinds: Iterable[Kind], reservoir: str, among: int) -> list[EntryRow]:
        """Entries of these kinds before a time, in order; looked for among so many entries before it, so that
        an old log takes no longer than a young one."""
        with self._told():
            found = self._store.entries_before(entry_floor(before), kinds, reservoir, among)
            return [row for _, row in found]

    def check(self) -> list[str]:
        """What SQLite's own check finds wrong with the file: ``["ok"]`` when nothing is."""
        with self._told():
            return [str(row[0]) for row in self._store.connection.execute("PRAGMA integrity_check")]

    def _found(self) -> Found:
        return look(self._store, self._spill)

    def _number(self, reservoir: str) -> int:
        number = self._store.find(reservoir)
        if number is None:
            if reservoir in self._found().readings:
                return -1
            known = ", ".join(self._store.names().values()) or "none"
            raise InputError(f"The log {self._path} has no reservoir {reservoir!r}; it has {known}.")
        return number

    def _measured(self, reservoir: str, start: int, end: int, progress: Progress) -> Iterator[Measured]:
        number = self._number(reservoir)
        # The spill first: what moves from it into a block meanwhile is then seen twice and not never.
        fresh = self._found().readings.get(reservoir, []) if end > start else []
        last = (-1, -1)
        oldest, newest = self._store.hours_blocked()
        final = min(hour_of(end - 1), newest)
        for first in range(max(hour_of(start), oldest), final + 1, _WINDOW_HOURS):
            bounds = block_id(first, 0, 0), block_id(min(first + _WINDOW_HOURS, final + 1), 0, 0)
            for info in list(self._store.blocks(*bounds, number)):
                for one in self._store.readings_in(info.id):
                    last = (one.boot, one.sequence)
                    if start <= one.utc_ms < end:
                        yield one
                progress(_fraction(info.last_ms, start, end))
        for one in fresh:
            if (one.boot, one.sequence) > last and start <= one.utc_ms < end:
                yield at_resolution(one)
        progress(1.0)


def _fraction(now: int, start: int, end: int) -> float:
    return min(1.0, max(0.0, (now - start) / max(1, end - start)))
