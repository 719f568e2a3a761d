"""The outbox: what the hub's log has not acknowledged yet, in order, out of the log itself.

Every record is in the log before or while it is on its way, so the outbox stores nothing twice: it is a
cursor for each reservoir's readings and one for the entries. A record leaves it when its cursor has passed
it, which happens only when the broker has acknowledged it and everything before it in its stream. The cursors
are saved with the log; after a power cut they may be a little old, and some records go out a second time with
the same time and name.

When the hub stays away, the waiting readings fill the outbox. **What goes first when it is full: the oldest
readings.** Alarms, trips, commands and all other entries never go. The alert comes at ``alert_fraction``.
"""

import json
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Protocol

from bridge.history.pack import Measured, reading_row, resolved
from bridge.history.records import EntryRow, ReadingRow, Row, Series
from bridge.history.schema import block_id, hour_of
from bridge.history.store import Store

_END = 2**62
_ENTRIES = ""
"""The name of the entries' stream; no reservoir has an empty name."""
_SINCE = "outbox.since"
_PREFIX = "outbox.at."


@dataclass(frozen=True, slots=True)
class OutboxSettings:
    """What the hub's log is to get."""

    every_s: float = 10.0
    """At most one reading in each slot of so many seconds, and every one whose path or health is new; 0 for
    all."""
    pack_rows: int = 60
    """Readings in one parcel at most."""
    pack_s: float = 60.0
    """A parcel that is not full waits no longer than this for more readings."""
    limit_bytes: int = 32 * 2**20
    """Size in the file of the readings that may wait, all reservoirs together."""
    alert_fraction: float = 0.8


@dataclass(frozen=True, slots=True)
class OutboxLevel:
    """How full the outbox is."""

    fraction: float
    """Of ``limit_bytes``."""
    waiting_readings: int
    """In finished blocks, before thinning."""
    dropped_readings: int
    """Given up since the start because the outbox was full."""
    alert: bool


@dataclass(frozen=True, slots=True)
class Parcel:
    """Rows that travel in one message."""

    id: int
    reservoir: str
    """Empty for a parcel of entries, whose rows name their own."""
    rows: tuple[Row, ...]


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


@dataclass(slots=True)
class Thinned:
    """Readings on their way into one parcel."""

    start: Cursor
    """Where the parcel before it ended."""
    kept: list[Measured]
    end: Cursor
    """The last reading that was looked at."""
    full: bool = False


class Unstored(Protocol):
    """The readings that are in no block yet."""

    def after(self, reservoir: str, boot: int, sequence: int) -> list[Measured]:
        """Those of a reservoir after that one, in order."""
        ...

    def in_blocks(self, reservoir: str) -> tuple[int, int]:
        """Boot and sequence of the last reading in a block."""
        ...

    def names(self) -> list[str]:
        """Every reservoir."""
        ...


