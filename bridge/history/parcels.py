"""Readings on their way into one message to the hub's log: few of many, in order, at the log's resolution."""

import bisect
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Protocol

from bridge.history.guess import resolved
from bridge.history.pack import Measured, reading_row
from bridge.history.records import ReadingRow, Series
from bridge.history.rest import Rest
from bridge.history.spill import Sight

_LOOKS, _ROWS = 64, 8
"""Readings between two rests: looked at, and made into rows."""


@dataclass(frozen=True, slots=True)
class Cursor:
    """The last record of a stream that was dealt with."""

    boot: int = -1
    sequence: int = -1
    utc_ms: int = 0
    path: int = -1
    health: int = -1

    def precedes(self, boot: int, sequence: int) -> bool:
        return (self.boot, self.sequence) < (boot, sequence)


class Seen(Protocol):
    """Readings that are looked at from outside first, for few of them are wanted."""

    def sights(self) -> Iterator[Sight]:
        """All of them, in order."""
        ...

    def __getitem__(self, index: int, /) -> Measured:
        """One of them."""
        ...


class Unpacked:
    """The readings of a block that come after one."""

    def __init__(self, rows: list[Measured], after: Cursor) -> None:
        place = after.boot, after.sequence
        self._rows = rows
        self._first = bisect.bisect_right(rows, place, key=lambda one: (one.boot, one.sequence))

    def sights(self) -> Iterator[Sight]:
        for index in range(self._first, len(self._rows)):
            one = self._rows[index]
            yield one.boot, one.sequence, one.utc_ms, one.path, int(one.health)

    def __getitem__(self, index: int) -> Measured:
        return self._rows[self._first + index]


@dataclass(slots=True)
class Thinned:
    """Readings on their way into one parcel."""

    start: Cursor
    """Where the parcel before it ended."""
    kept: list[Measured]
    end: Cursor
    """The last reading that was looked at."""
    full: bool = False

    def look(self, seen: Seen, every_ms: int, most: int, rest: Rest) -> bool:
        """Keep what belongs into the parcel. False when one had no more room.

        Args:
            seen: the readings after ``end``.
            every_ms: one is kept of each span of so many milliseconds, and each whose path or health is new;
                0 for all.
            most: so many have room.
            rest: called in between.
        """
        kept, end = self.kept, self.end
        last: Sight = (end.boot, end.sequence, end.utc_ms, end.path, end.health)
        fits = True
        for index, sight in enumerate(seen.sights()):
            if not index % _LOOKS:
                rest()
            _, _, utc_ms, path, health = sight
            _, _, last_ms, last_path, last_health = last
            new_slot = not every_ms or utc_ms // every_ms != last_ms // every_ms
            if new_slot or path != last_path or health != last_health:
                if len(kept) == most:
                    fits = False
                    break
                kept.append(seen[index])
            last = sight
        self.end, self.full = Cursor(*last), len(kept) == most
        return fits

    def rows(self, reservoir: str, rest: Rest) -> tuple[ReadingRow, ...]:
        """What is kept as the log will keep it, so that a record sent twice has the same values twice."""
        rows = []
        for index, one in enumerate(self.kept):
            if not index % _ROWS:
                rest()
            rows.append(reading_row(reservoir, at_resolution(one)))
        return tuple(rows)


def at_resolution(one: Measured) -> Measured:
    """A reading with every value at the resolution of the log."""
    values = tuple(None if v is None else resolved(s, v) for s, v in zip(Series, one.values, strict=True))
    return Measured(one.boot, one.sequence, one.utc_ms, one.path, one.health, values)
