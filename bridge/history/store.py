"""The statements behind the log: rows in, rows out, one connection. Every method raises
:class:`sqlite3.Error`."""

import secrets
import sqlite3
import zlib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from bridge.history.entries import KINDS, Kind, from_text, to_text
from bridge.history.pack import Measured, unpack_buckets, unpack_readings
from bridge.history.records import EntryRow, Stamp
from bridge.history.rest import Rest, no_rest
from bridge.history.rollup import MINUTE_MS, Bucket
from bridge.history.schema import (
    MOST_BLOCKS_AN_HOUR,
    MOST_RESERVOIRS,
    block_id,
    entry_floor,
    hour_id,
)
from bridge.history.spill import from_raw, raw
from bridge.history.trouble import LogFault, LogTrouble


@dataclass(frozen=True, slots=True)
class Block:
    """Readings of one hour and one boot, packed."""

    hour: int
    boot: int
    last_sequence: int
    last_ms: int
    readings: int
    body: bytes


@dataclass(frozen=True, slots=True)
class BlockInfo:
    """A block of readings without its body."""

    id: int
    reservoir: int
    boot: int
    last_sequence: int
    last_ms: int
    readings: int
    size: int


_LAYOUT_OF_MARKS = 2
"""The layout that brought marks, and checksums of what is saved."""


