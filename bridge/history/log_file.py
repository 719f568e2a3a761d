"""The file of a log: how it is opened, its layout, its lock, and its trouble as sentences. Shell.

``journal_mode = WAL``: a commit appends to one file, and readers never wait for the writer. The writer
chooses ``synchronous`` for each commit, see :mod:`bridge.history.writer`. The only writer of a log holds its
lock, its connection and its saved state, and sets a damaged file aside.
"""

import errno
import sqlite3
import time
from collections.abc import Iterable
from concurrent.futures import Future
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import Enum
from pathlib import Path

from bridge.errors import LogError
from bridge.history import lock, migration
from bridge.history.migration import SESSION
from bridge.history.outbox import Outbox
from bridge.history.records import Row, StateRow
from bridge.history.store import Store
from bridge.history.views import tables, views
from bridge.history.waiting import OutboxSettings


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
_OWN = ("log.", "outbox.")
"""Prefixes of the keys of the log's own saved state."""


@dataclass(frozen=True, slots=True)
class Opened:
    """The content of the log that a new process needs."""

    boot: int
    """The number of this session."""
    last_utc_ms: int
    """The newest time in the log. The first stamp must be later: it is the floor of a ``RecordClock``."""
    state: dict[str, StateRow]
    """The saved state by key, without the log's own."""
    complete: bool
    """False if the saved state could not be read. Then the latched state is not known."""


class LogFile:
    """The file of a log for its only writer. Used from the log's thread only.

    Args:
        path: the log.
        outbox: the settings of the outbox; None if there is no hub's log.
    """

    def __init__(self, path: Path, outbox: OutboxSettings | None) -> None:
        self.path = path
        self.opened: Future[Opened] = Future()
        """The content of the log, as soon as it is known."""
        self.store: Store | None = None
        """The tables; None while the file is closed."""
        self._outbox_settings = outbox
        self.outbox = None if outbox is None else Outbox(outbox)
        self._lock = -1
        self._state: dict[str, StateRow] = {}
        """The newest row of each saved state. A new file must get all of them."""
        self._session = 0
        self._was_open = False
        self._state_lost = False

    def open(self) -> Store:
        """Lock and open the file, bring it up to date, and begin the session.

        Raises:
            sqlite3.Error: the file cannot be read or written.
            OSError: the same.
            LogError: another bridge writes the log, or its layout is newer.
        """
        if self._lock < 0:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            try:
                self._lock = lock.take(self.path)
            except lock.LockHeld as error:
                raise held(self.path, error.holder) from error
        connection = connect_for_writing(self.path)
        try:
            layout = layout_in(connection)
            if 0 < layout <= PACKED and not self.opened.done():
                # A migration can take minutes, but the guard needs the latched state at once.
                state = migration.state_in(connection, layout)
                self._report(state, migration.span_ms_in(connection, layout)[1])
            bring_up_to_date(connection)
            store = Store(connection)
            state, last_utc_ms = {**store.state(), **self._state}, store.span_ms()[1]
            if SESSION not in state:
                state = {**self._rescued(), **state}
            found = dict(state)
            if not self._was_open:
                self._session = max(self._session, _next_session(state))
                state[SESSION] = StateRow(SESSION, 1, str(self._session))
                if self.outbox is not None:
                    self.outbox.load(state, store)
            self._state = state
            store.begin()
            store.save_state(state.values())
            if not self._was_open:
                store.close_minutes()
            store.commit()
            _remove(_rescued_at(self.path))
        except BaseException:
            connection.close()
            raise
        self._was_open = True
        self.store = store
        if not self.opened.done():
            # The number of this session is on the disk now, so no later process can have the same number.
            self._report(found, last_utc_ms)
        return store

    def remember(self, rows: Iterable[Row]) -> None:
        """Remember the saved state among rows that were committed."""
        self._state.update((row.key, row) for row in rows if isinstance(row, StateRow))

    def close_connection(self) -> None:
        """Close the file and keep its lock."""
        store, self.store = self.store, None
        if store is not None:
            store.connection.close()

    def release(self) -> None:
        """Release the lock."""
        descriptor, self._lock = self._lock, -1
        lock.release(self.path, descriptor)

    def set_aside(self, trouble: LogTrouble) -> LogTrouble:
        """Rename a damaged file and its companions, so that the next :meth:`open` begins a new log.

        Args:
            trouble: the damage.

        Returns:
            The trouble with a sentence that also names the renamed file.
        """
        try:
            self._state = {**state_of_damaged(self.path), **self._state}
            saved = "The saved state was still readable and continues in the new log."
        except FILE_ERRORS:
            self._state_lost = not self._was_open
            saved = "The saved state in it could not be read."
        self.outbox = None if self._outbox_settings is None else Outbox(self._outbox_settings)
        self._state = {key: row for key, row in self._state.items() if not key.startswith("outbox.")}
        self._rescue()
        aside = move_aside(self.path, "damaged")
        return LogTrouble(
            LogFault.CORRUPTED,
            f"{trouble} It was kept as {aside.name}, and a new log was begun. {saved}",
        )

    def _rescue(self) -> None:
        """Write the saved state to a file of its own, for a power cut before the new log has it."""
        path = _rescued_at(self.path)
        _remove(path)
        connection = open_for_writing(path)
        try:
            Store(connection).save_state(self._state.values())
        finally:
            connection.close()

    def _rescued(self) -> dict[str, StateRow]:
        """Return the saved state of a damaged log whose new log has no session yet."""
        path = _rescued_at(self.path)
        if not path.exists():
            return {}
        try:
            found = state_of_damaged(path)
        except FILE_ERRORS:
            found = {}
        self._state_lost = not found
        return found

    def read_only(self) -> None:
        """Read the saved state out of a file that cannot be written, if it can be read."""
        try:
            connection = open_for_reading(self.path, busy_s=1.0, any_layout=True)
            try:
                layout = layout_in(connection)
                if layout > PACKED:
                    store = Store(connection)
                    self._report(store.state(), store.span_ms()[1])
                elif layout:
                    last_ms = migration.span_ms_in(connection, layout)[1]
                    self._report(migration.state_in(connection, layout), last_ms)
            finally:
                connection.close()
        except FILE_ERRORS:
            return

    def start_without(self) -> None:
        """Begin a session although the saved state is not known."""
        self._session = int(time.time())
        self.opened.set_result(Opened(self._session, 0, {}, complete=False))

    def _report(self, state: dict[str, StateRow], last_utc_ms: int) -> None:
        self._session = self._session or _next_session(state)
        others = {key: row for key, row in state.items() if not key.startswith(_OWN)}
        self.opened.set_result(Opened(self._session, last_utc_ms, others, complete=not self._state_lost))