class Outbox:
    """The cursors and the parcels under way. Used from the writer's thread only; raises
    :class:`sqlite3.Error`."""

    def __init__(self, settings: OutboxSettings, save: Callable[[str, bytes], None]) -> None:
        self.settings = settings
        self._save = save
        self._since = Cursor()
        self._entry = 0
        self._cursors: dict[str, Cursor] = {}
        self._heads: dict[str, Cursor] = {}
        self._entry_head = 0
        self._ends: dict[int, Cursor | int] = {}
        self._window: list[Parcel] = []
        self._acked: set[int] = set()
        self._next_id = 1
        self._dropped = 0
        self._offers: dict[str, tuple[tuple[Row, ...], Cursor | int]] = {}
        """The next parcel of each stream that has one, found but not yet handed out."""
        self._cached: tuple[int, list[Measured]] = (-1, [])
        self._begun: dict[str, Thinned] = {}
        """The beginning of each stream's next parcel, found in readings that are in no block yet."""

    def load(self, state: dict[str, bytes], store: Store, boot: int) -> None:
        """Take the cursors up; on its first use, in this ``boot``, it begins at the end of the log."""
        since = state.get(_SINCE)
        if since is None:
            self._since = Cursor(boot - 1, _END, store.last_utc_ms())
            self._entry = store.last_entry()
            self._save(_SINCE, json.dumps([boot - 1, self._since.utc_ms, self._entry]).encode())
        else:
            before, utc_ms, self._entry = json.loads(since)
            self._since = Cursor(before, _END, utc_ms)
        for key, value in state.items():
            if key == _PREFIX:
                self._entry = max(self._entry, int(json.loads(value)))
            elif key.startswith(_PREFIX):
                self._cursors[key[len(_PREFIX) :]] = Cursor(*json.loads(value))
        self._entry_head = self._entry
        self._heads = dict(self._cursors)

    def peek(self, count: int, store: Store, waiting: Unstored) -> list[Parcel]:
        """The first parcels that are not acknowledged, at most ``count``, oldest first; the same again
        until they are."""
        idle: set[str] = set()
        while len(self._window) < count:
            for name in (_ENTRIES, *waiting.names()):
                if name not in self._offers and name not in idle:
                    offer = self._next(name, store, waiting)
                    if offer is None:
                        idle.add(name)
                    else:
                        self._offers[name] = offer
            if not self._offers:
                break
            name = min(self._offers, key=lambda one: self._offers[one][0][0].stamp)
            rows, end = self._offers.pop(name)
            parcel = Parcel(self._next_id, name, rows)
            self._next_id += 1
            self._window.append(parcel)
            self._ends[parcel.id] = end
            if isinstance(end, Cursor):
                self._heads[name] = end
            else:
                self._entry_head = end
        return [one for one in self._window if one.id not in self._acked][:count]

    def acknowledge(self, ids: Iterable[int]) -> None:
        """These parcels are with the broker. A stream's cursor moves over an unbroken row of acknowledged
        parcels only."""
        self._acked.update(one for one in ids if one in self._ends)
        stopped: set[str] = set()
        left: list[Parcel] = []
        for parcel in self._window:
            if parcel.id not in self._acked:
                stopped.add(parcel.reservoir)
            if parcel.reservoir in stopped:
                left.append(parcel)
                continue
            self._acked.discard(parcel.id)
            self._move(parcel.reservoir, self._ends.pop(parcel.id))
        self._window = left

    def level(self, store: Store) -> OutboxLevel:
        """How full the outbox is, after giving up the oldest readings if it was over its limit."""
        names = store.names()
        behind = []
        first = min((self._cursor(name).utc_ms for name in names.values()), default=self._since.utc_ms)
        for info in store.blocks(block_id(hour_of(first), 0, 0), _END):
            name = names.get(info.reservoir, "")
            if self._cursor(name).precedes(info.boot, info.last_sequence):
                behind.append((name, info))
        size = sum(info.size for _, info in behind)
        while size > self.settings.limit_bytes:
            name, info = behind.pop(0)
            size -= info.size
            self._dropped += info.readings
            self._give_up(name, Cursor(info.boot, info.last_sequence, info.last_ms))
        fraction = size / self.settings.limit_bytes
        alert = fraction >= self.settings.alert_fraction
        return OutboxLevel(fraction, sum(info.readings for _, info in behind), self._dropped, alert)

    def keep_from(self, store: Store) -> int:
        """The first block still needed."""
        return min(
            (block_id(hour_of(self._cursor(name).utc_ms), 0, 0) for name in store.names().values()),
            default=_END,
        )

    def _cursor(self, name: str) -> Cursor:
        return self._cursors.get(name, self._since)

    def _move(self, name: str, to: Cursor | int) -> None:
        if isinstance(to, Cursor):
            if not self._cursor(name).precedes(to.boot, to.sequence):
                return
            self._cursors[name] = to
            where: object = [to.boot, to.sequence, to.utc_ms, to.path, to.health]
        else:
            self._entry = to
            where = to
        self._save(_PREFIX + name, json.dumps(where).encode())

    def _give_up(self, name: str, to: Cursor) -> None:
        self._move(name, to)
        head = self._heads.get(name)
        if head is None or head.precedes(to.boot, to.sequence):
            self._heads[name] = to
            self._offers.pop(name, None)
        gone = [p for p in self._window if p.reservoir == name and not self._reaches_past(p, to)]
        for parcel in gone:
            self._window.remove(parcel)
            self._ends.pop(parcel.id)
            self._acked.discard(parcel.id)

    def _reaches_past(self, parcel: Parcel, to: Cursor) -> bool:
        end = self._ends[parcel.id]
        return isinstance(end, Cursor) and to.precedes(end.boot, end.sequence)

    def _next(
        self, name: str, store: Store, waiting: Unstored
    ) -> tuple[tuple[Row, ...], Cursor | int] | None:
        if name == _ENTRIES:
            found = list(store.entries(self._entry_head, _END, limit=16))
            entries: tuple[EntryRow, ...] = tuple(row for _, row in found)
            return (entries, found[-1][0]) if found else None
        head = self._heads.get(name) or self._cursor(name)
        if head.precedes(*waiting.in_blocks(name)):
            stored = Thinned(head, [], head)
            self._thin(stored, self._stored(name, head, store))
            if stored.kept:
                return _rows(name, stored.kept), stored.end
            head = self._heads[name] = stored.end
        # Looked at every second, so only what is new since the last look may cost anything.
        begun = self._begun.get(name)
        if begun is None or begun.start is not head:
            begun = self._begun[name] = Thinned(head, [], head)
        if not begun.full:
            self._thin(begun, waiting.after(name, begun.end.boot, begun.end.sequence))
        if not begun.kept:
            return None
        if begun.full or begun.end.utc_ms - begun.kept[0].utc_ms >= self.settings.pack_s * 1000:
            return _rows(name, begun.kept), begun.end
        return None

    def _stored(self, name: str, head: Cursor, store: Store) -> Iterator[Measured]:
        number = store.find(name)
        if number is None:
            return
        for info in list(store.blocks(block_id(hour_of(head.utc_ms), 0, 0), _END, number)):
            if not head.precedes(info.boot, info.last_sequence):
                continue
            if self._cached[0] != info.id:
                self._cached = (info.id, store.readings_in(info.id))
            yield from (one for one in self._cached[1] if head.precedes(one.boot, one.sequence))

    def _thin(self, parcel: Thinned, rows: Iterable[Measured]) -> None:
        """Put into a parcel what of these rows belongs there, until it is full."""
        every_ms = round(self.settings.every_s * 1000)
        kept, head = parcel.kept, parcel.end
        for one in rows:
            new_slot = not every_ms or one.utc_ms // every_ms != head.utc_ms // every_ms
            wanted = new_slot or one.path != head.path or one.health != head.health
            if wanted and len(kept) == self.settings.pack_rows:
                break
            if wanted:
                kept.append(one)
            head = Cursor(one.boot, one.sequence, one.utc_ms, one.path, int(one.health))
        parcel.end, parcel.full = head, len(kept) == self.settings.pack_rows


def _rows(name: str, kept: list[Measured]) -> tuple[ReadingRow, ...]:
    """The rows as the log will keep them, so that a record sent twice has the same values twice."""
    return tuple(reading_row(name, at_resolution(one)) for one in kept)


def at_resolution(one: Measured) -> Measured:
    """A reading with every value at the resolution of the log."""
    values = tuple(None if v is None else resolved(s, v) for s, v in zip(Series, one.values, strict=True))
    return Measured(one.boot, one.sequence, one.utc_ms, one.path, one.health, values)
