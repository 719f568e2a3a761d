"""Readings of up to an hour as one compressed row, and roll-ups of an hour as another.

A year of readings a second apart must fit a memory card's patience, so the log writes an hour of one
reservoir at once and as small as it can. Three things make it small: numbers at the resolution they are
good for (:mod:`bridge.history.coding`), columns instead of rows, and a guess for every number. A series that
follows from another (dissolved solids from conductivity, conductivity from conductance) is guessed from
it with the last ratio between the two, and what is stored is by how much the guess was wrong: mostly nothing.
"""

import math
import struct
import zlib
from collections.abc import Sequence
from dataclasses import dataclass

from bridge.errors import LogError
from bridge.history.coding import ColumnReader, code_of, pack_column, steps, sums, value_of
from bridge.history.records import FLOWS, SERIES_FACTS, ReadingRow, Series, Stamp, Values
from bridge.history.rollup import Bucket, Cell
from bridge.water.health import Health

TICK_MS = 10
"""Resolution of a reading's time in the log: the jitter below it would be half of all bytes written."""

PARENTS = {
    Series.CONDUCTIVITY_25: Series.CONDUCTANCE,
    Series.PRODUCT_PPM: Series.CONDUCTIVITY_25,
    Series.UNCERTAINTY: Series.PRODUCT_PPM,
}

_HEAD = struct.Struct("<BIQqI")
_BUCKET_HEAD = struct.Struct("<BqIB")
_VERSION = 1
_LIMIT = 2**30
_LONG = 1000


@dataclass(frozen=True, slots=True)
class Measured:
    """A reading as the log keeps it: without the name of its reservoir, its time in whole ticks."""

    boot: int
    sequence: int
    utc_ms: int
    path: int
    """Index into :data:`bridge.history.records.FLOWS`."""
    health: Health
    values: Values


def measured(row: ReadingRow) -> Measured:
    """A row made ready for the log; a number that is not finite counts as none."""
    values = tuple(v if v is not None and math.isfinite(v) else None for v in row.values)
    stamp = row.stamp
    utc_ms = stamp.utc_ms - stamp.utc_ms % TICK_MS
    return Measured(stamp.boot, stamp.sequence, utc_ms, FLOWS.index(row.path), row.health, values)


def reading_row(reservoir: str, one: Measured) -> ReadingRow:
    """The inverse of :func:`measured`."""
    stamp = Stamp(one.boot, one.sequence, one.utc_ms)
    us, celsius, us_cm, ppm, uncertainty, feed, volume, kept, through = one.values
    return ReadingRow(
        stamp, reservoir, us, celsius, us_cm, ppm, uncertainty, feed, volume, kept, through,
        FLOWS[one.path], one.health,
    )  # fmt: skip


def _code(series: Series, value: float) -> int:
    facts = SERIES_FACTS[series]
    if facts.step is None:
        return code_of(value, facts.digits)
    return max(-_LIMIT, min(_LIMIT, round(value / facts.step)))


def _value(series: Series, code: int) -> float:
    facts = SERIES_FACTS[series]
    return value_of(code, facts.digits) if facts.step is None else code / round(1 / facts.step)


class _Guess:
    """What the next code of one series is expected to be; packing and unpacking ask it the same questions."""

    def __init__(self, series: Series, columns: Sequence[list[float | None]]) -> None:
        self._digits = SERIES_FACTS[series].digits
        self._parent = columns[PARENTS[series]] if series in PARENTS else None
        # 2 % for each kelvin, turned back, is what a compensation to 25 °C does to first order.
        self._heat = columns[Series.TEMPERATURE] if series is Series.CONDUCTIVITY_25 else None
        self._mean = 0.0
        self._fresh = True

    def code(self, own: list[float | None], i: int) -> int:
        """The guess for row ``i``, from the values of the rows before it and the other series now."""
        if self._parent is not None and i:
            now, before, last = self._parent[i], self._parent[i - 1], own[i - 1]
            if now and before and last:
                guess = last / before * now
                if self._heat is not None:
                    warm, was = self._heat[i], self._heat[i - 1]
                    if warm is not None and was is not None:
                        guess *= 1 - 0.02 * (warm - was)
                return code_of(guess, self._digits)
        return round(self._mean)

    def learn(self, code: int) -> None:
        """A moving mean guesses better than the last value does when most of the change is noise."""
        self._mean = float(code) if self._fresh else self._mean + 0.3 * (code - self._mean)
        self._fresh = False


def resolved(series: Series, value: float) -> float:
    """A value at the resolution of the log."""
    return _value(series, _code(series, value))


def _squeeze(columns: Sequence[bytes]) -> bytes:
    """One zlib stream, checksum included, with a code table of its own for each column long enough to pay for
    it."""
    squeezer = zlib.compressobj(9, zlib.DEFLATED, zlib.MAX_WBITS, 9, zlib.Z_FILTERED)
    out = []
    for column in columns:
        out.append(squeezer.compress(column))
        if len(column) > _LONG:
            out.append(squeezer.flush(zlib.Z_BLOCK))
    out.append(squeezer.flush())
    return b"".join(out)


