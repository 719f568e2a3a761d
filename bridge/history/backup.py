"""Backs a log up into one file, also while the daemon writes it, and helps to restore it. Shell.

The copy shows one moment: a read transaction keeps that moment while the pages are copied (SQLite's online
backup, sqlite.org/backup.html; in WAL mode a reader never makes the writer wait). The copy has no ``-wal``.
After each piece the copying pauses for as long as the piece took, so that the memory card is free for the
daemon's commits at least half of the time.
"""

import os
import sqlite3
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from bridge.errors import LogError
from bridge.history import log_file, migration
from bridge.history.log_file import move_aside
from bridge.history.opening import PACKED, layout_in, open_for_reading
from bridge.history.records import StateRow
from bridge.history.store import Store

PIECE_PAGES = 64
LONGEST_PAUSE_S = 0.25
CALIBRATIONS = "log.calibrations"
"""The key of the saved state that holds the text of the calibration file, as a JSON string."""


@dataclass(frozen=True, slots=True)
class Duplicate:
    """A finished copy."""

    size_bytes: int
    span_ms: tuple[int, int]
    """The first and the last time in it; ``(0, 0)`` if it is empty."""


def size_bytes(log: Path) -> int:
    """Return the approximate size of a copy.

    Raises:
        sqlite3.Error: the log cannot be read.
        LogTrouble: the log is from a newer program.
    """
    connection = open_for_reading(log, any_layout=True)
    try:
        (pages,) = connection.execute("PRAGMA page_count").fetchone()
        (page,) = connection.execute("PRAGMA page_size").fetchone()
    finally:
        connection.close()
    return int(pages) * int(page)


def duplicate(
    log: Path,
    target: Path,
    *,
    progress: Callable[[float], None] = lambda fraction: None,
    state: Iterable[StateRow] = (),
) -> Duplicate:
    """Copy a log to the disk. An old layout is kept, so that the program of that layout can read the copy.

    Args:
        log: the log, which may be in use.
        target: the new file, which must not exist yet.
        progress: called with the fraction done.
        state: saved state to add to the copy.

    Returns:
        The size and the time range of the copy.

    Raises:
        sqlite3.Error: one of the two files cannot be used.
        OSError: the target cannot be written.
        LogTrouble: the log is from a newer program.
    """
    source = open_for_reading(log, any_layout=True)
    try:
        _copy_pages(source, target, progress)
    finally:
        source.close()
    connection = sqlite3.connect(target, isolation_level=None)
    try:
        layout = layout_in(connection)
        _save(connection, layout, state)
        now = layout > PACKED
        span_ms = Store(connection).span_ms() if now else migration.span_ms_in(connection, layout)
        # The copy must be complete without a second file.
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
    return Duplicate(target.stat().st_size, span_ms)


