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
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import Protocol

from bridge.history.parcels import Cursor, Seen, Thinned, Unpacked
from bridge.history.records import EntryRow, Row
from bridge.history.rest import Rest, no_rest
from bridge.history.schema import block_id, hour_of
from bridge.history.store import Store

_END = 2**62
_ENTRIES = ""
"""The name of the entries' stream; no reservoir has an empty name."""
_SINCE = "outbox.since"
_PREFIX = "outbox.at."
_MOST_READY = 8
"""Parcels that one unpacking of a block gives."""


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


class Unstored(Protocol):
    """The readings that are in no block yet."""

    def after(self, reservoir: str, boot: int, sequence: int) -> Seen:
        """Those of a reservoir after that one."""
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

    def __init__(
        self, settings: OutboxSettings, save: Callable[[str, bytes], None], rest: Rest = no_rest
    ) -> None:
        self.settings = settings
        self._save = save
        self._rest = rest
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
        self._ready: dict[str, deque[tuple[tuple[Row, ...], Cursor]]] = {}
        """Those after it, which the same block gave: to unpack it takes long."""
        self._begun: dict[str, Thinned] = {}
        """The beginning of each stream's next parcel, as far as its readings were looked at."""

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
                    self._rest()
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

    def gather(self, waiting: Unstored) -> None:
        """Look at what is about to go into blocks while it is at hand: to unpack a block again for the few
        readings at its end that are still to be sent costs as much as to pack it."""
        for name in waiting.names():
            begun = self._begun_of(name)
            if not begun.full and not begun.end.precedes(*waiting.in_blocks(name)):
                self._look(begun, waiting.after(name, begun.end.boot, begun.end.sequence))

    def quiet_s(self) -> float:
        """For how long after a look that found nothing there will be no parcel of readings, in seconds."""
        pack_s = self.settings.pack_s
        due_s = [
            pack_s - (begun.end.utc_ms - begun.kept[0].utc_ms) / 1000.0
            for name, begun in self._begun.items()
            if begun.kept and begun.start is self._head(name)
        ]
        return max(0.0, min([pack_s, self.settings.pack_rows * self.settings.every_s, *due_s]))

    def level(self, store: Store) -> OutboxLevel:
        """How full the outbox is, after giving up the oldest readings if it was over its limit."""
        names = store.names()
        behind = []
        first = min((self._cursor(name).utc_ms for name in names.values()), default=self._since.utc_ms)
        for info in list(store.blocks(block_id(hour_of(first), 0, 0), _END)):
            self._rest()
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
            self._ready.pop(name, None)
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
        ready = self._ready.setdefault(name, deque())
        if ready:
            return ready.popleft()
        begun = self._begun_of(name)
        while not begun.full and begun.end.precedes(*waiting.in_blocks(name)):
            before = begun.end
            begun = self._out_of_a_block(name, begun, ready, store)
            if begun.end is before:
                # What is left of them was given up with its days.
                boot, sequence = waiting.in_blocks(name)
                begun.end = replace(before, boot=boot, sequence=sequence)
            if ready:
                return ready.popleft()
        # Looked at again and again, so only what is new since the last look may cost anything.
        if not begun.full:
            self._look(begun, waiting.after(name, begun.end.boot, begun.end.sequence))
        if not begun.kept:
            return None
        old = begun.end.utc_ms - begun.kept[0].utc_ms >= self.settings.pack_s * 1000
        # What a block ends with would wait for ever if nothing more came.
        ends = (begun.end.boot, begun.end.sequence) == waiting.in_blocks(name)
        return (begun.rows(name, self._rest), begun.end) if begun.full or old or ends else None

    def _head(self, name: str) -> Cursor:
        """The last reading of a reservoir that is in a parcel, or needs none."""
        return self._heads.get(name) or self._cursor(name)

    def _begun_of(self, name: str) -> Thinned:
        head = self._head(name)
        begun = self._begun.get(name)
        if begun is None or begun.start is not head:
            begun = self._begun[name] = Thinned(head, [], head)
        return begun

    def _out_of_a_block(
        self, name: str, begun: Thinned, ready: deque[tuple[tuple[Row, ...], Cursor]], store: Store
    ) -> Thinned:
        """Go on with a parcel, and some after it, in the next block; the parcel that is begun then."""
        end = begun.end
        number = store.find(name)
        blocks = () if number is None else store.blocks(block_id(hour_of(end.utc_ms), 0, 0), _END, number)
        info = next((one for one in blocks if end.precedes(one.boot, one.last_sequence)), None)
        if info is None:
            return begun
        rows = store.readings_in(info.id, self._rest)
        while not self._look(begun, Unpacked(rows, begun.end)):
            ready.append((begun.rows(name, self._rest), begun.end))
            begun = self._begun[name] = Thinned(begun.end, [], begun.end)
            if len(ready) == _MOST_READY:
                return begun
        if begun.end.precedes(info.boot, info.last_sequence):
            # Its readings are gone, or not what it says they are.
            begun.end = replace(begun.end, boot=info.boot, sequence=info.last_sequence, utc_ms=info.last_ms)
        return begun

    def _look(self, parcel: Thinned, seen: Seen) -> bool:
        every_ms = round(self.settings.every_s * 1000)
        return parcel.look(seen, every_ms, self.settings.pack_rows, self._rest)
