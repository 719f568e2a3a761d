"""Migrates a log of an older layout to the tables of today. Shell.

In layouts 1 and 2 readings and roll-ups are packed. Layout 3 has fewer columns and tables than layout 4.

Only this file knows the old format. An hour of readings of one reservoir is one zlib stream of columns of
integers. A number is stored as the difference between its code and a prediction from the values before it.

A daemon of layout 2 kept its newest rows in a second file, the spill: beside the log as ``<log>.spill``, or
under a name that ends in ``.spill`` in the runtime directory of the service or in ``/dev/shm``. It moved the
readings into the log once an hour, other rows within a minute, and all rows when it was stopped in order. If
the old daemon was killed, the migration loses the rows that are only in the spill: at most the readings of
the last hour that were not packed, except those that had moved clearly, and events, ends of fills and
counters of the last minute. Alarms, trips, commands, cartridges, samples and the latched state were in the
log at once. To avoid the loss, start the old daemon once more and stop it in order before the first start of
this version. The migration neither reads, changes nor deletes the spill.
"""

import json
import sqlite3
import struct
import sys
import time
import zlib
from array import array
from collections.abc import Iterable, Iterator, Mapping, Sequence
from math import floor, log10, nan

from bridge.errors import LogError
from bridge.guard.model import Flow
from bridge.history.records import (
    Bucket,
    Cell,
    Kind,
    MinuteRow,
    ReadingRow,
    Series,
    Stamp,
    StateRow,
    reading_of,
)
from bridge.history.rollup import HOUR_MS, MINUTE_MS, ByException, RollUp
from bridge.history.store import Store
from bridge.history.views import ENTRY_COLUMNS, entry, entry_table, first_id, views
from bridge.water.health import Health

SESSION = "log.session"
ACKNOWLEDGED = "outbox.acknowledged"
_TABLES = ("reservoir", "block", "mark", "minute", "hour", "entry", "state")
_FLOWS = (Flow.SHUT, Flow.TO_RESERVOIR, Flow.TO_DRAIN)
_RENAMED = {"log.boot": SESSION, "prospect": "forecast"}
_ALARMS = {"product-over-advice": "product-over-target"}
"""The alarms whose id has changed."""
_CHANGES = {"returned": "cleared-unacknowledged"}
_STATUSES = {"returned-unacknowledged": "cleared-unacknowledged"}
_REST_S = 0.002
"""The pause of the thread after each hour of readings, so that the event loop can run."""

_HEAD = struct.Struct("<BIQqI")
_BUCKET_HEAD = struct.Struct("<BqIB")
_RAW = struct.Struct(f"<IIqBB{len(Series)}d")
_TICK_MS = 10
_STEPS = {Series.TEMPERATURE: 100, Series.THROUGHPUT: 100}
"""The series with a fixed resolution, in steps per unit."""
_DIGITS = {Series.UNCERTAINTY: 3, Series.FEED_PPM: 3}
"""The significant digits of the other series, if not four."""
_PARENTS = {
    Series.CONDUCTIVITY_25: Series.CONDUCTANCE,
    Series.PRODUCT_PPM: Series.CONDUCTIVITY_25,
    Series.UNCERTAINTY: Series.PRODUCT_PPM,
}
"""The series that are predicted from another one, with the last ratio between the two."""


def set_old_tables_aside(connection: sqlite3.Connection, layout: int) -> None:
    """Rename the old tables, because some new ones have the same names."""
    for name in _there(layout):
        connection.execute(f"ALTER TABLE {name} RENAME TO old_{name}")


def take_over(connection: sqlite3.Connection, layout: int) -> None:
    """Copy the rows of the old tables to the new ones, and drop the old tables."""
    store = Store(connection)
    names = dict(connection.execute("SELECT id, name FROM old_reservoir"))
    for table in ("old_minute", "old_hour"):
        for key, body in connection.execute(f"SELECT id, body FROM {table} ORDER BY id").fetchall():
            for bucket in _buckets(body):
                store.put_bucket(names[key & 4095], bucket)
            time.sleep(_REST_S)
    _take_over_rows(connection, store, names, layout)
    state = state_in(connection, layout, prefix="old_")
    state[ACKNOWLEDGED] = StateRow(ACKNOWLEDGED, 1, str(_acknowledged(connection, store)))
    store.save_state(state.values())
    for name in _there(layout):
        connection.execute(f"DROP TABLE old_{name}")