def _copy_pages(source: sqlite3.Connection, target: Path, progress: Callable[[float], None]) -> None:
    # As with the log, only its owner may read the copy.
    os.close(os.open(target, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
    copy = sqlite3.connect(target, isolation_level=None)
    began = time.monotonic()

    def piece(status: int, remaining: int, total: int) -> None:
        nonlocal began
        progress(1.0 - remaining / max(total, 1))
        if remaining:
            time.sleep(min(time.monotonic() - began, LONGEST_PAUSE_S))
        began = time.monotonic()

    try:
        # The copy is synchronised to the disk once, at its end.
        copy.execute("PRAGMA synchronous = OFF")
        source.execute("BEGIN")
        # A transaction begins to read with its first statement.
        source.execute("SELECT count(*) FROM state").fetchone()
        source.backup(copy, pages=PIECE_PAGES, progress=piece)
    finally:
        copy.close()


def layout_of(log: Path) -> int:
    """Return the layout of a file, also one that this program does not know.

    Raises:
        sqlite3.Error: the file cannot be read.
    """
    connection = sqlite3.connect(f"{log.absolute().as_uri()}?mode=ro", uri=True)
    try:
        return layout_in(connection)
    finally:
        connection.close()


def state_of(log: Path) -> dict[str, StateRow]:
    """Return the saved state of a file of any known layout.

    Raises:
        sqlite3.Error: the file cannot be read.
        OSError: the same.
        LogTrouble: the file is from a newer program, or is no log.
    """
    connection = open_for_reading(log, any_layout=True)
    try:
        layout = layout_in(connection)
        return Store(connection).state() if layout > PACKED else migration.state_in(connection, layout)
    finally:
        connection.close()


def save_state(log: Path, state: Iterable[StateRow]) -> None:
    """Store saved state in a file that no daemon uses.

    Raises:
        sqlite3.Error: the file cannot be written.
    """
    connection = sqlite3.connect(log)
    try:
        with connection:
            _save(connection, layout_in(connection), state)
    finally:
        connection.close()


def _save(connection: sqlite3.Connection, layout: int, state: Iterable[StateRow]) -> None:
    if layout > PACKED:
        Store(connection).save_state(state)
    else:
        migration.save_state_in(connection, layout, state)


def faults_in(log: Path) -> list[str]:
    """Return the findings of SQLite's integrity check and the missing tables; empty if the log is sound."""
    connection = sqlite3.connect(f"{log.absolute().as_uri()}?mode=ro", uri=True)
    try:
        found = [str(row[0]) for row in connection.execute("PRAGMA integrity_check(5)")]
        if found != ["ok"]:
            return found
        there = {row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        now = layout_in(connection) > PACKED
        wanted = {"minute", "hour", "state"} | ({"reading", "event"} if now else {"block", "entry"})
        return [f"the table {name} is missing" for name in sorted(wanted - there)]
    except sqlite3.DatabaseError as error:
        return [str(error)]
    finally:
        connection.close()


# --- restoring --------------------------------------------------------------------------------------


@contextmanager
def alone_with(log: Path) -> Iterator[None]:
    """Lock a log against every daemon while the context lasts.

    Raises:
        LogError: a daemon or another program has the log open.
    """
    try:
        # A log that no daemon has ever written has no lock.
        held = log_file.take(log, create=False)
    except log_file.LockHeld as error:
        raise _in_use(log) from error
    try:
        _refuse_readers(log)
        yield
    finally:
        log_file.release(log, held)


def _refuse_readers(log: Path) -> None:
    """Refuse a log that another program has open; else empty its ``-wal`` into the file."""
    if not log.exists():
        return
    connection = sqlite3.connect(
        f"{log.absolute().as_uri()}?mode=rw", uri=True, timeout=1.0, isolation_level=None
    )
    try:
        # In this mode SQLite needs a lock that any other open connection prevents.
        connection.execute("PRAGMA locking_mode = EXCLUSIVE")
        connection.execute("BEGIN EXCLUSIVE")
        connection.execute("COMMIT")
        # After this the log is complete in one file and can be moved.
        connection.execute("PRAGMA journal_mode = DELETE").fetchone()
    except sqlite3.OperationalError as error:
        if getattr(error, "sqlite_errorcode", 0) & 0xFF in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
            raise _in_use(log) from error
        # A log with any other fault can still be moved.
        return
    except sqlite3.DatabaseError:
        return
    finally:
        connection.close()


def _in_use(log: Path) -> LogError:
    return LogError(
        f"A daemon, or another program, has the log {log} open; nothing was changed. Stop the daemon first "
        "(sudo systemctl stop clearwell, or Ctrl-C where it runs)."
    )


def set_aside(log: Path) -> Path | None:
    """Rename a log and its companions to a name that no file has yet.

    Returns:
        The new path of the log; None if there was no log.
    """
    there = log.exists()
    wal = log.with_name(log.name + "-wal")
    if not wal.exists() or not wal.stat().st_size:
        # The file itself is complete; SQLite creates these two again.
        for ending in ("-wal", "-shm"):
            log.with_name(log.name + ending).unlink(missing_ok=True)
    aside = move_aside(log, "before-restore")
    return aside if there else None
