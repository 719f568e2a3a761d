"""What waits in memory for the next commit, within bounds, and its copy as frames for the spill."""

import bisect
import struct
from collections.abc import Mapping

from bridge.history.entries import KINDS, LAZY, Kind, from_text, to_text
from bridge.history.limits import LogSettings
from bridge.history.marks import moved
from bridge.history.pack import Measured, measured
from bridge.history.records import CommandRow, EntryRow, EventRow, ReadingRow, Stamp
from bridge.history.rollup import HOUR_MS
from bridge.history.spill import RAW, Part, frame, from_raw, raw

_ORDER = struct.Struct("<II")
_ENTRY = struct.Struct("<IIqBB")
_KINDS = list(Kind)


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
        """For the spill; None when there is none."""
        self.hour = -1
        """The hour of the latest reading, as hours since 1970."""
        self.block_due = False
        self.urgent = False
        self.lazy_since: float | None = None
        self.lost_readings = 0
        self.lost_entries = 0
        self._marked: dict[str, Measured] = {}

    def take_reading(self, row: ReadingRow) -> None:
        one = measured(row)
        name = row.reservoir
        packed = raw(one)
        waiting = self.readings.setdefault(name, bytearray())
        waiting += packed
        excess = len(waiting) - self._settings.most_waiting * RAW.size
        if excess > 0:
            del waiting[:excess]
            self.lost_readings += excess // RAW.size
        if self.frames is not None:
            self.frames.append(frame(Part.READING, _named(name) + packed))
        hour = one.utc_ms // HOUR_MS
        if hour > self.hour:
            self.hour = hour
            self.block_due = True
        if moved(self._marked.get(name), one, self._settings.still_s):
            self._marked[name] = one
            self.marks.append((name, one))

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

    def is_due(self, now_s: float) -> bool:
        lazy = self.lazy_since is not None and now_s - self.lazy_since >= self._settings.lazy_s
        return self.urgent or lazy or self.block_due or bool(self.marks)

    def committed(self, readings: dict[str, bytearray] | None) -> None:
        """Everything is in the file, and of the readings all but these; None when no block was closed."""
        if readings is not None:
            for name, waiting in self.readings.items():
                taken = len(waiting) - len(readings[name])
                if taken:
                    self.in_block[name] = _ORDER.unpack_from(waiting, taken - RAW.size)
            self.readings = readings
        self.entries, self.dirty, self.marks = [], {}, []
        self.urgent = self.block_due = False
        self.lazy_since = None

    def all_frames(self) -> bytes:
        """Everything that waits as frames, for a spill that begins anew."""
        out = [frame(Part.ENTRY, entry_bytes(row)) for row in self.entries]
        out += [frame(Part.STATE, _named(key) + value) for key, value in self.dirty.items()]
        for name, packed in self.readings.items():
            head = _named(name)
            for at in range(0, len(packed), RAW.size):
                out.append(frame(Part.READING, head + packed[at : at + RAW.size]))
        return b"".join(out)

    def after(self, reservoir: str, boot: int, sequence: int) -> list[Measured]:
        """The waiting readings of a reservoir after that one."""
        packed = self.readings.get(reservoir)
        if not packed:
            return []

        def order(index: int) -> tuple[int, int]:
            first, second = _ORDER.unpack_from(packed, index * RAW.size)
            return first, second

        at = bisect.bisect_right(range(len(packed) // RAW.size), (boot, sequence), key=order)
        return from_raw(bytes(packed[at * RAW.size :]))

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
