"""The file of the log: how it is opened, and how an older file is brought up to date. Shell.

``journal_mode = WAL``: a commit appends to one file, and readers never wait for the writer. The writer
chooses ``synchronous`` for each commit, see :mod:`bridge.history.writer`.
"""

import sqlite3
from pathlib import Path

from bridge.history import migration
from bridge.history.errors import LogFault, LogTrouble, newer, older
from bridge.history.views import tables, views

LAYOUT = 3
"""Layouts 1 and 2 held packed blocks; :mod:`bridge.history.migration` reads them."""
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
        if 0 < layout < LAYOUT:
            migration.set_old_tables_aside(connection, layout)
        for statement in (tables() + views()).split(";"):
            connection.execute(statement)
        if 0 < layout < LAYOUT:
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
            raise older(path, layout, LAYOUT)
    except BaseException:
        connection.close()
        raise
    return connection
