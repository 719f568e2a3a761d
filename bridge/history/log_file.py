"""The file of a log for its only writer: its lock, its connection and its saved state. Shell.

A damaged file is set aside, and its saved state continues in a new log.

The lock is an flock(2) on a file beside the log. The file holds the process id of the writer, and is deleted
when the writer ends in order. After a kill it stays, unlocked, and the next writer takes it.
"""

import fcntl
import os
import sqlite3
import time
from collections.abc import Iterable
from concurrent.futures import Future
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from bridge.history import migration
from bridge.history.migration import SESSION
from bridge.history.opening import (
    FILE_ERRORS,
    PACKED,
    LogFault,
    LogTrouble,
    bring_up_to_date,
    connect_for_writing,
    held,
    layout_in,
    open_for_reading,
    open_for_writing,
)
from bridge.history.outbox import Outbox
from bridge.history.records import Row, StateRow
from bridge.history.store import Store
from bridge.history.waiting import OutboxSettings

_STARTED = 19
"""The place of a process's start time behind its name in ``/proc/PID/stat``, see proc_pid_stat(5)."""


class LockHeld(Exception):
    """Another process holds the lock.

    Args:
        holder: that process, as a part of a sentence.
    """

    def __init__(self, holder: str) -> None:
        super().__init__(holder)
        self.holder = holder


def lock_of(log: Path) -> Path:
    """Return the path of the file that the writer of a log keeps locked."""
    return log.with_name(log.name + ".lock")


def take(log: Path, *, create: bool = True) -> int:
    """Lock a log.

    Args:
        log: the log.
        create: False to take the lock only if its file exists.

    Returns:
        The descriptor that holds the lock; -1 if the file does not exist and may not be created.

    Raises:
        LockHeld: another process holds the lock.
        OSError: the file of the lock cannot be opened.
    """
    path = lock_of(log)
    while True:
        try:
            held = os.open(path, os.O_RDWR | os.O_CLOEXEC | (os.O_CREAT if create else 0), 0o600)
        except FileNotFoundError:
            if create:
                raise
            return -1
        try:
            fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            holder = _holder_in(held)
            os.close(held)
            raise LockHeld(holder) from error
        if _is_at(held, path):
            os.ftruncate(held, 0)
            os.pwrite(held, f"{os.getpid()}\n".encode(), 0)
            return held
        # Its last holder has deleted this file in the meantime.
        os.close(held)


def release(log: Path, held: int) -> None:
    """Release a lock and delete its file. Does nothing if ``held`` is -1."""
    if held < 0:
        return
    path = lock_of(log)
    try:
        if _is_at(held, path):
            path.unlink()
    except OSError:
        # A file that stays is harmless: nobody holds its lock.
        pass
    finally:
        os.close(held)


def holder(log: Path) -> str | None:
    """Return the current writer of a log, as a part of a sentence.

    Returns:
        None if there is no writer, or if this user may not read the lock.
    """
    try:
        descriptor = os.open(lock_of(log), os.O_RDWR | os.O_CLOEXEC)
    except OSError:
        return None
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return _holder_in(descriptor)
    finally:
        os.close(descriptor)
    return None


def as_its_directory(file: Path) -> None:
    """Give a file that root made to the owner of its directory, because the daemon is often another user."""
    if os.geteuid() == 0 and file.exists():
        owner = file.parent.stat()
        os.chown(file, owner.st_uid, owner.st_gid)


def process_words(pid: int) -> str:
    """Return a process as a part of a sentence, with the time of its start if this user may see it."""
    try:
        with open(f"/proc/{pid}/stat", encoding="utf-8", errors="replace") as file:
            ticks = int(file.read().rpartition(")")[2].split()[_STARTED])
    except (OSError, ValueError, IndexError):
        return f"process {pid}"
    since_s = time.time() - time.clock_gettime(time.CLOCK_BOOTTIME) + ticks / os.sysconf("SC_CLK_TCK")
    since = datetime.fromtimestamp(since_s).astimezone()
    return f"process {pid}, which has run since {since.isoformat(' ', 'seconds')}"


def _holder_in(descriptor: int) -> str:
    text = os.pread(descriptor, 32, 0).decode("ascii", "replace").strip()
    return process_words(int(text)) if text.isdigit() else "another process"


def _is_at(descriptor: int, path: Path) -> bool:
    """Return whether an open file is still the one at this path."""
    try:
        there = os.stat(path)
    except FileNotFoundError:
        return False
    return os.path.samestat(os.fstat(descriptor), there)


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
                self._lock = take(self.path)
            except LockHeld as error:
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
        release(self.path, descriptor)

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
