"""One whole file out of a log, also while the daemon writes it, and the way back. Shell.

The copy is of one moment: a read transaction holds that moment while the pages are copied (SQLite's online
backup, sqlite.org/backup.html; in WAL mode a reader never makes the writer wait). The copy has no ``-wal``.
After each piece the copying pauses for as long as the piece took, so that the daemon's commits find the card
free at least half of the time.
"""

import fcntl
import os
import sqlite3
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from bridge.errors import LogError
from bridge.history import migration
from bridge.history.log_file import lock_of, move_aside
from bridge.history.records import StateRow
from bridge.history.schema import LAYOUT, layout_in, open_for_reading
from bridge.history.store import Store

PIECE_PAGES = 64
LONGEST_PAUSE_S = 0.25
CALIBRATIONS = "log.calibrations"
"""The saved value with the text of the calibrations' file at the time of the copy, as a JSON string."""


@dataclass(frozen=True, slots=True)
class Duplicate:
    """A finished copy."""

    size_bytes: int
    span_ms: tuple[int, int]
    """The first and the last time in it; ``(0, 0)`` when it is empty."""


def size_bytes(log: Path) -> int:
    """How large a copy will be, about. Raises :class:`sqlite3.Error` and ``LogTrouble``."""
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
    """Copy a log into ``target``, which must not exist yet, and have it on the disk. An older log stays old,
    so that its program can still read the copy.

    Args:
        log: the log, which may be in use.
        target: the file to make.
        progress: called with the fraction done.
        state: saved values that are to be in the copy besides.

    Raises:
        sqlite3.Error: either file gives trouble.
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
        now = layout == LAYOUT
        span_ms = Store(connection).span_ms() if now else migration.span_ms_in(connection, layout)
        # Then nothing lies beside it.
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
    # Only its owner may read it, as with the log itself.
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
        # It has a name of its own until it is whole, and is put onto the disk at the end.
        copy.execute("PRAGMA synchronous = OFF")
        source.execute("BEGIN")
        # A transaction begins to read with its first statement.
        source.execute("SELECT count(*) FROM state").fetchone()
        source.backup(copy, pages=PIECE_PAGES, progress=piece)
    finally:
        copy.close()


def layout_of(log: Path) -> int:
    """The layout of a file, whether this program knows it or not. Raises :class:`sqlite3.Error`."""
    connection = sqlite3.connect(f"{log.absolute().as_uri()}?mode=ro", uri=True)
    try:
        return layout_in(connection)
    finally:
        connection.close()


def state_of(log: Path) -> dict[str, StateRow]:
    """The saved values of a file of any layout that this program knows. Raises :class:`sqlite3.Error`,
    ``OSError`` and ``LogTrouble``."""
    connection = open_for_reading(log, any_layout=True)
    try:
        layout = layout_in(connection)
        return Store(connection).state() if layout == LAYOUT else migration.state_in(connection, layout)
    finally:
        connection.close()


def save_state(log: Path, state: Iterable[StateRow]) -> None:
    """Put saved values into a file that no daemon has. Raises :class:`sqlite3.Error`."""
    connection = sqlite3.connect(log)
    try:
        with connection:
            _save(connection, layout_in(connection), state)
    finally:
        connection.close()


def _save(connection: sqlite3.Connection, layout: int, state: Iterable[StateRow]) -> None:
    if layout == LAYOUT:
        Store(connection).save_state(state)
    else:
        migration.save_state_in(connection, layout, state)


def faults_in(log: Path) -> list[str]:
    """The findings of SQLite's check of a whole file, and missing tables; empty when it is a sound log."""
    connection = sqlite3.connect(f"{log.absolute().as_uri()}?mode=ro", uri=True)
    try:
        found = [str(row[0]) for row in connection.execute("PRAGMA integrity_check(5)")]
        if found != ["ok"]:
            return found
        there = {row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        now = layout_in(connection) >= LAYOUT
        wanted = {"minute", "hour", "state"} | ({"reading", "event"} if now else {"block", "entry"})
        return [f"the table {name} is missing" for name in sorted(wanted - there)]
    except sqlite3.DatabaseError as error:
        return [str(error)]
    finally:
        connection.close()


# --- the way back --------------------------------------------------------------------------------------


def holder(log: Path) -> str | None:
    """The writer of this log now, as a part of a sentence; None when there is none, as far as this user may
    see."""
    try:
        descriptor = os.open(lock_of(log), os.O_RDWR | os.O_CLOEXEC)
    except OSError:
        return None
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return f"a daemon, which holds {lock_of(log)}"
    finally:
        os.close(descriptor)
    return None


@contextmanager
def alone_with(log: Path) -> Iterator[None]:
    """Keep every daemon off this log.

    Raises:
        LogError: a daemon, or any other program, has it open.
    """
    descriptor = -1
    try:
        with_lock = lock_of(log)
        if with_lock.exists():
            descriptor = os.open(with_lock, os.O_RDWR | os.O_CLOEXEC)
            try:
                fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError as error:
                raise _in_use(log) from error
        _refuse_readers(log)
        yield
    finally:
        if descriptor >= 0:
            os.close(descriptor)


def _refuse_readers(log: Path) -> None:
    """Nobody has it open; and then nothing of it is in its ``-wal`` any more."""
    if not log.exists():
        return
    connection = sqlite3.connect(
        f"{log.absolute().as_uri()}?mode=rw", uri=True, timeout=1.0, isolation_level=None
    )
    try:
        # In this mode SQLite takes a lock on the file that no other open connection allows.
        connection.execute("PRAGMA locking_mode = EXCLUSIVE")
        connection.execute("BEGIN EXCLUSIVE")
        connection.execute("COMMIT")
        # It is whole in one file then, whoever moves it.
        connection.execute("PRAGMA journal_mode = DELETE").fetchone()
    except sqlite3.OperationalError as error:
        if getattr(error, "sqlite_errorcode", 0) & 0xFF in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
            raise _in_use(log) from error
        # With any other fault it is only moved.
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
    """Move a log and its companions out of the way, under a name no file has yet; None where there is no
    log."""
    there = log.exists()
    wal = log.with_name(log.name + "-wal")
    if not wal.exists() or not wal.stat().st_size:
        # All of it is in the file itself; SQLite makes these two anew.
        for ending in ("-wal", "-shm"):
            log.with_name(log.name + ending).unlink(missing_ok=True)
    aside = move_aside(log, "before-restore")
    return aside if there else None
