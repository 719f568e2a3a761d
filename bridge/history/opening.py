"""Opens the file of a log: its connections, its layout, and its trouble as sentences. Shell.

``journal_mode = WAL``: a commit appends to one file, and readers never wait for the writer. The writer
chooses ``synchronous`` for each commit, see :mod:`bridge.history.writer`.
"""

import errno
import sqlite3
from enum import Enum
from pathlib import Path

from bridge.errors import LogError
from bridge.history import migration
from bridge.history.views import tables, views


class LogFault(Enum):
    """The kind of trouble; the value is its id in events and alerts."""

    FULL = "log-disk-full"
    LOCKED = "log-locked"
    READ_ONLY = "log-read-only"
    CORRUPTED = "log-corrupted"
    NEWER = "log-from-newer-program"
    UNUSABLE = "log-unusable"
    OLDER = "log-from-older-program"


class LogTrouble(LogError):
    """The log cannot be written.

    Args:
        fault: the kind of trouble.
        sentence: the trouble and its remedy, for people.
    """

    def __init__(self, fault: LogFault, sentence: str) -> None:
        super().__init__(sentence)
        self.fault = fault


_CORRUPTED = {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB}
_LOCKED = {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED}
_READ_ONLY = {sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM, sqlite3.SQLITE_AUTH}
_KEPT = (
    "Readings wait in memory and are written as soon as the log works again; "
    "filling and alarms continue without the log."
)


def trouble_from(error: BaseException, path: Path, then: str = _KEPT) -> LogTrouble:
    """Convert an error of the file into trouble with a sentence: what happened, where, and what to do.

    Args:
        error: The error.
        path: The log.
        then: A sentence on what becomes of the rows.
    """
    if isinstance(error, LogTrouble):
        return error
    code = getattr(error, "sqlite_errorcode", None)
    primary = code & 0xFF if isinstance(code, int) else None
    number = error.errno if isinstance(error, OSError) else None
    if primary == sqlite3.SQLITE_FULL or number in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
        return LogTrouble(
            LogFault.FULL, f"The disk is full, so the log {path} cannot grow. {then} Free some space."
        )
    if primary in _LOCKED:
        return LogTrouble(
            LogFault.LOCKED,
            f"Another program holds the log {path} locked. {then} Close the program that has it open.",
        )
    if primary in _READ_ONLY or number in (errno.EROFS, errno.EACCES, errno.EPERM):
        return LogTrouble(
            LogFault.READ_ONLY,
            f"The log {path} may not be written. {then} Let the user of the service write there.",
        )
    if primary in _CORRUPTED:
        return LogTrouble(LogFault.CORRUPTED, f"The log {path} is damaged ({error}).")
    return LogTrouble(LogFault.UNUSABLE, f"The log {path} cannot be used ({error}). {then}")


def held(path: Path, holder: str) -> LogTrouble:
    """Return the trouble with a log that another process writes."""
    return LogTrouble(
        LogFault.LOCKED,
        f"Another bridge writes the log {path}: {holder}. Stop one of them, or give each its own log.",
    )


def newer(path: Path, found: int, known: int) -> LogTrouble:
    """Return the trouble with a file of a newer version of this program."""
    return LogTrouble(
        LogFault.NEWER,
        f"The log {path} has layout {found}; this program knows layouts up to {known}. The file was not "
        "changed. Install the newer program again, or configure another file for this one.",
    )


LAYOUT = 4
"""The layout that this program writes. :mod:`bridge.history.migration` has a step from each older one."""
PACKED = 2
"""Layouts up to this one held packed blocks."""
WAL_PAGES = 1000
"""SQLite's default. The ``-wal`` grows to about 4 MB before it is copied into the file."""


