"""The log of a bridge that is stopped: is it really nobody's, and how it is put out of the way whole."""

import fcntl
import os
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from datetime import UTC, datetime
from pathlib import Path

from bridge.errors import LogError
from bridge.history.log import spill_path

_FOLDERS = ("/run/clearwell", "/dev/shm")
"""Where a service and a daemon that was started by hand keep a spill; see ``spill_path``."""


def spill_places(log: Path) -> list[Path]:
    """Everywhere that a daemon may keep what waits for this log, whatever its environment is."""
    places = [spill_path(log), log.with_name(log.name + ".spill")]
    names = {spill_path(one).name for one in (log, log.resolve())}
    places += [
        Path(folder) / name for folder in _FOLDERS for name in sorted(names) if name != log.name + ".spill"
    ]
    return list(dict.fromkeys(places))


def holder(log: Path) -> str | None:
    """Who writes this log now, as a part of a sentence; None when nobody does, as far as this user may
    see."""
    for place in spill_places(log):
        lock = place.with_name(place.name + ".lock")
        try:
            descriptor = os.open(lock, os.O_RDWR | os.O_CLOEXEC)
        except OSError:
            continue
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return f"a daemon, which holds {lock}"
        finally:
            os.close(descriptor)
    return None


@contextmanager
def alone_with(log: Path) -> Iterator[None]:
    """Keep every daemon off this log.

    :raises LogError: a daemon, or any other program, has it open.
    """
    with ExitStack() as held:
        for place in spill_places(log):
            lock = place.with_name(place.name + ".lock")
            try:
                descriptor = os.open(lock, os.O_RDWR | os.O_CLOEXEC)
            except FileNotFoundError:
                continue
            held.callback(os.close, descriptor)
            try:
                fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError as error:
                raise _in_use(log) from error
        _refuse_readers(log)
        yield


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
        # From here on it is one file; the daemon sets its own mode again when it opens a log.
        connection.execute("PRAGMA journal_mode = DELETE").fetchone()
    except sqlite3.OperationalError as error:
        if getattr(error, "sqlite_errorcode", 0) & 0xFF in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
            raise _in_use(log) from error
        # Whatever else is wrong with it, it is only moved.
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
    """Move a log and all that belongs to it out of the way, under a name no file has yet; None where there is
    no log."""
    base = f"{log.name}.before-restore-{datetime.now(UTC):%Y%m%dT%H%M%SZ}"
    aside = log.with_name(base)
    number = 2
    while aside.exists() or aside.with_name(aside.name + ".spill").exists():
        aside = log.with_name(f"{base}-{number}")
        number += 1
    # What waited belongs to this log. Left where it is, the next daemon would write it into the other one.
    waiting = [place for place in spill_places(log) if place.exists()]
    waiting.sort(key=lambda place: place.stat().st_mtime, reverse=True)
    for number, place in enumerate(waiting):
        ending = ".spill" if number == 0 else f".spill-{number + 1}"
        shutil.move(place, aside.with_name(aside.name + ending))
    there = log.exists()
    wal = log.with_name(log.name + "-wal")
    if not wal.exists() or not wal.stat().st_size:
        # All of it is in the file itself; SQLite makes these two anew.
        for ending in ("-wal", "-shm"):
            log.with_name(log.name + ending).unlink(missing_ok=True)
    for ending in ("-wal", "-shm", ""):
        companion = log.with_name(log.name + ending)
        if companion.exists():
            companion.rename(aside.with_name(aside.name + ending))
    return aside if there else None
