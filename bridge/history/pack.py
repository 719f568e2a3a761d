"""Readings of up to an hour as one compressed row, and roll-ups of an hour as another.

A year of readings a second apart must fit a memory card's patience, so the log writes an hour of one
reservoir at once and as small as it can. Three things make it small: numbers at the resolution they are
good for (:mod:`bridge.history.coding`), columns instead of rows, and a guess for every number
(:mod:`bridge.history.guess`).
"""

import math
import struct
import zlib
from array import array
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Protocol

from bridge.errors import LogError
from bridge.history.coding import ColumnReader, pack_column, steps, sums
from bridge.history.guess import ASKED, Guess, coded, valued
from bridge.history.guess import resolved as resolved
from bridge.history.records import FLOWS, ReadingRow, Series, Stamp, Values
from bridge.history.rest import Rest, no_rest
from bridge.history.rollup import Bucket, Cell
from bridge.water.health import Health

TICK_MS = 10
"""Resolution of a reading's time in the log: the jitter below it would be half of all bytes written."""

_HEAD = struct.Struct("<BIQqI")
_BUCKET_HEAD = struct.Struct("<BqIB")
_VERSION = 1
_LONG = 1000
_BITE = 64
"""Rows between two rests."""
_SLICE = 1024
"""Bytes squeezed between two rests."""
HEALTHS = {int(one): one for one in Health}
"""Cheaper to ask than the class is."""


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


class Table(Protocol):
    """Readings of one reservoir and one boot, in order, by columns; at least one."""

    @property
    def boot(self) -> int: ...

    def sequences(self) -> list[int]:
        """Their sequence numbers."""
        ...

    def utc_ms(self) -> list[int]:
        """Their times."""
        ...

    def paths(self) -> list[int]:
        """Their paths, as :attr:`Measured.path`."""
        ...

    def healths(self) -> list[int]:
        """Their healths."""
        ...

    def series(self, series: Series) -> "array[float]":
        """One series, NaN for none."""
        ...


def reading_row(reservoir: str, one: Measured) -> ReadingRow:
    """A reading of the log as the row that it was."""
    stamp = Stamp(one.boot, one.sequence, one.utc_ms)
    us, celsius, us_cm, ppm, uncertainty, feed, volume, kept, through = one.values
    return ReadingRow(
        stamp, reservoir, us, celsius, us_cm, ppm, uncertainty, feed, volume, kept, through,
        FLOWS[one.path], one.health,
    )  # fmt: skip


def _squeeze(columns: Sequence[bytes], rest: Rest) -> bytes:
    """One zlib stream, checksum included, with a code table of its own for each column long enough to pay for
    it."""
    squeezer = zlib.compressobj(9, zlib.DEFLATED, zlib.MAX_WBITS, 9, zlib.Z_FILTERED)
    out = []
    for column in columns:
        for at in range(0, len(column), _SLICE):
            rest()
            out.append(squeezer.compress(column[at : at + _SLICE]))
        if len(column) > _LONG:
            out.append(squeezer.flush(zlib.Z_BLOCK))
    out.append(squeezer.flush())
    return b"".join(out)


