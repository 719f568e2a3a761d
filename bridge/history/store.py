"""The SQL statements of the log: writes and reads rows over one connection. Shell.

Every method raises :class:`sqlite3.Error`. The caller begins and ends transactions.
"""

import heapq
import sqlite3
import zlib
from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from bridge.history.records import (
    KINDS,
    Bucket,
    EntryRow,
    Kind,
    MinuteRow,
    ReadingRow,
    Row,
    Series,
    Stamp,
    StampedRow,
    StateRow,
)
from bridge.history.rollup import HOUR_MS, MINUTE_MS, RollUp, merge
from bridge.history.views import (
    ENTRY_COLUMNS,
    HEALTH_BY_WORD,
    LAST_MS,
    SERIES_COLUMNS,
    cell_from,
    columns_of,
    entry_from,
    first_id,
    plain_value,
    reading_from,
    rounded,
    span_text,
    utc_ms_of,
    utc_text,
)

END = 2**62
"""An id greater than every other."""
_TABLES = ("reading", *(kind.value for kind in Kind))
_SERIES = ", ".join(column for column, _ in SERIES_COLUMNS.values())
_READING = f"id, time, reservoir, path, health, session, sequence, {_SERIES}"
_SMALL = [column for _, column in SERIES_COLUMNS.values()]
_SMALL_COLUMNS = ", ".join(f"{column}{part}" for column in _SMALL for part in ("", "_min", "_max", "_count"))
SPAN_TABLES = {MINUTE_MS: "minute", HOUR_MS: "hour"}


