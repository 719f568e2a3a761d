"""What waits in memory for the next commit, within bounds, and its copy as frames for the spill."""

import bisect
from collections.abc import Mapping
from operator import attrgetter
from struct import Struct
from zlib import crc32

from bridge.history.entries import KINDS, LAZY, Kind, from_text, to_text
from bridge.history.limits import LogSettings
from bridge.history.marks import Marked, moved
from bridge.history.pack import TICK_MS, Measured
from bridge.history.records import (
    FLOWS,
    SERIES_FACTS,
    CommandRow,
    EntryRow,
    EventRow,
    ReadingRow,
    Stamp,
)
from bridge.history.rollup import HOUR_MS
from bridge.history.spill import HEAD, NAN, ORDER, RAW, Laid, Part, frame, from_raw

_ENTRY = Struct("<IIqBB")
_KINDS = list(Kind)
_numbers_of = attrgetter(*[facts.field for facts in SERIES_FACTS.values()])


class Waiting:
    """Readings, marks, entries and saved values that are not in the file yet. No I/O, no clock."""

    def __init__(self, settings: LogSettings) -> None:
        self._settings = settings
        self.readings: dict[str, bytearray] = {}
        """For each reservoir, readings laid end to end as :data:`bridge.history.spill.RAW`."""
        self.marks: list[tuple[str, Measured]] = []
        self.entries: list[EntryRow] = []
        self.kept: dict[str, bytes] = {}
        """Every saved value, in the file or not."""
        self.dirty: dict[str, bytes] = {}
        """Those that are not in the file yet."""
        self.in_block: dict[str, tuple[int, int]] = {}
        """Boot and sequence of each reservoir's last reading that is in a block."""
        self.frames: list[bytes] | None = []
        """For the spill, in pieces; None when there is none."""
        self.hour = -1
        """The hour of the latest reading, as hours since 1970."""
        self.block_due = False
        self.urgent = False
        self.lazy_since: float | None = None
        self.holding = False
        """Blocks are being made of the first readings: none of them may go."""
        self.lost_readings = 0
        self.lost_entries = 0
        self._still_ms = settings.still_s * 1000
        self._most_bytes = settings.most_waiting * RAW.size
        self._block_bytes = min(settings.most_in_block, settings.most_waiting) * RAW.size
        self._names: dict[str, tuple[bytes, int]] = {}
        """Each reservoir's name as it stands in a frame, and the checksum of that."""
        self._marked: dict[str, Marked] = {}

    def take_reading(self, row: ReadingRow) -> None:
        """Take a reading; a number that is not finite counts as none."""
        name, stamp = row.reservoir, row.stamp
        utc_ms = stamp.utc_ms - stamp.utc_ms % TICK_MS
        path, health = FLOWS.index(row.path), row.health
        # A difference of itself is 0 for every number but those that are not finite.
        numbers = [v if v is not None and v - v == 0.0 else NAN for v in _numbers_of(row)]
        packed = RAW.pack(stamp.boot, stamp.sequence & 0xFFFFFFFF, utc_ms, path, health, *numbers)
        waiting = self.readings.get(name)
        if waiting is None:
            waiting = self.readings[name] = bytearray()
        waiting += packed
        if len(waiting) >= self._block_bytes and not self.holding:
            self.block_due = True
            if len(waiting) > self._most_bytes:
                self._give_up_readings(waiting)
        if self.frames is not None:
            named, checksum = self._names.get(name) or self._name(name)
            head = HEAD.pack(Part.READING, len(named) + RAW.size, crc32(packed, checksum))
            self.frames += (head, named, packed)
        hour = utc_ms // HOUR_MS
        if hour > self.hour:
            self.hour = hour
            self.block_due = True
        now = (path, health, utc_ms, numbers)
        marked = self._marked.get(name)
        if marked is None or moved(marked, now, self._still_ms):
            self._marked[name] = now
            self.marks += ((name, one) for one in from_raw(packed))

    def take_entry(self, row: EntryRow, now_s: float) -> None:
        self.entries.append(row)
        if len(self.entries) > self._settings.most_entries:
            self._give_up_entry()
        if self.frames is not None:
            self.frames.append(frame(Part.ENTRY, entry_bytes(row)))
        self._due(now_s, KINDS[type(row)] not in LAZY)

    def save(self, key: str, value: bytes, now_s: float, *, urgent: bool) -> None:
        """Keep a value under a key, at once or within ``lazy_s``; a value that is there already costs
        nothing."""
        if self.kept.get(key) == value and key not in self.dirty:
            return
        self.remember(key, value)
        self._due(now_s, urgent)

    def remember(self, key: str, value: bytes) -> None:
        """Keep a value, to go with whatever commit comes next."""
        self.kept[key] = self.dirty[key] = value
        if self.frames is not None:
            self.frames.append(frame(Part.STATE, _named(key) + value))

    def all_again(self, more: Mapping[str, bytes] | None = None) -> None:
        """Every saved value must go into the file anew, for it may be another file; ``more`` where none is
        known."""
        self.kept = {**(more or {}), **self.kept}
        self.dirty = dict(self.kept)

    def due_s(self, *, blocks: bool = True) -> float | None:
        """When a commit is due, in monotonic seconds; None while there is no need of one.

        :param blocks: whether blocks count that are due.
        """
        if self.urgent or self.marks or (blocks and self.block_due):
            return 0.0
        return None if self.lazy_since is None else self.lazy_since + self._settings.lazy_s

    def is_due(self, now_s: float, *, blocks: bool = True) -> bool:
        due_s = self.due_s(blocks=blocks)
        return due_s is not None and now_s >= due_s

    def committed(self) -> None:
        """Everything but readings is in the file."""
        self.entries, self.dirty, self.marks = [], {}, []
        self.urgent = False
        self.lazy_since = None

    def blocked(self, taken: Mapping[str, int]) -> None:
        """So many of each reservoir's first readings are in blocks."""
        for name, count in taken.items():
            waiting = self.readings[name]
            self.in_block[name] = Laid(waiting, count - 1, count).order(0)
            del waiting[: count * RAW.size]

    def taken_by_blocks(self, everything: bool) -> dict[str, int]:
        """Of which reservoirs how many of the first readings are to go into blocks: those of hours that are
        over, or all where a block is full, or ``everything``."""
        taken = {}
        for name, packed in self.readings.items():
            laid = Laid(packed, 0, len(packed) // RAW.size)
            count = len(laid)
            if not everything and len(packed) < self._block_bytes:
                # Looked for from the end, and only where there are any: few are of the hour that began.
                if count and laid.utc_of(0) // HOUR_MS >= self.hour:
                    count = 0
                while count and laid.utc_of(count - 1) // HOUR_MS >= self.hour:
                    count -= 1
            if count:
                taken[name] = count
        return taken

    def all_frames(self) -> bytes:
        """Everything that waits as frames, for a spill that begins anew."""
        out: list[bytes | bytearray] = [frame(Part.ENTRY, entry_bytes(row)) for row in self.entries]
        out += [frame(Part.STATE, _named(key) + value) for key, value in self.dirty.items()]
        for name, packed in self.readings.items():
            named, checksum = self._names.get(name) or self._name(name)
            size = len(named) + RAW.size
            for at in range(0, len(packed), RAW.size):
                one = packed[at : at + RAW.size]
                out += (HEAD.pack(Part.READING, size, crc32(one, checksum)), named, one)
        return b"".join(out)

    def after(self, reservoir: str, boot: int, sequence: int) -> Laid:
        """The waiting readings of a reservoir after that one, as they stand now."""
        packed = self.readings.get(reservoir, b"")
        left = bytes(memoryview(packed)[self._after(packed, boot, sequence) :])
        return Laid(left, 0, len(left) // RAW.size)

    def _after(self, packed: bytes | bytearray, boot: int, sequence: int) -> int:
        """Where what comes after a reading begins."""

        def order(index: int) -> tuple[int, int]:
            first, second = ORDER.unpack_from(packed, index * RAW.size)
            return first, second

        return RAW.size * bisect.bisect_right(range(len(packed) // RAW.size), (boot, sequence), key=order)

    def _name(self, reservoir: str) -> tuple[bytes, int]:
        named = _named(reservoir)
        self._names[reservoir] = named, crc32(named)
        return self._names[reservoir]

    def _give_up_readings(self, waiting: bytearray) -> None:
        excess = len(waiting) - self._most_bytes
        del waiting[:excess]
        self.lost_readings += excess // RAW.size

    def in_blocks(self, reservoir: str) -> tuple[int, int]:
        return self.in_block.get(reservoir, (-1, -1))

    def names(self) -> list[str]:
        return sorted(self.in_block.keys() | self.readings.keys())

    def _due(self, now_s: float, urgent: bool) -> None:
        self.urgent = self.urgent or urgent
        if self.lazy_since is None:
            self.lazy_since = now_s

    def _give_up_entry(self) -> None:
        for expendable in (_is_event, _is_refused):
            at = next((i for i, row in enumerate(self.entries) if expendable(row)), None)
            if at is not None:
                del self.entries[at]
                self.lost_entries += 1
                return


def _is_event(row: EntryRow) -> bool:
    return isinstance(row, EventRow)


def _is_refused(row: EntryRow) -> bool:
    return isinstance(row, CommandRow) and not row.accepted


def _named(name: str) -> bytes:
    encoded = name.encode()
    return bytes([len(encoded)]) + encoded


def unnamed(payload: bytes) -> tuple[str, bytes]:
    """A name and what follows it, out of a frame of a reading or a saved value."""
    end = 1 + payload[0]
    return payload[1:end].decode(), payload[end:]


def entry_bytes(row: EntryRow) -> bytes:
    """An entry as the payload of a frame."""
    stamp = row.stamp
    name = row.reservoir.encode()
    head = _ENTRY.pack(stamp.boot, stamp.sequence, stamp.utc_ms, _KINDS.index(KINDS[type(row)]), len(name))
    return head + name + to_text(row).encode()


def entry_from(payload: bytes) -> EntryRow:
    """The inverse of :func:`entry_bytes`."""
    boot, sequence, utc_ms, kind, length = _ENTRY.unpack_from(payload)
    at = _ENTRY.size + length
    name = payload[_ENTRY.size : at].decode()
    return from_text(_KINDS[kind].value, name, Stamp(boot, sequence, utc_ms), payload[at:].decode())
