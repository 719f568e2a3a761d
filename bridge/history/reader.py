"""Reads the log over a connection that cannot write, also while the daemon writes it. Shell.

Statements are short, so that a long export does not delay the writer's checkpoints. A log of an older layout
is read from a migrated copy; the file itself is not changed.
"""

import sqlite3
import tempfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import astuple
from pathlib import Path
from types import TracebackType
from typing import Any

from bridge.errors import InputError
from bridge.history.opening import LAYOUT, bring_up_to_date, layout_in, open_for_reading, trouble_from
from bridge.history.records import KINDS, Bucket, Cell, EntryRow, Kind, ReadingRow, Series, StateRow
from bridge.history.rollup import (
    DAY_MS,
    MINUTE_MS,
    Group,
    Grouping,
    RollUp,
    groups_of,
    joined,
    merge,
)
from bridge.history.store import SPAN_TABLES, Store, in_order
from bridge.history.views import SERIES_COLUMNS, span_text, utc_text

_THROUGH = SERIES_COLUMNS[Series.THROUGHPUT][1]
_THOUSANDTHS = 1000.0


def stored_groups(
    connection: sqlite3.Connection, reservoir: str, start_ms: int, end_ms: int, wanted: Grouping
) -> list[Group]:
    """Return the groups of the stored minutes or hours that start in a range, in order."""
    parts, columns = [], {"time", "readings"}
    for series in wanted.series:
        column = SERIES_COLUMNS[series][1]
        columns.update(f"{column}{end}" for end in ("", "_min", "_max", "_count"))
        only = " FILTER (WHERE flowed)" if series in wanted.flowing else ""
        count = f"iif({column} IS NULL, 0, coalesce({column}_count, readings))"
        parts.append(
            f", min(coalesce({column}_min, {column})){only}, sum({column} * {count}){only}, "
            f"max(coalesce({column}_max, {column})){only}, sum({count}){only}"
        )
    found = connection.execute(
        f"WITH raw AS (SELECT {', '.join(sorted(columns))}, "
        f"coalesce({_THROUGH}_max, {_THROUGH}) AS top, coalesce({_THROUGH}_min, {_THROUGH}) AS bottom, "
        f"lag(coalesce({_THROUGH}_max, {_THROUGH})) OVER (ORDER BY time) AS before "
        f"FROM {SPAN_TABLES[wanted.span_ms]} WHERE time >= ? AND time < ? AND reservoir = ?), "
        "flows AS (SELECT *, top IS NULL OR top > coalesce(before, bottom) OR top < before AS flowed "
        "FROM raw) "
        "SELECT (CAST(strftime('%s', time) AS INTEGER) * 1000 + ?) / ? AS number, "
        # The counter begins again with a new cartridge.
        "sum(iif(top < before, top - bottom, max(0, top - coalesce(before, bottom))))" + "".join(parts) + " "
        "FROM flows GROUP BY number ORDER BY number",
        (span_text(start_ms), span_text(end_ms), reservoir, wanted.offset_ms, wanted.width_ms),
    )
    return [
        Group(
            number * wanted.width_ms - wanted.offset_ms,
            tuple([_cell(*four) for four in zip(*[iter(cells)] * 4, strict=True)]),
            (through or 0.0) / _THOUSANDTHS,
        )
        for number, through, *cells in found
    ]


def _cell(least: float | None, total: float | None, greatest: float | None, count: int | None) -> Cell | None:
    if least is None or total is None or greatest is None or not count:
        return None
    mean = min(max(total / count, least), greatest)
    return Cell(least / _THOUSANDTHS, mean / _THOUSANDTHS, greatest / _THOUSANDTHS, count)


Progress = Callable[[float], None]
"""Called with the fraction done, 0 to 1."""

_MONTH_MS = 31 * DAY_MS
_AT_ONCE = 5000
_PROGRESS_EVERY = 100


def no_progress(fraction: float) -> None:
    """Ignore the progress."""