def layout_in(connection: sqlite3.Connection) -> int:
    """Return the layout of an open file; 0 if it is empty."""
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def connect_for_writing(path: Path, *, busy_s: float = 1.0) -> sqlite3.Connection:
    """Open or create a log, whatever its layout.

    Args:
        path: the log.
        busy_s: how long to wait for a lock.

    Raises:
        sqlite3.Error: the file cannot be read or written.
        OSError: the folder cannot be created.
        LogTrouble: the layout is newer than this program.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    connection = sqlite3.connect(path, timeout=busy_s, isolation_level=None, check_same_thread=False)
    try:
        layout = layout_in(connection)
        if layout > LAYOUT:
            raise newer(path, layout, LAYOUT)
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute(f"PRAGMA wal_autocheckpoint = {WAL_PAGES}")
        connection.execute("PRAGMA cache_size = -1024")
        connection.execute("PRAGMA temp_store = MEMORY")
    except BaseException:
        connection.close()
        raise
    return connection


def bring_up_to_date(connection: sqlite3.Connection) -> None:
    """Create the tables, or migrate the rows of an older layout, in one transaction."""
    layout = layout_in(connection)
    if layout == LAYOUT:
        return
    connection.execute("BEGIN IMMEDIATE")
    try:
        if layout > PACKED:
            migration.extend_tables(connection)
        else:
            if layout:
                migration.set_old_tables_aside(connection, layout)
            for statement in (tables() + views()).split(";"):
                connection.execute(statement)
            if layout:
                migration.take_over(connection, layout)
        connection.execute(f"PRAGMA user_version = {LAYOUT}")
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


def open_for_writing(path: Path, *, busy_s: float = 1.0) -> sqlite3.Connection:
    """Open or create a log, and bring it to the current layout.

    Args:
        path: the log.
        busy_s: how long to wait for a lock.

    Raises:
        sqlite3.Error: the file cannot be read or written.
        OSError: the folder cannot be created.
        LogError: the layout is newer than this program, or an old row cannot be read.
    """
    connection = connect_for_writing(path, busy_s=busy_s)
    try:
        bring_up_to_date(connection)
    except BaseException:
        connection.close()
        raise
    return connection


def open_for_reading(path: Path, *, busy_s: float = 5.0, any_layout: bool = False) -> sqlite3.Connection:
    """Open a log with a connection that cannot write.

    Args:
        path: the log.
        busy_s: how long to wait for a lock, in seconds.
        any_layout: True to accept an older layout too.

    Raises:
        sqlite3.Error: there is no such log, or it cannot be read.
        LogTrouble: its layout is newer than this program, or older and ``any_layout`` is False.
    """
    try:
        return _open_read_only(path, "mode=ro", busy_s, any_layout)
    except sqlite3.OperationalError:
        # If no file may be created beside the log, a log that was closed in order can still be read.
        wal = path.with_name(path.name + "-wal")
        if not path.is_file() or (wal.exists() and wal.stat().st_size):
            raise
        return _open_read_only(path, "mode=ro&immutable=1", busy_s, any_layout)


def _open_read_only(path: Path, how: str, busy_s: float, any_layout: bool) -> sqlite3.Connection:
    connection = sqlite3.connect(
        f"{path.absolute().as_uri()}?{how}",
        uri=True,
        timeout=busy_s,
        isolation_level=None,
        check_same_thread=False,
    )
    try:
        layout = layout_in(connection)
        if layout == 0:
            raise LogTrouble(LogFault.UNUSABLE, f"The file {path} holds no log.")
        if layout > LAYOUT:
            raise newer(path, layout, LAYOUT)
        if layout < LAYOUT and not any_layout:
            raise LogTrouble(
                LogFault.OLDER,
                f"The log {path} has layout {layout}, and this program reads layout {LAYOUT}. Start the "
                "bridge once with this file: it brings the log up to date and keeps its rows.",
            )
    except BaseException:
        connection.close()
        raise
    return connection


FILE_ERRORS = (sqlite3.Error, OSError, LogError)
"""The errors that a file of a log causes."""
