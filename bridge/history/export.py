"""Exports the log as CSV and SenML, row by row: a month needs no more memory than an hour. Shell."""

import csv
import json
from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum
from typing import TextIO

from bridge.history.reader import Progress, Reader, no_progress
from bridge.history.records import KINDS, Kind, Series, details
from bridge.history.rollup import HOUR_MS, MINUTE_MS
from bridge.history.senml import (
    SenmlRecord,
    base_name,
    bucket_records,
    entry_records,
    reading_records,
    write_one,
)
from bridge.history.views import utc_text


class Grain(Enum):
    """The resolution of an export."""

    RAW = "raw"
    MINUTE = "minute"
    HOUR = "hour"


_SPAN_MS = {Grain.MINUTE: MINUTE_MS, Grain.HOUR: HOUR_MS}


@dataclass(frozen=True, slots=True)
class Wanted:
    """What to export. ``start`` is included, ``end`` is not; both are UTC milliseconds."""

    start: int
    end: int
    grain: Grain = Grain.MINUTE
    reservoirs: tuple[str, ...] = ()
    """Empty for all."""
    series: tuple[Series, ...] = tuple(Series)


def export_csv(reader: Reader, out: TextIO, wanted: Wanted, progress: Progress = no_progress) -> int:
    """Write readings or roll-ups as CSV (RFC 4180) with a header.

    Units are in the column names. An empty cell is a missing value. The reservoirs follow one another, each
    in the order of its stamps. Errors of ``out`` are raised unchanged.

    Args:
        reader: the log.
        out: the file to write.
        wanted: what to export.
        progress: called with the fraction done.

    Returns:
        The number of rows after the header.

    Raises:
        LogError: the log cannot be read.
    """
    sheet = csv.writer(out, lineterminator="\r\n")
    fields = [series.facts.field for series in wanted.series]
    count = 0
    if wanted.grain is Grain.RAW:
        sheet.writerow(["time", "reservoir", "path", "health", *fields])
    else:
        parts = [f"{field}_{part}" for field in fields for part in ("min", "mean", "max", "count")]
        sheet.writerow(["time", "reservoir", "readings", "health", *parts])
    for name, share in _shares(reader, wanted, progress):
        if wanted.grain is Grain.RAW:
            for row in reader.readings(name, wanted.start, wanted.end, share):
                values = row.values
                cells: list[object] = [values[series] for series in wanted.series]
                sheet.writerow([utc_text(row.stamp.utc_ms), name, row.path.value, row.health.word, *cells])
                count += 1
            continue
        span_ms = _SPAN_MS[wanted.grain]
        for line in reader.bucket_values(name, span_ms, wanted.start, wanted.end, wanted.series, share):
            sheet.writerow(line)
            count += 1
    progress(1.0)
    return count


def export_senml(
    reader: Reader, out: TextIO, wanted: Wanted, progress: Progress = no_progress, *, root: str = "clearwell"
) -> int:
    """Write readings or roll-ups as one SenML pack of resolved records (RFC 8428, section 4.6).

    Names are absolute, so that the pack can be divided anywhere. Errors of ``out`` are raised unchanged.

    Args:
        reader: the log.
        out: the file to write.
        wanted: what to export.
        progress: called with the fraction done.
        root: the first part of every name.

    Returns:
        The number of records.

    Raises:
        LogError: the log cannot be read.
        InputError: SenML does not allow a name.
    """
    count = 0
    out.write("[")
    for record in _records(reader, wanted, progress, root):
        out.write(",\n" if count else "\n")
        out.write(write_one(record))
        count += 1
    out.write("\n]\n")
    progress(1.0)
    return count


def _records(reader: Reader, wanted: Wanted, progress: Progress, root: str) -> Iterator[SenmlRecord]:
    for name, share in _shares(reader, wanted, progress):
        base = base_name(root, name)
        if wanted.grain is Grain.RAW:
            for row in reader.readings(name, wanted.start, wanted.end, share):
                yield from reading_records(row, base, wanted.series)
        else:
            for bucket in reader.buckets(name, _SPAN_MS[wanted.grain], wanted.start, wanted.end, share):
                yield from bucket_records(bucket, base, wanted.series)


def export_events_csv(
    reader: Reader,
    out: TextIO,
    start: int,
    end: int,
    *,
    kinds: tuple[Kind, ...] = (),
    reservoir: str | None = None,
) -> int:
    """Write entries as CSV: time, reservoir, kind, and the fields of the entry as JSON.

    Args:
        reader: the log.
        out: the file to write.
        start: the start, UTC milliseconds.
        end: the end, not included.
        kinds: the kinds of entry; empty for all.
        reservoir: the reservoir; None for all.

    Returns:
        The number of rows after the header.
    """
    sheet = csv.writer(out, lineterminator="\r\n")
    sheet.writerow(["time", "reservoir", "kind", "details"])
    count = 0
    for row in reader.events(start, end, kinds=kinds, reservoir=reservoir, undone=True):
        text = json.dumps(details(row), ensure_ascii=False).encode("utf-8", "replace").decode("utf-8")
        sheet.writerow([utc_text(row.stamp.utc_ms), row.reservoir, KINDS[type(row)].value, text])
        count += 1
    return count


def export_events_senml(
    reader: Reader,
    out: TextIO,
    start: int,
    end: int,
    *,
    kinds: tuple[Kind, ...] = (),
    root: str = "clearwell",
) -> int:
    """Write entries as one SenML pack of resolved records.

    Args:
        reader: the log.
        out: the file to write.
        start: the start, UTC milliseconds.
        end: the end, not included.
        kinds: the kinds of entry; empty for all.
        root: the first part of every name.

    Returns:
        The number of records.
    """
    count = 0
    out.write("[")
    for row in reader.events(start, end, kinds=kinds, undone=True):
        for record in entry_records(row, base_name(root, row.reservoir)):
            out.write(",\n" if count else "\n")
            out.write(write_one(record))
            count += 1
    out.write("\n]\n")
    return count


def _shares(reader: Reader, wanted: Wanted, progress: Progress) -> Iterator[tuple[str, Progress]]:
    """Yield each reservoir with its part of the progress."""
    names = wanted.reservoirs or tuple(reader.reservoirs())
    for index, name in enumerate(names):

        def share(fraction: float, done: int = index) -> None:
            progress((done + fraction) / len(names))

        yield name, share