def extend_tables(connection: sqlite3.Connection) -> None:
    """Add to the tables of layout 3 what layout 4 has more: the meter of a sample, and entries taken back."""
    there = {str(row[1]) for row in connection.execute("PRAGMA table_info(sample)")}
    for name, sort, _ in ENTRY_COLUMNS[Kind.SAMPLE]:
        if name not in there:
            connection.execute(f"ALTER TABLE sample ADD COLUMN {name} {sort}")
    connection.execute("UPDATE sample SET meter = '', below_resolution = 0")
    connection.execute(entry_table(Kind.UNDO))
    names = connection.execute("SELECT name FROM sqlite_master WHERE type = 'view'").fetchall()
    for (name,) in names:
        connection.execute(f"DROP VIEW {name}")
    for statement in views().split(";"):
        connection.execute(statement)


def state_in(connection: sqlite3.Connection, layout: int, *, prefix: str = "") -> dict[str, StateRow]:
    """Return the saved state of an old log by its keys of today, without the log's own."""
    checksum = "checksum" if layout > 1 else "-1"
    found: dict[str, StateRow] = {}
    for key, value, crc in connection.execute(f"SELECT key, value, {checksum} FROM {prefix}state"):
        body = bytes(value)
        if crc not in (-1, zlib.crc32(body)) or key == "log.identity" or key.startswith("outbox."):
            continue
        first, dot, rest = key.partition(".")
        name = _RENAMED.get(key) or _RENAMED.get(first, first) + dot + rest
        try:
            text = (zlib.decompress(body) if first == "prospect" else body).decode()
            data = json.loads(text) if key != "log.calibrations" else text
        except (ValueError, zlib.error):
            continue
        version = data.pop("layout", 1) if isinstance(data, dict) else 1
        if first == "latched" and isinstance(data, dict):
            data["alarms"] = [
                [_ALARMS.get(alarm, alarm), _STATUSES.get(status, status), *times]
                for alarm, status, *times in data.get("alarms", ())
            ]
        found[name] = StateRow(name, version, json.dumps(data, separators=(",", ":")))
    return found


def save_state_in(connection: sqlite3.Connection, layout: int, rows: Iterable[StateRow]) -> None:
    """Store saved state in an old log, in the format of that layout."""
    for row in rows:
        data = json.loads(row.text)
        if isinstance(data, dict):
            data["layout"] = row.version
        body = (data if isinstance(data, str) else json.dumps(data, separators=(",", ":"))).encode()
        stored = (row.key, body, zlib.crc32(body))[: 3 if layout > 1 else 2]
        places = ", ".join("?" * len(stored))
        connection.execute(f"INSERT OR REPLACE INTO state VALUES ({places})", stored)


def span_ms_in(connection: sqlite3.Connection, layout: int) -> tuple[int, int]:
    """Return the first and the last time in an old log; ``(0, 0)`` if it is empty."""
    first, last = connection.execute(
        "SELECT min(a), max(b) FROM (SELECT min(id) >> 8 AS a, max(id) >> 8 AS b FROM entry UNION ALL "
        f"SELECT (min(id) >> 24) * {HOUR_MS}, max(last_ms) FROM block UNION ALL "
        f"SELECT (min(id) >> 12) * {HOUR_MS}, NULL FROM hour)"
    ).fetchone()
    marks = [row.stamp.utc_ms for _, row in _marks(connection, layout, "")]
    return int(first or min(marks, default=0)), max(int(last or 0), *marks, 0)


def _there(layout: int) -> list[str]:
    return [name for name in _TABLES if name != "mark" or layout > 1]


def _take_over_rows(
    connection: sqlite3.Connection, store: Store, names: Mapping[int, str], layout: int
) -> None:
    """Copy readings and entries. Readings are stored by exception, as in the log of today."""
    rolled = connection.execute("SELECT max(id) >> 12 FROM old_hour").fetchone()[0]
    fresh_ms = 0 if rolled is None else (int(rolled) + 1) * HOUR_MS
    last: dict[str, tuple[int, int]] = {}
    kept: dict[str, ByException] = {}
    rolls: dict[str, RollUp] = {}
    blocks = connection.execute("SELECT id FROM old_block ORDER BY id").fetchall()
    for (key,) in blocks:
        name = names[(key >> 12) & 4095]
        body = connection.execute("SELECT body FROM old_block WHERE id = ?", (key,)).fetchone()[0]
        _take_readings(store, _readings(name, body), last, kept, rolls, fresh_ms)
        time.sleep(_REST_S)
    marks = [row for number, row in _marks(connection, layout, "old_", names) if number in names]
    _take_readings(store, marks, last, kept, rolls, fresh_ms)
    for name, roll in rolls.items():
        bucket = roll.close()
        if bucket is not None:
            store.add_minute(MinuteRow(name, bucket))
    found = connection.execute("SELECT id, boot, sequence, kind, reservoir, body FROM old_entry ORDER BY id")
    for key, boot, sequence, kind, name, body in found.fetchall():
        stamp = Stamp(boot, sequence, key >> 8)
        given = json.loads(body)
        if kind == Kind.ALARM.value:
            given["alarm"] = _ALARMS.get(given["alarm"], given["alarm"])
            given["change"] = _CHANGES.get(given["change"], given["change"])
        store.add_entry(key, entry(Kind(kind), stamp, name, given))