def pack_readings(rows: Sequence[Measured]) -> bytes:
    """Readings of one reservoir and one boot, in order, as bytes. At least one row."""
    first = rows[0]
    count = len(rows)
    body = [
        pack_column(steps([row.sequence - first.sequence for row in rows])),
        pack_column(steps(steps([(row.utc_ms - first.utc_ms) // TICK_MS for row in rows]))),
        pack_column(steps([row.path for row in rows])),
        pack_column(steps([int(row.health) for row in rows])),
    ]
    kept: list[list[float | None]] = []
    for series in Series:
        column = [row.values[series] for row in rows]
        body.append(pack_column(steps([int(value is None) for value in column])))
        guess = _Guess(series, kept)
        own: list[float | None] = []
        errors: list[int] = []
        for i, value in enumerate(column):
            if value is None:
                own.append(None)
                continue
            code = _code(series, value)
            errors.append(code - guess.code(own, i))
            own.append(_value(series, code))
            guess.learn(code)
        body.append(pack_column(errors))
        kept.append(own)
    head = _HEAD.pack(_VERSION, first.boot, first.sequence, first.utc_ms, count)
    return head + bytes([len(Series)]) + _squeeze(body)


def unpack_readings(packed: bytes) -> list[Measured]:
    """The inverse of :func:`pack_readings`, at the resolution of the log. :class:`LogError` on damaged
    bytes."""
    try:
        version, boot, sequence, utc_ms, count = _HEAD.unpack_from(packed)
        width = packed[_HEAD.size]
        reader = ColumnReader(zlib.decompress(packed[_HEAD.size + 1 :]))
    except (struct.error, IndexError, zlib.error) as error:
        raise LogError(f"A block of readings in the log cannot be unpacked: {error}.") from error
    if version != _VERSION or width > len(Series):
        raise LogError(f"A block of readings has version {version}; this program reads version {_VERSION}.")
    sequences = sums(reader.column(count))
    ticks = sums(sums(reader.column(count)))
    paths = sums(reader.column(count))
    healths = sums(reader.column(count))
    columns: list[list[float | None]] = []
    for series in list(Series)[:width]:
        missing = sums(reader.column(count))
        errors = iter(reader.column(count - sum(missing)))
        guess = _Guess(series, columns)
        own: list[float | None] = []
        for i in range(count):
            if missing[i]:
                own.append(None)
                continue
            code = next(errors) + guess.code(own, i)
            own.append(_value(series, code))
            guess.learn(code)
        columns.append(own)
    columns += [[None] * count for _ in range(len(Series) - width)]
    return [
        Measured(boot, sequence + ds, utc_ms + dt * TICK_MS, path, Health(health), values)
        for ds, dt, path, health, values in zip(
            sequences, ticks, paths, healths, zip(*columns, strict=True), strict=True
        )
    ]


def pack_buckets(buckets: Sequence[Bucket]) -> bytes:
    """Buckets of one reservoir and one span, in order, as bytes. At least one bucket."""
    first = buckets[0]
    body = [
        pack_column(steps([(b.start_ms - first.start_ms) // b.span_ms for b in buckets])),
        pack_column(steps([b.count for b in buckets])),
        pack_column(steps([int(b.health) for b in buckets])),
    ]
    for series in Series:
        cells = [b.cells[series] for b in buckets]
        body.append(pack_column(steps([int(cell is None) for cell in cells])))
        there = [cell for cell in cells if cell is not None]
        means = [_code(series, cell.mean) for cell in there]
        body.append(pack_column(steps(means)))
        body.append(pack_column([m - _code(series, c.least) for c, m in zip(there, means, strict=True)]))
        body.append(pack_column([_code(series, c.greatest) - m for c, m in zip(there, means, strict=True)]))
        body.append(pack_column([b.count - c.count for b, c in zip(buckets, cells, strict=True) if c]))
    head = _BUCKET_HEAD.pack(_VERSION, first.start_ms, first.span_ms, len(buckets))
    return head + bytes([len(Series)]) + _squeeze(body)


def unpack_buckets(packed: bytes) -> list[Bucket]:
    """The inverse of :func:`pack_buckets`, at the resolution of the log. :class:`LogError` on damaged
    bytes."""
    try:
        version, start_ms, span_ms, count = _BUCKET_HEAD.unpack_from(packed)
        width = packed[_BUCKET_HEAD.size]
        reader = ColumnReader(zlib.decompress(packed[_BUCKET_HEAD.size + 1 :]))
    except (struct.error, IndexError, zlib.error) as error:
        raise LogError(f"A roll-up in the log cannot be unpacked: {error}.") from error
    if version != _VERSION or width > len(Series):
        raise LogError(f"A roll-up has version {version}; this program reads version {_VERSION}.")
    starts = [start_ms + n * span_ms for n in sums(reader.column(count))]
    counts = sums(reader.column(count))
    healths = sums(reader.column(count))
    columns: list[list[Cell | None]] = []
    for series in list(Series)[:width]:
        missing = sums(reader.column(count))
        there = [n for n, gone in zip(counts, missing, strict=True) if not gone]
        means = sums(reader.column(len(there)))
        lows = reader.column(len(there))
        highs = reader.column(len(there))
        lacks = reader.column(len(there))
        cells = iter(
            Cell(_value(series, m - low), _value(series, m), _value(series, m + high), n - lack)
            for m, low, high, n, lack in zip(means, lows, highs, there, lacks, strict=True)
        )
        columns.append([None if gone else next(cells) for gone in missing])
    columns += [[None] * count for _ in range(len(Series) - width)]
    return [
        Bucket(start, span_ms, cells, n, Health(health))
        for start, n, health, cells in zip(starts, counts, healths, zip(*columns, strict=True), strict=True)
    ]