class Store:
    """Reads and writes the tables.

    Args:
        connection: an open log of the current layout.
    """

    def __init__(self, connection: sqlite3.Connection) -> None:
        self.connection = connection

    def begin(self) -> None:
        """Begin a transaction that writes."""
        self.connection.execute("BEGIN IMMEDIATE")

    def commit(self) -> None:
        """Commit the transaction."""
        self.connection.execute("COMMIT")

    def rollback(self) -> None:
        """Roll the open transaction back, if there is one."""
        if self.connection.in_transaction:
            self.connection.execute("ROLLBACK")

    # Writing

    def add(self, rows: Iterable[Row]) -> None:
        """Store rows in this order. Ids increase in this order over all tables."""
        last = self.last_id()
        for row in rows:
            match row:
                case StateRow():
                    self.save_state((row,))
                case MinuteRow():
                    self.add_minute(row)
                case ReadingRow():
                    last = max(last + 1, first_id(row.stamp.utc_ms))
                    self.add_reading(last, row)
                case _:
                    last = max(last + 1, first_id(row.stamp.utc_ms))
                    self.add_entry(last, row)

    def free_id(self, key: int) -> int:
        """Return the first free id of a reading, from this id on."""
        while self.connection.execute("SELECT 1 FROM reading WHERE id = ?", (key,)).fetchone() is not None:
            key += 1
        return key

    def add_reading(self, key: int, row: ReadingRow) -> None:
        """Store a reading with an id."""
        values = (rounded(value) for value in row.values)
        stamp = row.stamp
        self.connection.execute(
            f"INSERT INTO reading (id, time, reservoir, {_SERIES}, path, health, session, sequence) "
            f"VALUES (?, ?, ?{', ?' * len(Series)}, ?, ?, ?, ?)",
            (
                key, utc_text(stamp.utc_ms), row.reservoir, *values, row.path.value, row.health.word,
                stamp.boot, stamp.sequence,
            ),
        )  # fmt: skip

    def add_entry(self, key: int, row: EntryRow) -> None:
        """Store an entry with an id."""
        kind, stamp = KINDS[type(row)], row.stamp
        columns = ENTRY_COLUMNS[kind]
        values = [plain_value(field, getattr(row, field)) for _, _, field in columns]
        names = "".join(f"{name}, " for name, _, _ in columns)
        self.connection.execute(
            f"INSERT INTO {kind.value} (id, time, reservoir, {names}session, sequence) "
            f"VALUES (?, ?, ?{', ?' * len(columns)}, ?, ?)",
            (key, utc_text(stamp.utc_ms), row.reservoir, *values, stamp.boot, stamp.sequence),
        )

    def add_minute(self, row: MinuteRow) -> None:
        """Merge a minute into the stored minute and the stored hour."""
        bucket = row.bucket
        hour_ms = bucket.start_ms - bucket.start_ms % HOUR_MS
        for start_ms, span_ms in ((bucket.start_ms, MINUTE_MS), (hour_ms, HOUR_MS)):
            there = self.bucket(span_ms, row.reservoir, start_ms)
            parts = [bucket] if there is None else [there, bucket]
            self.put_bucket(row.reservoir, merge(parts, start_ms, span_ms))

    def put_bucket(self, reservoir: str, bucket: Bucket) -> None:
        """Store a minute or an hour, in place of an earlier one."""
        cells: list[int | None] = []
        for cell in bucket.cells:
            if cell is None:
                cells += (None, None, None, None)
                continue
            mean, least, greatest = (round(1000 * v) for v in (cell.mean, cell.least, cell.greatest))
            cells += (
                mean,
                None if least == mean else least,
                None if greatest == mean else greatest,
                None if cell.count == bucket.count else cell.count,
            )
        self.connection.execute(
            f"INSERT OR REPLACE INTO {SPAN_TABLES[bucket.span_ms]} (time, reservoir, readings, health, "
            f"{_SMALL_COLUMNS}) VALUES (?, ?, ?, ?{', ?' * len(cells)})",
            (span_text(bucket.start_ms), reservoir, bucket.count, bucket.health.word, *cells),
        )

    def close_minutes(self) -> None:
        """Complete the minutes that a killed process left open, from its stored readings."""
        for name in self.reservoirs():
            roll = RollUp(MINUTE_MS)
            for _, row in self.readings_between(self.minutes_end(name), LAST_MS, name):
                closed = roll.add(row.stamp.utc_ms, row.values, row.health)
                if closed is not None:
                    self.add_minute(MinuteRow(name, closed))
            last = roll.close()
            if last is not None:
                self.add_minute(MinuteRow(name, last))

    def save_state(self, rows: Iterable[StateRow]) -> None:
        """Store saved state, each row in place of an earlier one with its key."""
        self.connection.executemany(
            "INSERT OR REPLACE INTO state (key, version, value, checksum) VALUES (?, ?, ?, ?)",
            [(row.key, row.version, row.text, zlib.crc32(row.text.encode())) for row in rows],
        )

    # Reading

    def last_id(self) -> int:
        """Return the greatest id over all tables with ids; 0 if there is none."""
        ends = ", ".join(f"(SELECT coalesce(max(id), 0) FROM {table})" for table in _TABLES)
        return int(self.connection.execute(f"SELECT max({ends})").fetchone()[0])

    def span_ms(self) -> tuple[int, int]:
        """Return the hour of the first row and the time of the last one; ``(0, 0)`` if the log is empty."""
        found: list[int] = []
        for table in self._tables():
            # Two subqueries: SQLite looks one end of a key up, but scans the table for both ends.
            row = self.connection.execute(
                f"SELECT (SELECT time FROM {table} ORDER BY id LIMIT 1), "
                f"(SELECT time FROM {table} ORDER BY id DESC LIMIT 1)"
            ).fetchone()
            found += [utc_ms_of(text) for text in row if text is not None]
        for table in SPAN_TABLES.values():
            for end in ("min", "max"):
                at = self.connection.execute(f"SELECT {end}(time) FROM {table}").fetchone()[0]
                found += [] if at is None else [utc_ms_of(at)]
        first_ms = min(found, default=0)
        return first_ms - first_ms % HOUR_MS, max(found, default=0)

    def _tables(self) -> list[str]:
        # A log of layout 3 that cannot be written has no table of entries taken back.
        there = {name for (name,) in self.connection.execute("SELECT name FROM sqlite_master")}
        return [name for name in _TABLES if name in there]

    def reservoirs(self) -> list[str]:
        """Return the reservoirs with readings or hours, in the order of their names."""
        found = self.connection.execute(
            # A union alone sorts every row of both, which takes twice as long.
            "SELECT DISTINCT reservoir FROM reading UNION SELECT DISTINCT reservoir FROM hour "
            "ORDER BY reservoir"
        )
        return [str(name) for (name,) in found]

    def has(self, reservoir: str) -> bool:
        """Return whether there are readings or hours of a reservoir."""
        return any(
            self.connection.execute(
                f"SELECT 1 FROM {table} WHERE reservoir = ? LIMIT 1", (reservoir,)
            ).fetchone()
            for table in ("hour", "reading")
        )

    def readings(self, after: int, before: int, reservoir: str | None = None) -> Iterator[ReadingRow]:
        """Return the readings with ``after <= id < before``, in order."""
        return (row for _, row in self.numbered_readings(after, before, reservoir))

    def numbered_readings(
        self, after: int, before: int, reservoir: str | None = None
    ) -> Iterator[tuple[int, ReadingRow]]:
        """Return the same as :meth:`readings`, each with its id."""
        only = "" if reservoir is None else " AND reservoir = ?"
        found = self.connection.execute(
            f"SELECT {_READING} FROM reading WHERE id >= ? AND id < ?{only} ORDER BY id",
            (after, before, *(() if reservoir is None else (reservoir,))),
        )
        return (reading_from(row) for row in found)

    def readings_between(
        self, start_ms: int, end_ms: int, reservoir: str, after: int = 0, limit: int = -1
    ) -> list[tuple[int, ReadingRow]]:
        """Return readings of a reservoir with ``start_ms <= time < end_ms``, in order, each with its id.

        Args:
            start_ms: the start, UTC.
            end_ms: the end, UTC.
            reservoir: the reservoir.
            after: only readings with a greater id.
            limit: the maximum number; -1 for all.
        """
        found = self.connection.execute(
            f"SELECT {_READING} FROM reading WHERE id >= ? AND time >= ? AND time < ? AND reservoir = ? "
            "ORDER BY id LIMIT ?",
            (max(first_id(start_ms), after + 1), utc_text(start_ms), utc_text(end_ms), reservoir, limit),
        )
        return [reading_from(row) for row in found]

    def reading_before(self, key: int, reservoir: str) -> ReadingRow | None:
        """Return the last reading of a reservoir before an id."""
        found = self.connection.execute(
            "SELECT id FROM reading WHERE id < ? AND reservoir = ? ORDER BY id DESC LIMIT 1", (key, reservoir)
        ).fetchone()
        return None if found is None else next(self.readings(found[0], found[0] + 1))

    def minutes_end(self, reservoir: str) -> int:
        """Return the end of the last stored minute of a reservoir, UTC; 0 if there is none."""
        found = self.connection.execute(
            "SELECT time FROM minute WHERE reservoir = ? ORDER BY time DESC LIMIT 1", (reservoir,)
        ).fetchone()
        return 0 if found is None else utc_ms_of(found[0]) + MINUTE_MS

    def bucket(self, span_ms: int, reservoir: str, start_ms: int) -> Bucket | None:
        """Return one minute or hour."""
        return next(self.buckets(span_ms, reservoir, start_ms, start_ms + span_ms), None)

    def buckets(self, span_ms: int, reservoir: str, start_ms: int, end_ms: int) -> Iterator[Bucket]:
        """Return the minutes or hours of a reservoir that start in a range, in order."""
        found = self.connection.execute(
            f"SELECT time, readings, health, {_SMALL_COLUMNS} FROM {SPAN_TABLES[span_ms]} "
            "WHERE time >= ? AND time < ? AND reservoir = ? ORDER BY time",
            (span_text(_whole_s(start_ms)), span_text(_whole_s(end_ms)), reservoir),
        )
        for time, count, health, *cells in found:
            yield Bucket(
                utc_ms_of(time),
                span_ms,
                tuple(
                    [
                        cell_from(four[0], four[1], four[2], four[3], count)
                        for four in zip(*[iter(cells)] * 4, strict=True)
                    ]
                ),
                count,
                HEALTH_BY_WORD[health],
            )

    def bucket_values(
        self, span_ms: int, reservoir: str, start_ms: int, end_ms: int, series: Sequence[Series]
    ) -> list[tuple[Any, ...]]:
        """Return the same as :meth:`buckets` as plain values, in a third of the time.

        The values are time, reservoir, readings and health, then the least, mean, greatest and count of each
        series.
        """
        cells = "".join(
            f", coalesce({one}_min, {one}) / 1000.0, {one} / 1000.0, coalesce({one}_max, {one}) / 1000.0, "
            f"iif({one} IS NULL, 0, coalesce({one}_count, readings))"
            for one in (SERIES_COLUMNS[each][1] for each in series)
        )
        found = self.connection.execute(
            f"SELECT substr(time, 1, 19) || '.000Z', reservoir, readings, health{cells} "
            f"FROM {SPAN_TABLES[span_ms]} WHERE time >= ? AND time < ? AND reservoir = ? ORDER BY time",
            (span_text(_whole_s(start_ms)), span_text(_whole_s(end_ms)), reservoir),
        )
        return found.fetchall()

    def entries(self, kind: Kind, after: int, before: int) -> Iterator[tuple[int, EntryRow]]:
        """Return the entries of one kind with ``after <= id < before``, in order, each with its id."""
        found = self.connection.execute(
            f"SELECT {columns_of(kind)} FROM {kind.value} WHERE id >= ? AND id < ? ORDER BY id",
            (after, before),
        )
        return (entry_from(kind, row) for row in found)

    def undone(self) -> frozenset[tuple[str, str, int]]:
        """Return the entries that were taken back: kind, reservoir and UTC of each."""
        found = self.connection.execute("SELECT kind, reservoir, undone FROM undo")
        return frozenset((kind, name, utc_ms_of(text)) for kind, name, text in found)

    def entries_between(
        self, kind: Kind, start_ms: int, end_ms: int, reservoir: str | None = None
    ) -> list[tuple[int, EntryRow]]:
        """Return the entries of one kind with ``start_ms <= time < end_ms``, in order, each with its id."""
        only = "" if reservoir is None else " AND reservoir = ?"
        found = self.connection.execute(
            f"SELECT {columns_of(kind)} FROM {kind.value} "
            f"WHERE id >= ? AND time >= ? AND time < ?{only} ORDER BY id",
            (
                first_id(start_ms),
                utc_text(start_ms),
                utc_text(end_ms),
                *(() if reservoir is None else (reservoir,)),
            ),
        )
        return [entry_from(kind, row) for row in found]

    def entries_before(
        self, kind: Kind, before_ms: int, reservoir: str, among: int
    ) -> list[tuple[int, EntryRow]]:
        """Return recent entries of one kind and reservoir, the newest first.

        Only the last ``among`` entries of the kind before the time are searched, so the work does not grow
        with the log.
        """
        found = self.connection.execute(
            f"SELECT {columns_of(kind)} FROM {kind.value} WHERE time < ? ORDER BY id DESC LIMIT ?",
            (utc_text(before_ms), among),
        )
        rows = [entry_from(kind, row) for row in found]
        return [(key, row) for key, row in rows if row.reservoir == reservoir]

    def state(self) -> dict[str, StateRow]:
        """Return every row of saved state whose checksum is right."""
        found = self.connection.execute("SELECT key, version, value, checksum FROM state")
        return {
            key: StateRow(key, version, text)
            for key, version, text, crc in found
            if zlib.crc32(text.encode()) == crc
        }

    def next_stamp(self, now_ms: int) -> Stamp:
        """Return a stamp after every entry of the file, for an entry from outside the daemon."""
        ends = " UNION ALL ".join(
            f"SELECT * FROM (SELECT id, session, sequence, time FROM {kind.value} ORDER BY id DESC LIMIT 1)"
            for kind in Kind
        )
        last = self.connection.execute(f"{ends} ORDER BY id DESC LIMIT 1").fetchone()
        if last is None:
            session = self.state().get("log.session")
            return Stamp(0 if session is None else int(session.text), 0, now_ms)
        return Stamp(int(last[1]), int(last[2]), max(now_ms, utc_ms_of(last[3]) + 1))

    # Retention

    def drop_before(
        self, *, reading_ms: int, minute_ms: int, hour_ms: int, entry_ms: int, keep_from: int
    ) -> None:
        """Delete the rows that are older than their bound.

        At most two days of readings are deleted in one call, so that a clock that jumped ahead does not empty
        the log.

        Args:
            reading_ms: the bound of readings, UTC.
            minute_ms: the bound of minutes.
            hour_ms: the bound of hours.
            entry_ms: the bound of entries.
            keep_from: readings and entries from this id on are kept for the outbox.
        """
        oldest = self.connection.execute("SELECT min(id) FROM reading").fetchone()[0]
        if oldest is not None:
            bound = min(first_id(reading_ms), int(oldest) + first_id(48 * HOUR_MS), keep_from)
            self.connection.execute("DELETE FROM reading WHERE id < ?", (bound,))
        self.connection.execute("DELETE FROM minute WHERE time < ?", (span_text(max(0, minute_ms)),))
        self.connection.execute("DELETE FROM hour WHERE time < ?", (span_text(max(0, hour_ms)),))
        for kind in Kind:
            bound = min(first_id(entry_ms), keep_from)
            self.connection.execute(f"DELETE FROM {kind.value} WHERE id < ?", (bound,))


def in_order(streams: Sequence[Iterator[tuple[int, StampedRow]]]) -> Iterator[tuple[int, StampedRow]]:
    """Merge the rows of several tables in the order of their ids."""
    return heapq.merge(*streams, key=lambda one: one[0])


def _whole_s(utc_ms: int) -> int:
    """Return a time in seconds, rounded up to a whole second, in milliseconds."""
    return -(-utc_ms // 1000) * 1000
