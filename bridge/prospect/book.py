"""What the log says of earlier cartridges, and of the feed as it was sampled by hand.

Shell: it reads the file, with a connection of its own that cannot write.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

from bridge.guard.words import Trip
from bridge.history.entries import Kind
from bridge.history.reader import Reader
from bridge.history.records import AlarmChange, AlarmRow, CartridgeRow, EntryRow, SampleRow
from bridge.purifier.capacity import Evidence


@dataclass(slots=True)
class Book:
    """By reservoir: what became of each cartridge, the oldest first, and the newest feed sample in µS/cm at
    25 °C, which knows of no scale."""

    earlier: dict[str, tuple[Evidence, ...]] = field(default_factory=dict)
    feed_us_cm: dict[str, float] = field(default_factory=dict)
    until_ms: int = 0
    """The time of the last row that was read."""


def read(path: Path, since_ms: int = 0) -> Book:
    """The book from the log's rows after ``since_ms``.

    Raises:
        LogError: the log cannot be read.
    """
    with Reader(path) as reader:
        end = reader.span_ms()[1] + 1
        return gathered(reader.events(since_ms + 1, end, kinds=(Kind.CARTRIDGE, Kind.ALARM, Kind.SAMPLE)))


def gathered(rows: Iterable[EntryRow]) -> Book:
    """The book from rows in order."""
    book = Book()
    standing: dict[str, bool] = {}
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
            case SampleRow(of="feed"):
                book.feed_us_cm[row.reservoir] = row.conductivity_25_us_cm
    return book
