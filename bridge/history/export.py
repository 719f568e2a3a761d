"""The log as CSV and as SenML, written as it is read: a month takes no more memory than an hour."""

import csv
import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
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


class Grain(Enum):
    """How fine an export is."""

    RAW = "raw"
    MINUTE = "minute"
    HOUR = "hour"


_SPAN_MS = {Grain.MINUTE: MINUTE_MS, Grain.HOUR: HOUR_MS}


@dataclass(frozen=True, slots=True)
class Wanted:
    """What to export: UTC milliseconds, ``start`` included and ``end`` not."""

    start: int
    end: int
    grain: Grain = Grain.MINUTE
    reservoirs: tuple[str, ...] = ()
    """All when empty."""
    series: tuple[Series, ...] = tuple(Series)


def utc_text(utc_ms: int) -> str:
    """RFC 3339 with milliseconds: ``2025-06-15T14:00:00.000Z``."""
    moment = datetime.fromtimestamp(utc_ms // 1000, UTC)
    return f"{moment:%Y-%m-%dT%H:%M:%S}.{utc_ms % 1000:03d}Z"


def export_csv(reader: Reader, out: TextIO, wanted: Wanted, progress: Progress = no_progress) -> int:
    """Write readings or roll-ups as CSV (RFC 4180) with a header; the number of rows after it.

    Units are in the column names, an empty cell is a value that is not there. Reservoir after reservoir,
    each in the order of its stamps. Raises ``LogError`` and what ``out`` raises.
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
        for bucket in reader.buckets(name, _SPAN_MS[wanted.grain], wanted.start, wanted.end, share):
            cells = []
            for series in wanted.series:
                cell = bucket.cells[series]
                cells += [cell.least, cell.mean, cell.greatest, cell.count] if cell else ["", "", "", 0]
            sheet.writerow([utc_text(bucket.start_ms), name, bucket.count, bucket.health.word, *cells])
            count += 1
    progress(1.0)
    return count


def export_senml(
    reader: Reader, out: TextIO, wanted: Wanted, progress: Progress = no_progress, *, root: str = "clearwell"
) -> int:
    """Write readings or roll-ups as one SenML pack of resolved records (RFC 8428, section 4.6); how many.

    Names are absolute, so that the pack can be cut anywhere. Raises ``LogError``, ``InputError`` for a name
    that SenML does not allow, and what ``out`` raises.
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
    """Write everything but readings as CSV: time, reservoir, kind, and the fields of the entry as JSON."""
    sheet = csv.writer(out, lineterminator="\r\n")
    sheet.writerow(["time", "reservoir", "kind", "details"])
    count = 0
    for row in reader.events(start, end, kinds=kinds, reservoir=reservoir):
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
    """Write everything but readings as one SenML pack of resolved records; how many records."""
    count = 0
    out.write("[")
    for row in reader.events(start, end, kinds=kinds):
        for record in entry_records(row, base_name(root, row.reservoir)):
            out.write(",\n" if count else "\n")
            out.write(write_one(record))
            count += 1
    out.write("\n]\n")
    return count


def _shares(reader: Reader, wanted: Wanted, progress: Progress) -> Iterator[tuple[str, Progress]]:
    """Each reservoir with its share of the progress."""
    names = wanted.reservoirs or tuple(reader.reservoirs())
    for index, name in enumerate(names):

        def share(fraction: float, done: int = index) -> None:
            progress((done + fraction) / len(names))

        yield name, share
