"""Reads the earlier cartridges, and the hand samples of feed and reservoir, from the log. Shell.

The connection to the log cannot write.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

from bridge.guard.commands import SAMPLE_WORDS
from bridge.guard.model import Trip
from bridge.history.reader import Reader
from bridge.history.records import (
    AlarmChange,
    AlarmRow,
    CartridgeRow,
    CommandRow,
    EntryRow,
    FillRow,
    Kind,
    SampleRow,
    UndoRow,
    when_ms,
)
from bridge.purifier.cartridge import Evidence

_KINDS = (Kind.CARTRIDGE, Kind.ALARM, Kind.SAMPLE, Kind.COMMAND, Kind.FILL, Kind.UNDO)


@dataclass(slots=True)
class CartridgeHistory:
    """The cartridge history of each reservoir, and the newest hand samples.

    The samples are conductivities in µS/cm at 25 °C, which do not depend on the ppm scale.
    """

    earlier: dict[str, tuple[Evidence, ...]] = field(default_factory=dict)
    """The end of each cartridge, the oldest first."""
    feed_us_cm: dict[str, float] = field(default_factory=dict)
    feed_ms: dict[str, int] = field(default_factory=dict)
    """When each of these samples was taken, UTC."""
    reservoir: dict[str, SampleRow] = field(default_factory=dict)
    """Only samples that the estimate of the reservoir has not used yet."""
    undone: set[str] = field(default_factory=set)
    """The reservoirs of which a sample was taken back."""
    until_ms: int = 0
    """The time of the last row that was read."""


def read(path: Path, since_ms: int = 0) -> CartridgeHistory:
    """Read the rows of a log after ``since_ms``.

    Raises:
        LogError: the log cannot be read.
    """
    with Reader(path) as reader:
        end = reader.span_ms()[1] + 1
        found = history_from(reader.events(since_ms + 1, end, kinds=_KINDS))
        for name in found.undone:
            # The sample before the one that was taken back counts again.
            known = history_from(reader.events(0, end, kinds=(Kind.SAMPLE,), reservoir=name))
            found.feed_us_cm.update(known.feed_us_cm)
            found.feed_ms.update(known.feed_ms)
        for name, taken_ms in tuple(found.feed_ms.items()):
            # A sample that was entered late counts only if no newer sample was entered before it.
            if taken_ms <= since_ms and name not in found.undone:
                known = history_from(reader.events(0, since_ms + 1, kinds=(Kind.SAMPLE,), reservoir=name))
                if known.feed_ms.get(name, 0) > taken_ms:
                    del found.feed_us_cm[name]
        return found


def history_from(rows: Iterable[EntryRow]) -> CartridgeHistory:
    """Return the history from rows in order."""
    found = CartridgeHistory()
    active: dict[str, bool] = {}
    sampled_ms: dict[str, int] = {}
    for row in rows:
        found.until_ms = max(found.until_ms, row.stamp.utc_ms)
        match row:
            case AlarmRow(alarm=Trip.PRODUCT_OVER_LIMIT):
                active[row.reservoir] = row.change not in (AlarmChange.RESET, AlarmChange.CLEARED)
            case CartridgeRow(load_g=float(load_g)) if load_g > 0.0:
                exhausted = row.exhausted
                if exhausted is None:
                    # An older row does not have this field, but the active trip of the product shows it.
                    exhausted = active.get(row.reservoir, False)
                before = found.earlier.get(row.reservoir, ())
                found.earlier[row.reservoir] = (*before, Evidence(load_g, exhausted))
            case SampleRow(of="feed") if when_ms(row) >= found.feed_ms.get(row.reservoir, 0):
                found.feed_us_cm[row.reservoir] = row.conductivity_25_us_cm
                found.feed_ms[row.reservoir] = when_ms(row)
            case UndoRow(kind=Kind.SAMPLE.value):
                found.undone.add(row.reservoir)
            case SampleRow(of="reservoir", at_ms=int()):
                # A sample of an earlier day does not describe the reservoir of today.
                pass
            case SampleRow(of="reservoir", uncertainty_ppm=0.0):
                # An older bridge wrote this copy of a sample when it used it.
                found.reservoir.pop(row.reservoir, None)
            case SampleRow(of="reservoir"):
                found.reservoir[row.reservoir] = row
                sampled_ms[row.reservoir] = row.stamp.utc_ms
            case CommandRow(what=what, accepted=True) if what.startswith(SAMPLE_WORDS):
                # With this command the station has used the sample.
                found.reservoir.pop(row.reservoir, None)
            case FillRow() if row.started_ms > sampled_ms.get(row.reservoir, row.started_ms):
                # Other water has flowed in since the sample.
                found.reservoir.pop(row.reservoir, None)
    return found