def pack_table(table: Table, rest: Rest = no_rest) -> bytes:
    """Readings of one reservoir and one boot, in order, as bytes."""
    sequences = table.sequences()
    first, count = sequences[0], len(sequences)
    rest()
    body = [pack_column(steps([sequence - first for sequence in sequences]))]
    del sequences
    rest()
    utc_ms = table.utc_ms()
    began_ms = utc_ms[0]
    rest()
    ticks = steps([(at - began_ms) // TICK_MS for at in utc_ms])
    del utc_ms
    rest()
    body.append(pack_column(steps(ticks)))
    for small in (table.paths, table.healths):
        rest()
        body.append(pack_column(steps(small())))
    body += _packed_series(table, count, rest)
    head = _HEAD.pack(_VERSION, table.boot, first, began_ms, count)
    return head + bytes([len(Series)]) + _squeeze(body, rest)


def _packed_series(table: Table, count: int, rest: Rest) -> Iterator[bytes]:
    # Arrays, for an hour in lists of numbers would be the largest thing in the daemon.
    kept: dict[Series, array[float]] = {}
    for series in Series:
        rest()
        column = table.series(series)
        rest()
        yield pack_column(steps([int(value != value) for value in column]))
        guess = Guess(series, kept)
        own = array("d")
        errors: list[int] = []
        last, code, rounded = math.nan, 0, 0.0
        for bite in _bites(count, rest):
            for i in bite:
                value = column[i]
                if value != value:
                    own.append(math.nan)
                    continue
                # Many a series stands still for long.
                if value != last:
                    last, code = value, coded(series, value)
                    rounded = valued(series, code)
                errors.append(code - guess.code(own, i))
                own.append(rounded)
                guess.learn(code)
        yield pack_column(errors)
        if series in ASKED:
            kept[series] = own


def _bites(count: int, rest: Rest) -> Iterator[range]:
    """The rows in short spans, with a rest after each."""
    for first in range(0, count, _BITE):
        yield range(first, min(first + _BITE, count))
        rest()


def unpack_readings(packed: bytes, rest: Rest = no_rest) -> list[Measured]:
    """The inverse of :func:`pack_table`, at the resolution of the log. :class:`LogError` on damaged
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
    columns: dict[Series, array[float]] = {}
    for series in list(Series)[:width]:
        rest()
        missing = sums(reader.column(count))
        errors = iter(reader.column(count - sum(missing)))
        guess = Guess(series, columns)
        own = array("d")
        for bite in _bites(count, rest):
            for i in bite:
                if missing[i]:
                    own.append(math.nan)
                    continue
                code = next(errors) + guess.code(own, i)
                own.append(valued(series, code))
                guess.learn(code)
        columns[series] = own
    none = (None,) * (len(Series) - width)
    try:
        return [
            Measured(
                boot, sequence + sequences[i], utc_ms + ticks[i] * TICK_MS, paths[i], HEALTHS[healths[i]],
                tuple([None if (v := column[i]) != v else v for column in columns.values()]) + none,
            )
            for bite in _bites(count, rest)
            for i in bite
        ]  # fmt: skip
    except KeyError as error:
        raise LogError(f"A block of readings in the log has a health {error}, which is none.") from error


def pack_buckets(buckets: Sequence[Bucket], rest: Rest = no_rest) -> bytes:
    """Buckets of one reservoir and one span, in order, as bytes. At least one bucket."""
    first = buckets[0]
    body = [
        pack_column(steps([(b.start_ms - first.start_ms) // b.span_ms for b in buckets])),
        pack_column(steps([b.count for b in buckets])),
        pack_column(steps([int(b.health) for b in buckets])),
    ]
    for series in Series:
        rest()
        cells = [b.cells[series] for b in buckets]
        body.append(pack_column(steps([int(cell is None) for cell in cells])))
        there = [cell for cell in cells if cell is not None]
        means = [coded(series, cell.mean) for cell in there]
        body.append(pack_column(steps(means)))
        body.append(pack_column([m - coded(series, c.least) for c, m in zip(there, means, strict=True)]))
        body.append(pack_column([coded(series, c.greatest) - m for c, m in zip(there, means, strict=True)]))
        body.append(pack_column([b.count - c.count for b, c in zip(buckets, cells, strict=True) if c]))
    head = _BUCKET_HEAD.pack(_VERSION, first.start_ms, first.span_ms, len(buckets))
    return head + bytes([len(Series)]) + _squeeze(body, rest)


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
            Cell(valued(series, m - low), valued(series, m), valued(series, m + high), n - lack)
            for m, low, high, n, lack in zip(means, lows, highs, there, lacks, strict=True)
        )
        columns.append([None if gone else next(cells) for gone in missing])
    columns += [[None] * count for _ in range(len(Series) - width)]
    return [
        Bucket(start, span_ms, cells, n, Health(health))
        for start, n, health, cells in zip(starts, counts, healths, zip(*columns, strict=True), strict=True)
    ]
