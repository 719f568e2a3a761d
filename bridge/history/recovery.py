"""What an earlier process left: in the file, in its marks, and in the spill."""

import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from bridge.history.pack import Measured
from bridge.history.records import EntryRow
from bridge.history.schema import open_for_reading
from bridge.history.spill import Part, from_raw, read_spill
from bridge.history.store import Store
from bridge.history.waiting import entry_from, unnamed

BOOT = "log.boot"
_OWN = ("log.", "outbox.")


@dataclass(frozen=True, slots=True)
class Opened:
    """What the log knew at the start."""

    boot: int
    last_utc_ms: int
    """The first stamp must lie after this: hand it to ``RecordClock`` as the floor."""
    state: dict[str, bytes]
    complete: bool
    """False when the saved state could not be read: then nobody knows what was latched."""


@dataclass(frozen=True, slots=True)
class Found:
    """Everything an earlier process left."""

    state: dict[str, bytes]
    """Saved values, the spilled ones over those in the file."""
    spilled: dict[str, bytes]
    """Of those, the ones that are not in the file."""
    readings: dict[str, list[Measured]]
    """Readings that are in no block, in order."""
    in_block: dict[str, tuple[int, int]]
    entries: list[EntryRow]
    """Entries that are not in the file, in order."""
    last_utc_ms: int


def next_boot(state: Mapping[str, bytes]) -> int:
    """The number of the boot that follows."""
    return int(state.get(BOOT, b"0")) + 1


def opened(state: Mapping[str, bytes], boot: int, last_utc_ms: int) -> Opened:
    """What the caller is to know: of the saved values, those that are not the log's own."""
    mine = {key: value for key, value in state.items() if not key.startswith(_OWN)}
    return Opened(boot, last_utc_ms, mine, complete=True)


def look(store: Store, spill: Path | None, *, trust_spill: bool = False) -> Found:
    """Read it all, change nothing. Raises :class:`sqlite3.Error` and ``LogError``.

    A spill counts when it belongs to this file; its saved values count only when this file's last boot wrote
    it. ``trust_spill`` takes both for granted: the file is new because the old one was damaged.
    """
    state = store.state()
    names = store.names()
    in_block = {name: store.last_reading(number) for number, name in names.items()}
    waiting: dict[str, dict[tuple[int, int], Measured]] = {}
    for number, one in store.marks():
        waiting.setdefault(names[number], {})[one.boot, one.sequence] = one
    entries: list[EntryRow] = []
    spilled: dict[str, bytes] = {}
    identity = state.get("log.identity", b"").decode("ascii", "replace")
    left = read_spill(spill) if spill is not None else None
    if left is not None and (trust_spill or left.identity == identity):
        for part, payload in left.frames:
            if part is Part.READING:
                name, packed = unnamed(payload)
                one = from_raw(packed)[0]
                waiting.setdefault(name, {})[one.boot, one.sequence] = one
            elif part is Part.ENTRY:
                row = entry_from(payload)
                if not store.has_entry(row):
                    entries.append(row)
            elif part is Part.STATE:
                key, value = unnamed(payload)
                spilled[key] = value
            else:
                spilled.clear()
        if not trust_spill and left.boot != int(state.get(BOOT, b"0")):
            spilled.clear()
    readings = {
        name: [found[key] for key in sorted(found) if key > in_block.get(name, (-1, -1))]
        for name, found in waiting.items()
    }
    last_ms = store.last_utc_ms()
    for rows in readings.values():
        last_ms = max(last_ms, *(row.utc_ms for row in rows), 0)
    last_ms = max(last_ms, *(row.stamp.utc_ms for row in entries), 0)
    entries.sort(key=lambda row: row.stamp)
    return Found({**state, **spilled}, spilled, readings, in_block, entries, last_ms)


def look_only(path: Path, spill: Path | None) -> Found:
    """The same of a file that cannot be written."""
    connection = open_for_reading(path, busy_s=1.0)
    try:
        return look(Store(connection), spill)
    finally:
        connection.close()


def state_of_damaged(path: Path) -> dict[str, bytes]:
    """The saved values of a damaged file whose checksum still fits. Raises :class:`sqlite3.Error`."""
    connection = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, timeout=1.0)
    try:
        return Store(connection, names=False).state()
    finally:
        connection.close()