def _take_readings(
    store: Store,
    rows: Iterable[ReadingRow],
    last: dict[str, tuple[int, int]],
    kept: dict[str, ByException],
    rolls: dict[str, RollUp],
    fresh_ms: int,
) -> None:
    """Store the readings that are not stored yet, and the minutes that the old log does not have."""
    for row in rows:
        name, order = row.reservoir, (row.stamp.boot, row.stamp.sequence)
        if order <= last.get(name, (-1, -1)):
            continue
        last[name] = order
        if kept.setdefault(name, ByException()).keeps(row):
            store.add_reading(store.free_id(first_id(row.stamp.utc_ms)), row)
        if row.stamp.utc_ms >= fresh_ms:
            closed = rolls.setdefault(name, RollUp(MINUTE_MS)).add(row.stamp.utc_ms, row.values, row.health)
            if closed is not None:
                store.add_minute(MinuteRow(name, closed))


def _acknowledged(connection: sqlite3.Connection, store: Store) -> int:
    """Return the id up to which the hub's log had every row. Some later rows may be sent a second time."""
    found = dict(connection.execute("SELECT key, value FROM old_state WHERE key LIKE 'outbox.%'"))
    if "outbox.since" not in found:
        return store.last_id()
    _, since_ms, entry_id = json.loads(found.pop("outbox.since"))
    if "outbox.at." in found:
        entry_id = max(entry_id, json.loads(found.pop("outbox.at.")))
    at_ms = {key[len("outbox.at.") :]: int(json.loads(value)[2]) for key, value in found.items()}
    behind = [store.last_id()]
    if any(next(store.entries(kind, entry_id + 1, 2**62), None) for kind in Kind):
        behind.append(int(entry_id))
    for name in store.reservoirs():
        position = first_id(at_ms.get(name, since_ms) + 1) - 1
        if next(store.readings(position + 1, 2**62, name), None) is not None:
            behind.append(position)
    return min(behind)


def _marks(
    connection: sqlite3.Connection, layout: int, prefix: str, names: Mapping[int, str] | None = None
) -> Iterator[tuple[int, ReadingRow]]:
    """Yield the readings of the hour that was not packed yet, with the numbers of their reservoirs."""
    if layout < 2:
        return
    for number, body in connection.execute(
        f"SELECT reservoir, body FROM {prefix}mark ORDER BY id"
    ).fetchall():
        raw = zlib.decompress(body)
        for at in range(0, len(raw), _RAW.size):
            boot, sequence, utc_ms, path, health, *numbers = _RAW.unpack_from(raw, at)
            values = [None if value != value else value for value in numbers]
            stamp = Stamp(boot, sequence, utc_ms)
            name = (names or {}).get(number, "")
            yield number, reading_of(stamp, name, values, _FLOWS[path], Health(health))


# --- the packed format --------------------------------------------------------------------------------


def _readings(name: str, packed: bytes) -> list[ReadingRow]:
    """Unpack one block of readings."""
    try:
        version, boot, sequence, utc_ms, count = _HEAD.unpack_from(packed)
        width = packed[_HEAD.size]
        columns = _Columns(zlib.decompress(packed[_HEAD.size + 1 :]))
    except (struct.error, IndexError, zlib.error) as error:
        raise LogError(f"A block of readings in the old log cannot be unpacked: {error}.") from error
    _check(version, width)
    sequences = _sums(columns.take(count))
    ticks = _sums(_sums(columns.take(count)))
    paths = _sums(columns.take(count))
    healths = _sums(columns.take(count))
    found: dict[Series, array[float]] = {}
    for series in list(Series)[:width]:
        missing = _sums(columns.take(count))
        errors = iter(columns.take(count - sum(missing)))
        own = array("d")
        mean, fresh = 0.0, True
        for i in range(count):
            if missing[i]:
                own.append(nan)
                continue
            predicted = _predicted(series, found, own, i)
            code = next(errors) + (round(mean) if predicted is None else predicted)
            own.append(_valued(series, code))
            mean = float(code) if fresh else mean + 0.3 * (code - mean)
            fresh = False
        found[series] = own
    none: list[float | None] = [None] * (len(Series) - width)
    rows = []
    for i in range(count):
        values = [None if (v := column[i]) != v else v for column in found.values()]
        stamp = Stamp(boot, sequence + sequences[i], utc_ms + ticks[i] * _TICK_MS)
        path, health = _FLOWS[paths[i]], Health(healths[i])
        rows.append(reading_of(stamp, name, [*values, *none], path, health))
    return rows


