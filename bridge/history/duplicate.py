"""One whole file out of a log, also while the daemon writes that log.

The copy is of one moment. A read transaction holds that moment still while the pages are copied (SQLite's
online backup, sqlite.org/backup.html; in WAL mode a reader never makes the writer wait), and what waited in
the spill at the same moment is written into the copy as the daemon itself would have done. So one file is
enough: nothing of it lies in a ``-wal``, a spill or a memory file system.

**Pace.** After each piece the copying rests for as long as the piece took, so that the daemon's commits find
the card free at least half of the time.
"""

import os
import sqlite3
import time
import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from bridge.history.limits import LogSettings
from bridge.history.rollup import HOUR_MS
from bridge.history.schema import LAYOUT, open_for_reading
from bridge.history.spill import Left, Spill, frame, read_spill
from bridge.history.writer import Writer

PIECE_PAGES = 256
LONGEST_REST_S = 0.25
_TRIES = 50
_FOR_EVER_DAYS = 400 * 366
_KEEP_ALL = LogSettings(
    raw_days=_FOR_EVER_DAYS,
    minute_days=_FOR_EVER_DAYS,
    hour_days=_FOR_EVER_DAYS,
    entry_days=_FOR_EVER_DAYS,
    outbox=None,
)
"""A copy drops nothing, however old it is."""
CALIBRATIONS = "log.calibrations"
"""The saved value that holds the text of the calibrations' file, as it was when a copy was made."""


@dataclass(frozen=True, slots=True)
class Duplicate:
    """What a copy holds."""

    layout: int
    size_bytes: int
    waiting_taken: bool
    """False when something waited in a spill that an older layout has no place for."""


def size_bytes(log: Path) -> int:
    """How large a copy will be, about. Raises :class:`sqlite3.Error` and ``LogTrouble``."""
    connection = open_for_reading(log)
    try:
        (pages,) = connection.execute("PRAGMA page_count").fetchone()
        (page,) = connection.execute("PRAGMA page_size").fetchone()
    finally:
        connection.close()
    return int(pages) * int(page)


def duplicate(
    log: Path,
    spill: Path | None,
    target: Path,
    *,
    progress: Callable[[float], None] = lambda fraction: None,
    state: Mapping[str, bytes] | None = None,
) -> Duplicate:
    """Copy a log into ``target``, which must not exist yet, and have it on the disk.

    :param spill: what the daemon keeps beside this log, None where nothing is found.
    :param state: saved values that are to be in the copy besides.
    :raises sqlite3.Error: either file gives trouble.
    :raises OSError: the target cannot be written.
    :raises LogTrouble: the log is from a newer program.
    """
    source = open_for_reading(log)
    try:
        left = _hold_still(source, spill)
        _pages(source, target, progress)
    finally:
        source.close()
    layout = layout_of(target)
    current = layout == LAYOUT
    waits = left is not None and bool(left.frames)
    if waits and current and spill is not None and left is not None:
        _take_up(target, left)
    if state:
        save_state(target, layout, state)
    _one_file(target)
    return Duplicate(layout, target.stat().st_size, current or not waits)


def _hold_still(source: sqlite3.Connection, spill: Path | None) -> Left | None:
    """Begin reading at a moment at which the spill did not change; what was in it then."""
    left: Left | None = None
    for _ in range(_TRIES):
        before = None if spill is None else _content(spill)
        source.execute("BEGIN")
        # A transaction begins to read with its first statement.
        source.execute("SELECT count(*) FROM state").fetchone()
        left = None if spill is None else read_spill(spill)
        if spill is None or before == _content(spill):
            break
        source.execute("ROLLBACK")
        time.sleep(0.01)
    if not source.in_transaction:
        source.execute("BEGIN")
        source.execute("SELECT count(*) FROM state").fetchone()
    return left


def _content(spill: Path) -> bytes | None:
    try:
        return spill.read_bytes()
    except OSError:
        return None


