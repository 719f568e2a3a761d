"""What the log says of earlier cartridges, and of feed and reservoir as they were sampled by hand.

Shell: it reads the file, with a connection of its own that cannot write.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

from bridge.guard.model import Trip
from bridge.history.reader import Reader
from bridge.history.records import (
    AlarmChange,
    AlarmRow,
    CartridgeRow,
    EntryRow,
    FillRow,
    Kind,
    SampleRow,
    when_ms,
)
from bridge.purifier.capacity import Evidence

_KINDS = (Kind.CARTRIDGE, Kind.ALARM, Kind.SAMPLE, Kind.FILL)


@dataclass(slots=True)
class Book:
    """By reservoir: what became of each cartridge, the oldest first, and the newest samples in µS/cm at
    25 °C, which knows of no scale."""

    earlier: dict[str, tuple[Evidence, ...]] = field(default_factory=dict)
    feed_us_cm: dict[str, float] = field(default_factory=dict)
    feed_ms: dict[str, int] = field(default_factory=dict)
    """When each of these was taken, in UTC."""
    reservoir_us_cm: dict[str, float] = field(default_factory=dict)
    """Only samples that no mixing balance has taken yet."""
    until_ms: int = 0
    """The time of the last row that was read."""


def read(path: Path, since_ms: int = 0) -> Book:
    """The book from the log's rows after ``since_ms``.

    Raises:
        LogError: the log cannot be read.
    """
    with Reader(path) as reader:
        end = reader.span_ms()[1] + 1
        book = gathered(reader.events(since_ms + 1, end, kinds=_KINDS))
        for name, taken_ms in book.feed_ms.items():
            # One that was entered late counts only if none that was taken after it was entered before.
            if taken_ms <= since_ms:
                known = gathered(reader.events(0, since_ms + 1, kinds=(Kind.SAMPLE,), reservoir=name))
                if known.feed_ms.get(name, 0) > taken_ms:
                    del book.feed_us_cm[name]
        return book


def gathered(rows: Iterable[EntryRow]) -> Book:
    """The book from rows in order."""
    book = Book()
    standing: dict[str, bool] = {}
    sampled_ms: dict[str, int] = {}
    for row in rows:
        book.until_ms = max(book.until_ms, row.stamp.utc_ms)
        match row:
            case AlarmRow(alarm=Trip.PRODUCT_OVER_LIMIT):
                standing[row.reservoir] = row.change not in (AlarmChange.RESET, AlarmChange.CLEARED)
            case CartridgeRow(load_g=float(load_g)) if load_g > 0.0:
                exhausted = row.exhausted
                if exhausted is None:
                    # An older row does not say; a trip of the product that stood does.
                    exhausted = standing.get(row.reservoir, False)
                before = book.earlier.get(row.reservoir, ())
                book.earlier[row.reservoir] = (*before, Evidence(load_g, exhausted))
            case SampleRow(of="feed") if when_ms(row) >= book.feed_ms.get(row.reservoir, 0):
                book.feed_us_cm[row.reservoir] = row.conductivity_25_us_cm
                book.feed_ms[row.reservoir] = when_ms(row)
            case SampleRow(of="reservoir", at_ms=int()):
                # What it held then, and not what the balance holds now.
                pass
            case SampleRow(of="reservoir") if row.uncertainty_ppm > 0.0:
                book.reservoir_us_cm[row.reservoir] = row.conductivity_25_us_cm
                sampled_ms[row.reservoir] = row.stamp.utc_ms
            case SampleRow(of="reservoir"):
                # What a station writes of a sample it has obeyed knows of no uncertainty.
                book.reservoir_us_cm.pop(row.reservoir, None)
            case FillRow() if row.started_ms > sampled_ms.get(row.reservoir, row.started_ms):
                # Other water has come in since.
                book.reservoir_us_cm.pop(row.reservoir, None)
    return book