class Reader:
    """Reads the rows of a log by time. A context manager.

    Times are UTC milliseconds; ``start`` is included, ``end`` is not. Every method raises ``LogError`` if the
    file cannot be read.

    Args:
        path: the log.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._held = ExitStack()
        with self._as_log_error():
            connection = open_for_reading(path, any_layout=True)
            self._held.callback(connection.close)
            if 0 < layout_in(connection) < LAYOUT:
                connection = self._held.enter_context(_brought_up_to_date(connection))
            self._store = Store(connection)

    def __enter__(self) -> "Reader":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._held.close()

    @contextmanager
    def _as_log_error(self) -> Iterator[None]:
        try:
            yield
        except (sqlite3.Error, OSError) as error:
            self._held.close()
            raise trouble_from(error, self._path, "Nothing was read.") from error

    def reservoirs(self) -> list[str]:
        """Return the reservoirs with readings, in the order of their names."""
        with self._as_log_error():
            return self._store.reservoirs()

    def span_ms(self) -> tuple[int, int]:
        """Return the first and the last time in the log; ``(0, 0)`` if it is empty."""
        with self._as_log_error():
            return self._store.span_ms()

    def state(self) -> dict[str, StateRow]:
        """Return the saved state by key."""
        with self._as_log_error():
            return self._store.state()

    def readings(
        self, reservoir: str, start: int, end: int, progress: Progress = no_progress
    ) -> Iterator[ReadingRow]:
        """Yield the stored readings of a reservoir, in order."""
        with self._as_log_error():
            self._check(reservoir)
            last_ms = min(end, self._store.span_ms()[1] + 1)
            after = 0
            while found := self._store.readings_between(start, end, reservoir, after, _AT_ONCE):
                yield from (row for _, row in found)
                after = found[-1][0]
                progress(_fraction(found[-1][1].stamp.utc_ms, start, last_ms))
        progress(1.0)

    def buckets(
        self, reservoir: str, span_ms: int, start: int, end: int, progress: Progress = no_progress
    ) -> Iterator[Bucket]:
        """Yield the minutes or hours of a reservoir that start in the range, in order.

        The last one is computed from the stored readings of the minute that is still open.
        """
        with self._as_log_error():
            self._check(reservoir)
            first, last = self._store.span_ms()
            first -= first % span_ms
            final = min(end, last + 1)
            newest: Bucket | None = None
            for low in range(max(start, first), final, _MONTH_MS):
                high = min(low + _MONTH_MS, final)
                for bucket in list(self._store.buckets(span_ms, reservoir, low, high)):
                    if newest is not None:
                        yield newest
                    newest = bucket
                progress(_fraction(high, start, end))
            for bucket in self._open(reservoir, span_ms, start, final):
                if newest is not None and newest.start_ms == bucket.start_ms:
                    newest = merge([newest, bucket], bucket.start_ms, span_ms)
                    continue
                if newest is not None:
                    yield newest
                newest = bucket
            if newest is not None:
                yield newest
        progress(1.0)

    def bucket_values(
        self,
        reservoir: str,
        span_ms: int,
        start: int,
        end: int,
        series: Sequence[Series],
        progress: Progress = no_progress,
    ) -> Iterator[tuple[Any, ...]]:
        """Yield the same as :meth:`buckets` as plain values, see :meth:`Store.bucket_values`."""
        with self._as_log_error():
            self._check(reservoir)
            first = self._store.span_ms()[0]
            # Everything before the bucket of the last stored minute is complete.
            complete = self._store.minutes_end(reservoir) - MINUTE_MS
            complete = min(max(start, complete - complete % span_ms), end)
            for low in range(max(start, first - first % span_ms), complete, DAY_MS):
                high = min(low + DAY_MS, complete)
                yield from self._store.bucket_values(span_ms, reservoir, low, high, series)
                progress(_fraction(high, start, end))
        for bucket in self.buckets(reservoir, span_ms, complete, end):
            values: list[object] = [utc_text(bucket.start_ms), reservoir, bucket.count, bucket.health.word]
            for one in series:
                cell = bucket.cells[one]
                values += (None, None, None, 0) if cell is None else astuple(cell)
            yield tuple(values)
        progress(1.0)

    def groups(self, reservoir: str, start: int, end: int, wanted: Grouping) -> list[Group]:
        """Return the readings of a reservoir in groups of one width, in order, for a chart."""
        with self._as_log_error():
            self._check(reservoir)
            span = wanted.span_ms
            complete = self._store.minutes_end(reservoir) - MINUTE_MS
            complete = min(max(start, complete - complete % span), end)
            stored = stored_groups(self._store.connection, reservoir, start, complete, wanted)
            # The last stored bucket is read again, because the change of the counter begins there.
            fresh = list(self.buckets(reservoir, span, max(start, complete - span), end))
            before_l = None
            if fresh and fresh[0].start_ms < complete:
                through = fresh.pop(0).cells[Series.THROUGHPUT]
                before_l = None if through is None else through.greatest
        return joined([*stored, *groups_of(fresh, wanted, before_l)])

    def _open(self, reservoir: str, span_ms: int, start: int, end: int) -> Iterator[Bucket]:
        """Yield the buckets of the readings after the last closed minute."""
        fresh = max(start - start % span_ms, self._store.minutes_end(reservoir))
        roll = RollUp(span_ms)
        for _, row in self._store.readings_between(fresh, end, reservoir):
            closed = roll.add(row.stamp.utc_ms, row.values, row.health)
            if closed is not None and closed.start_ms >= start:
                yield closed
        last = roll.close()
        if last is not None and last.start_ms >= start:
            yield last

    def events(
        self,
        start: int,
        end: int,
        *,
        kinds: Iterable[Kind] = (),
        reservoir: str | None = None,
        undone: bool = False,
    ) -> Iterator[EntryRow]:
        """Yield entries in order: of all kinds if none is named, of all reservoirs if none is named.

        Args:
            start: the first time, UTC.
            end: the end; entries at this time are left out.
            kinds: the kinds.
            reservoir: the reservoir.
            undone: True to yield entries that were taken back too.
        """
        wanted = tuple(kinds) or tuple(Kind)
        with self._as_log_error():
            taken_back = frozenset() if undone else self._store.undone()
            streams = [iter(self._store.entries_between(kind, start, end, reservoir)) for kind in wanted]
            for _, row in in_order(streams):
                if not isinstance(row, ReadingRow) and not _is_undone(row, taken_back):
                    yield row

    def earlier(self, before: int, kinds: Iterable[Kind], reservoir: str, among: int) -> list[EntryRow]:
        """Return recent entries of a reservoir, in order.

        Only the last ``among`` entries of each kind before the time are searched, so the work does not grow
        with the log.
        """
        with self._as_log_error():
            found: list[tuple[int, EntryRow]] = []
            taken_back = self._store.undone()
            for kind in kinds:
                found += self._store.entries_before(kind, before, reservoir, among)
            in_time = sorted(found, key=lambda one: one[0])
            return [row for _, row in in_time if not _is_undone(row, taken_back)]

    def entries_by_hand(self, ident: str) -> list[EntryRow]:
        """Return all litres, samples and cartridges of a tray, a purifier or a shelf, in order."""
        kinds = (Kind.LITRES, Kind.SAMPLE, Kind.CARTRIDGE)
        return list(self.events(0, self.span_ms()[1] + 1, kinds=kinds, reservoir=ident))

    def check(self) -> list[str]:
        """Return the findings of SQLite's integrity check: ``["ok"]`` if there is none."""
        with self._as_log_error():
            return [str(row[0]) for row in self._store.connection.execute("PRAGMA integrity_check")]

    def _check(self, reservoir: str) -> None:
        if not self._store.has(reservoir):
            known = ", ".join(self._store.reservoirs()) or "none"
            raise InputError(f"The log {self._path} has no reservoir {reservoir!r}; it has {known}.")