def _next_session(state: dict[str, StateRow]) -> int:
    saved = state.get(SESSION)
    return 1 if saved is None else int(saved.text) + 1


def state_of_damaged(path: Path) -> dict[str, StateRow]:
    """Return the saved state of a damaged file, as far as its checksums are right.

    Raises:
        sqlite3.Error: the file cannot be read.
    """
    connection = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, timeout=1.0)
    try:
        layout = layout_in(connection)
        if 0 < layout <= PACKED:
            return migration.state_in(connection, layout)
        return Store(connection).state()
    finally:
        connection.close()


def _rescued_at(log: Path) -> Path:
    return log.with_name(log.name + ".rescued")


def _remove(path: Path) -> None:
    for ending in ("", "-wal", "-shm"):
        path.with_name(path.name + ending).unlink(missing_ok=True)


def move_aside(log: Path, word: str) -> Path:
    """Rename a log and its companions to a name that no file has yet.

    Args:
        log: the log.
        word: the reason, as a part of the new name.

    Returns:
        The new path of the log.
    """
    base = f"{log.name}.{word}-{datetime.now(UTC):%Y%m%dT%H%M%SZ}"
    aside = log.with_name(base)
    number = 2
    while aside.exists():
        aside = log.with_name(f"{base}-{number}")
        number += 1
    # Without its ``-wal``, a log that is still in place would open with its older rows.
    for ending in ("", "-wal", "-shm"):
        companion = log.with_name(log.name + ending)
        if companion.exists():
            companion.rename(aside.with_name(aside.name + ending))
    return aside