class Store:
    """Reads and writes the tables. Transactions are the caller's: :meth:`begin`, :meth:`commit`,
    :meth:`rollback`."""

    def __init__(self, connection: sqlite3.Connection, *, names: bool = True) -> None:
        """``names`` False leaves the reservoirs unread, for a file that is damaged."""
        self.connection = connection
        self._ids: dict[str, int] = (
            dict(connection.execute("SELECT name, id FROM reservoir")) if names else {}
        )

    def begin(self) -> None:
        self.connection.execute("BEGIN IMMEDIATE")

    def commit(self) -> None:
        self.connection.execute("COMMIT")

    def rollback(self) -> None:
        if self.connection.in_transaction:
            self.connection.execute("ROLLBACK")
        self._ids = dict(self.connection.execute("SELECT name, id FROM reservoir"))

    # Reservoirs

    def names(self) -> dict[int, str]:
        """The reservoirs by their number."""
        return {number: name for name, number in self._ids.items()}

    def reservoir(self, name: str) -> int:
        """The number of a reservoir, given to it now if it is new."""
        known = self._ids.get(name)
        if known is None:
            known = max(self._ids.values(), default=0) + 1
            if known > MOST_RESERVOIRS:
                raise LogTrouble(
                    LogFault.UNUSABLE, f"The log holds {MOST_RESERVOIRS} reservoirs; no room for {name!r}."
                )
            self.connection.execute("INSERT INTO reservoir (id, name) VALUES (?, ?)", (known, name))
            self._ids[name] = known
        return known

    def find(self, name: str) -> int | None:
        """The number of a reservoir, None when the log has no such."""
        return self._ids.get(name)

    # Readings

    def add_block(self, reservoir: int, block: Block) -> None:
        """Store readings as the next block of their hour."""
        low = block_id(block.hour, reservoir, 0)
        high = block_id(block.hour, reservoir, MOST_BLOCKS_AN_HOUR - 1)
        row = self.connection.execute(
            "SELECT max(id) FROM block WHERE id BETWEEN ? AND ?", (low, high)
        ).fetchone()
        number = low if row[0] is None else int(row[0]) + 1
        if number > high:
            told = f"More than {MOST_BLOCKS_AN_HOUR} blocks within an hour: too many restarts."
            raise LogTrouble(LogFault.UNUSABLE, told)
        self.connection.execute(
            "INSERT INTO block (id, boot, last_sequence, last_ms, readings, body) VALUES (?, ?, ?, ?, ?, ?)",
            (number, block.boot, block.last_sequence, block.last_ms, block.readings, block.body),
        )

    def blocks(self, after_id: int, before_id: int, reservoir: int | None = None) -> Iterator[BlockInfo]:
        """Blocks with ``after_id <= id < before_id`` in order, without their bodies."""
        only = "" if reservoir is None else f" AND ((id >> 12) & 4095) = {int(reservoir)}"
        rows = self.connection.execute(
            "SELECT id, (id >> 12) & 4095, boot, last_sequence, last_ms, readings, length(body) FROM block "
            f"WHERE id >= ? AND id < ?{only} ORDER BY id",
            (after_id, before_id),
        )
        return (BlockInfo(*row) for row in rows)

    def readings_in(self, block: int, rest: Rest = no_rest) -> list[Measured]:
        """The readings of one block; none when retention took it meanwhile."""
        row = self.connection.execute("SELECT body FROM block WHERE id = ?", (block,)).fetchone()
        return unpack_readings(row[0], rest) if row else []

    def last_reading(self, reservoir: int) -> tuple[int, int]:
        """Boot and sequence of the last reading stored in a block; ``(-1, -1)`` when there is none."""
        row = self.connection.execute(
            "SELECT boot, last_sequence FROM block WHERE ((id >> 12) & 4095) = ? ORDER BY id DESC LIMIT 1",
            (reservoir,),
        ).fetchone()
        return (int(row[0]), int(row[1])) if row else (-1, -1)

    def add_mark(self, reservoir: int, one: Measured) -> int:
        """Store a mark; its id."""
        made = self.connection.execute(
            "INSERT INTO mark (reservoir, body) VALUES (?, ?)", (reservoir, zlib.compress(raw(one)))
        )
        return made.lastrowid or 0

    def marks(self) -> list[tuple[int, Measured]]:
        """Every mark with its reservoir, in order; none in a file of the first layout, which had no marks."""
        if self.layout < _LAYOUT_OF_MARKS:
            return []
        rows = self.connection.execute("SELECT reservoir, body FROM mark ORDER BY id")
        return [(int(reservoir), from_raw(zlib.decompress(body))[0]) for reservoir, body in rows]

    def drop_marks(self, ids: Iterable[int] | None = None) -> None:
        """Delete marks; all of them, where none are named."""
        if ids is None:
            self.connection.execute("DELETE FROM mark")
        else:
            self.connection.executemany("DELETE FROM mark WHERE id = ?", [(one,) for one in ids])

    # Roll-ups

    def add_roll_ups(self, hour: int, reservoir: int, minutes: bytes, whole: bytes) -> None:
        """Store the packed roll-ups of an hour, in the place of those that are there."""
        key = hour_id(hour, reservoir)
        for table, body in (("minute", minutes), ("hour", whole)):
            self.connection.execute(f"INSERT OR REPLACE INTO {table} (id, body) VALUES (?, ?)", (key, body))

    def last_rolled(self) -> int:
        """The last hour that has roll-ups; -1 when there is none."""
        return self.hours_rolled()[1]

    def hours_rolled(self) -> tuple[int, int]:
        """The first and the last hour that have roll-ups; ``(0, -1)`` when there are none."""
        first, last = self._ends("hour")
        return (0, -1) if last is None or first is None else (first >> 12, last >> 12)

    def hours_blocked(self) -> tuple[int, int]:
        """The first and the last hour that have blocks; ``(0, -1)`` when there are none."""
        first, last = self._ends("block")
        return (0, -1) if last is None or first is None else (first >> 24, last >> 24)

    def _ends(self, table: str) -> tuple[int | None, int | None]:
        # Two subqueries, for SQLite looks up one end of a table by its key and scans for both at once.
        row = self.connection.execute(f"SELECT (SELECT min(id) FROM {table}), (SELECT max(id) FROM {table})")
        first, last = row.fetchone()
        return first, last

    def buckets(self, span_ms: int, reservoir: int, first_hour: int, last_hour: int) -> Iterator[Bucket]:
        """Stored buckets of one minute or one hour of a reservoir, from the first to the last hour, both
        included."""
        table = "minute" if span_ms == MINUTE_MS else "hour"
        rows = self.connection.execute(
            f"SELECT body FROM {table} WHERE id BETWEEN ? AND ? AND (id & 4095) = ? ORDER BY id",
            (hour_id(first_hour, 0), hour_id(last_hour, MOST_RESERVOIRS), reservoir),
        )
        for row in rows:
            yield from unpack_buckets(row[0])

    # Entries

    def add_entries(self, rows: Iterable[EntryRow]) -> None:
        """Store entries in the order given."""
        top = self.last_entry()
        for row in rows:
            top = max(top + 1, entry_floor(row.stamp.utc_ms))
            kind = KINDS[type(row)].value
            self.connection.execute(
                "INSERT INTO entry (id, boot, sequence, kind, reservoir, body) VALUES (?, ?, ?, ?, ?, ?)",
                (top, row.stamp.boot, row.stamp.sequence, kind, row.reservoir, to_text(row)),
            )

    def last_entry(self) -> int:
        row = self.connection.execute("SELECT max(id) FROM entry").fetchone()
        return 0 if row[0] is None else int(row[0])

    def has_entry(self, row: EntryRow) -> bool:
        """Whether this very entry is stored already."""
        low, high = entry_floor(row.stamp.utc_ms), entry_floor(row.stamp.utc_ms + 1)
        sql = "SELECT 1 FROM entry WHERE id >= ? AND id < ? AND boot = ? AND sequence = ?"
        return (
            self.connection.execute(sql, (low, high, row.stamp.boot, row.stamp.sequence)).fetchone()
            is not None
        )

    def entries(
        self,
        after_id: int,
        before_id: int,
        kinds: Iterable[Kind] = (),
        reservoir: str | None = None,
        limit: int = -1,
    ) -> Iterator[tuple[int, EntryRow]]:
        """Entries with ``after_id < id < before_id`` in order; all kinds when none is named."""
        where, values = "id > ? AND id < ?", [after_id, before_id]
        words = [kind.value for kind in kinds]
        if words:
            where += f" AND kind IN ({', '.join('?' * len(words))})"
        names = [reservoir] if reservoir is not None else []
        if names:
            where += " AND reservoir = ?"
        sql = f"SELECT id, boot, sequence, kind, reservoir, body FROM entry WHERE {where} ORDER BY id LIMIT ?"
        for key, boot, sequence, kind, name, body in self.connection.execute(
            sql, (*values, *words, *names, limit)
        ):
            yield key, from_text(kind, name, Stamp(boot, sequence, key >> 8), body)

    def entries_before(
        self, before_id: int, kinds: Iterable[Kind], reservoir: str, among: int
    ) -> list[tuple[int, EntryRow]]:
        """Entries of these kinds and this reservoir, in order, from the last ``among`` entries before a key:
        the work does not grow with the log."""
        words = [kind.value for kind in kinds]
        sql = (
            "SELECT id, boot, sequence, kind, reservoir, body FROM entry WHERE id IN (SELECT id FROM "
            "(SELECT id, kind, reservoir FROM entry WHERE id < ? ORDER BY id DESC LIMIT ?) "
            f"WHERE kind IN ({', '.join('?' * len(words))}) AND reservoir = ?) ORDER BY id"
        )
        rows = self.connection.execute(sql, (before_id, among, *words, reservoir))
        return [
            (key, from_text(kind, name, Stamp(boot, sequence, key >> 8), body))
            for key, boot, sequence, kind, name, body in rows
        ]

    # What survives a restart

    @property
    def layout(self) -> int:
        """The number of the file's layout; a file that is only read may have an older one than ours."""
        return int(self.connection.execute("PRAGMA user_version").fetchone()[0])

    def save_state(self, states: Mapping[str, bytes]) -> None:
        self.connection.executemany(
            "INSERT OR REPLACE INTO state (key, value, checksum) VALUES (?, ?, ?)",
            [(key, value, zlib.crc32(value)) for key, value in states.items()],
        )

    def state(self) -> dict[str, bytes]:
        """Every saved value whose checksum fits; one from before there were checksums counts as fitting."""
        checksum = "checksum" if self.layout >= _LAYOUT_OF_MARKS else "-1"
        rows = self.connection.execute(f"SELECT key, value, {checksum} FROM state")
        return {key: bytes(value) for key, value, crc in rows if crc in (-1, zlib.crc32(value))}

    def identity(self) -> str:
        """A random name this file was given when it was begun."""
        row = self.connection.execute("SELECT value FROM state WHERE key = 'log.identity'").fetchone()
        if row:
            return bytes(row[0]).decode("ascii")
        made = secrets.token_hex(8)
        self.save_state({"log.identity": made.encode("ascii")})
        return made

    def last_utc_ms(self) -> int:
        """The latest UTC of anything in the file; 0 when it is empty."""
        block = self.connection.execute("SELECT last_ms FROM block ORDER BY id DESC LIMIT 1").fetchone()
        marks = [one.utc_ms for _, one in self.marks()]
        return max(int(block[0]) if block else 0, self.last_entry() >> 8, *marks, 0)

    # Retention

    def drop_before(
        self, *, block_hour: int, minute_hour: int, hour_hour: int, entry_ms: int, keep_from: int
    ) -> None:
        """Delete what is older than each bound; blocks from ``keep_from`` on stay, the outbox needs them.

        At most two days of readings go at once: a clock that jumped ahead must not empty the log at a stroke.
        """
        row = self.connection.execute("SELECT min(id) FROM block").fetchone()
        oldest = 0 if row[0] is None else int(row[0]) >> 24
        bound = min(block_id(block_hour, 0, 0), block_id(oldest + 48, 0, 0), keep_from)
        self.connection.execute("DELETE FROM block WHERE id < ?", (bound,))
        self.connection.execute("DELETE FROM minute WHERE id < ?", (hour_id(minute_hour, 0),))
        self.connection.execute("DELETE FROM hour WHERE id < ?", (hour_id(hour_hour, 0),))
        self.connection.execute("DELETE FROM entry WHERE id < ?", (entry_floor(entry_ms),))