class NarrowedReader(Reader):
    """A reader whose :meth:`events` yields the entries of some reservoirs only.

    Args:
        path: the log.
        reservoirs: the reservoirs; empty for all of them and the whole bridge.
        progress: called with the fraction done.
    """

    def __init__(self, path: Path, reservoirs: Iterable[str], progress: Progress) -> None:
        super().__init__(path)
        self._reservoirs = frozenset(reservoirs)
        self._progress = progress

    def events(
        self,
        start: int,
        end: int,
        *,
        kinds: Iterable[Kind] = (),
        reservoir: str | None = None,
        undone: bool = False,
    ) -> Iterator[EntryRow]:
        """Yield the entries of these reservoirs, in order."""
        rows = super().events(start, end, kinds=kinds, reservoir=reservoir, undone=undone)
        for number, row in enumerate(rows):
            if number % _PROGRESS_EVERY == 0:
                self._progress((row.stamp.utc_ms - start) / max(1, end - start))
            if not self._reservoirs or row.reservoir in self._reservoirs:
                yield row
        self._progress(1.0)


def _is_undone(row: EntryRow, taken_back: frozenset[tuple[str, str, int]]) -> bool:
    return bool(taken_back) and (KINDS[type(row)].value, row.reservoir, row.stamp.utc_ms) in taken_back


@contextmanager
def _brought_up_to_date(old: sqlite3.Connection) -> Iterator[sqlite3.Connection]:
    """Provide a migrated copy of an older log while the context lasts."""
    with tempfile.TemporaryDirectory(prefix="clearwell-") as folder:
        copy = sqlite3.connect(Path(folder) / "log.db", isolation_level=None, check_same_thread=False)
        try:
            old.backup(copy)
            copy.execute("PRAGMA synchronous = OFF")
            bring_up_to_date(copy)
            yield copy
        finally:
            copy.close()


def _fraction(now: int, start: int, end: int) -> float:
    return min(1.0, max(0.0, (now - start) / max(1, end - start)))