def _pages(source: sqlite3.Connection, target: Path, progress: Callable[[float], None]) -> None:
    # Only its owner may read it, as with the log itself.
    os.close(os.open(target, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
    copy = sqlite3.connect(target, isolation_level=None)
    began = time.monotonic()

    def piece(status: int, remaining: int, total: int) -> None:
        nonlocal began
        progress(1.0 - remaining / max(total, 1))
        if remaining:
            time.sleep(min(time.monotonic() - began, LONGEST_REST_S))
        began = time.monotonic()

    try:
        # It has a name of its own until it is whole, and is put onto the disk at the end.
        copy.execute("PRAGMA synchronous = OFF")
        source.backup(copy, pages=PIECE_PAGES, progress=piece)
    finally:
        copy.close()


def _take_up(target: Path, left: Left) -> None:
    """Write what waited into the copy, as the daemon would at its next start."""
    beside = target.with_name(target.name + ".spill")
    content = b"".join(frame(part, payload) for part, payload in left.frames)
    spill = Spill(beside)
    try:
        spill.replace(left.identity, left.boot, content)
    finally:
        spill.close(remove=False)
    try:
        writer = Writer(target, beside, _KEEP_ALL)
        writer.open()
        writer.close()
    finally:
        for name in (beside.name, beside.name + ".lock", beside.name + ".new"):
            beside.with_name(name).unlink(missing_ok=True)


def span_ms(log: Path) -> tuple[int, int]:
    """The first and the last time in a file of any layout that this program knows; ``(0, 0)`` when it is
    empty. What waits outside it is not counted. Raises :class:`sqlite3.Error`."""
    connection = sqlite3.connect(f"{log.absolute().as_uri()}?mode=ro", uri=True)
    try:
        first, last = connection.execute(
            f"SELECT min(a), max(b) FROM (SELECT min(id) >> 8 AS a, max(id) >> 8 AS b FROM entry UNION ALL "
            f"SELECT (min(id) >> 24) * {HOUR_MS}, max(last_ms) FROM block UNION ALL "
            f"SELECT (min(id) >> 12) * {HOUR_MS}, NULL FROM hour)"
        ).fetchone()
    finally:
        connection.close()
    return (0, 0) if first is None or last is None else (int(first), int(last))


def layout_of(log: Path) -> int:
    """The layout of a file, whether this program knows it or not. Raises :class:`sqlite3.Error`."""
    connection = sqlite3.connect(f"{log.absolute().as_uri()}?mode=ro", uri=True)
    try:
        return int(connection.execute("PRAGMA user_version").fetchone()[0])
    finally:
        connection.close()


def save_state(log: Path, layout: int, state: Mapping[str, bytes]) -> None:
    """Put saved values into a file that no daemon has. Raises :class:`sqlite3.Error`."""
    connection = sqlite3.connect(log)
    try:
        with connection:
            for key, value in state.items():
                row = (key, value, zlib.crc32(value))[: 3 if layout > 1 else 2]
                places = ", ".join("?" * len(row))
                connection.execute(f"INSERT OR REPLACE INTO state VALUES ({places})", row)
    finally:
        connection.close()


def _one_file(target: Path) -> None:
    """Nothing beside it, and all of it on the disk."""
    connection = sqlite3.connect(target, isolation_level=None)
    try:
        connection.execute("PRAGMA journal_mode = DELETE").fetchone()
    finally:
        connection.close()
    for ending in ("-wal", "-shm"):
        target.with_name(target.name + ending).unlink(missing_ok=True)
    descriptor = os.open(target, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def faults_in(log: Path) -> list[str]:
    """What SQLite finds wrong with a whole file, and what is missing of a log; nothing when it is sound."""
    connection = sqlite3.connect(f"{log.absolute().as_uri()}?mode=ro", uri=True)
    try:
        found = [str(row[0]) for row in connection.execute("PRAGMA integrity_check(5)")]
        if found != ["ok"]:
            return found
        there = {row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        wanted = {"reservoir", "block", "minute", "hour", "entry", "state"}
        return [f"the table {name} is missing" for name in sorted(wanted - there)]
    except sqlite3.DatabaseError as error:
        return [str(error)]
    finally:
        connection.close()