def _buckets(packed: bytes) -> list[Bucket]:
    """The packed minutes of an hour, or its one hour."""
    try:
        version, start_ms, span_ms, count = _BUCKET_HEAD.unpack_from(packed)
        width = packed[_BUCKET_HEAD.size]
        columns = _Columns(zlib.decompress(packed[_BUCKET_HEAD.size + 1 :]))
    except (struct.error, IndexError, zlib.error) as error:
        raise LogError(f"A roll-up in the old log cannot be unpacked: {error}.") from error
    _check(version, width)
    starts = [start_ms + n * span_ms for n in _sums(columns.take(count))]
    counts = _sums(columns.take(count))
    healths = _sums(columns.take(count))
    series_cells: list[list[Cell | None]] = []
    for series in list(Series)[:width]:
        missing = _sums(columns.take(count))
        there = [n for n, gone in zip(counts, missing, strict=True) if not gone]
        means = _sums(columns.take(len(there)))
        lows, highs, lacks = (columns.take(len(there)) for _ in range(3))
        cells = iter(
            Cell(_valued(series, m - low), _valued(series, m), _valued(series, m + high), n - lack)
            for m, low, high, n, lack in zip(means, lows, highs, there, lacks, strict=True)
        )
        series_cells.append([None if gone else next(cells) for gone in missing])
    series_cells += [[None] * count for _ in range(len(Series) - width)]
    return [
        Bucket(start, span_ms, cells, n, Health(health))
        for start, n, health, cells in zip(
            starts, counts, healths, zip(*series_cells, strict=True), strict=True
        )
    ]


def _check(version: int, width: int) -> None:
    if version != 1 or width > len(Series):
        raise LogError(f"A packed row of the old log has version {version}; version 1 can be read.")


def _predicted(
    series: Series, columns: Mapping[Series, "array[float]"], own: "array[float]", i: int
) -> int | None:
    parent = _PARENTS.get(series)
    if parent is None or not i:
        return None
    now, before, last = columns[parent][i], columns[parent][i - 1], own[i - 1]
    if not (now and before and last):
        return None
    predicted = last / before * now
    if series is Series.CONDUCTIVITY_25:
        heat = columns[Series.TEMPERATURE]
        warmer = heat[i] - heat[i - 1]
        if warmer == warmer:
            predicted *= 1 - 0.02 * warmer
    return _code_of(predicted, _DIGITS.get(series, 4)) if predicted == predicted else None


def _code_of(value: float, digits: int) -> int:
    """Return the code of a number: numbers of this many significant digits, counted from 1e-6 up."""
    size = min(abs(value), 1e30)
    if size < 1e-6:
        return 0
    decade = floor(log10(size))
    exponent = decade - digits + 1
    lowest = int(10 ** (digits - 1))
    mantissa = round(size / 10.0**exponent if exponent >= 0 else size * 10.0**-exponent)
    if mantissa >= 10 * lowest:
        mantissa, decade = lowest, decade + 1
    elif mantissa < lowest:
        mantissa = lowest
    code = (decade + 6) * 9 * lowest + mantissa - lowest + 1
    return code if value > 0 else -code


def _valued(series: Series, code: int) -> float:
    """Return the number of a code."""
    if series in _STEPS:
        return code / _STEPS[series]
    if code == 0:
        return 0.0
    digits = _DIGITS.get(series, 4)
    lowest = int(10 ** (digits - 1))
    decade, mantissa = divmod(abs(code) - 1, 9 * lowest)
    exponent = decade - 6 - digits + 1
    mantissa += lowest
    size = mantissa * 10.0**exponent if exponent >= 0 else mantissa / 10.0**-exponent
    return size if code > 0 else -size


class _Columns:
    """Reads columns from a byte string: a width, then this many planes of bytes, the low ones first."""

    def __init__(self, body: bytes) -> None:
        self._body = body
        self._at = 0

    def take(self, count: int) -> list[int]:
        """Return the next column of ``count`` signed integers."""
        width = self._part(1)[0]
        flat = bytearray(4 * count)
        for plane in range(width):
            flat[plane::4] = self._part(count)
        folded = array("I", bytes(flat))
        if sys.byteorder == "big":
            folded.byteswap()
        return [(n >> 1) if not n & 1 else ~(n >> 1) for n in folded]

    def _part(self, length: int) -> bytes:
        part = self._body[self._at : self._at + length]
        if len(part) != length:
            raise LogError("A packed row of the old log ends too early: that part of the file is damaged.")
        self._at += length
        return part


def _sums(numbers: Sequence[int]) -> list[int]:
    total, out = 0, []
    for number in numbers:
        total += number
        out.append(total)
    return out
