"""The lock of a log, and the remains of a damaged one. Shell."""

import fcntl
import os
import sqlite3
from datetime import UTC, datetime
from pathlib import Path

from bridge.history import migration
from bridge.history.errors import LogFault, LogTrouble
from bridge.history.records import StateRow
from bridge.history.schema import LAYOUT, layout_in
from bridge.history.store import Store


def lock_of(log: Path) -> Path:
    """The file that the writer of a log keeps locked."""
    return log.with_name(log.name + ".lock")


def locked(log: Path) -> int:
    """The lock of a log, held; ``LogTrouble`` when another bridge holds it."""
    log.parent.mkdir(parents=True, exist_ok=True)
    held = os.open(lock_of(log), os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    try:
        fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError as error:
        os.close(held)
        raise LogTrouble(
            LogFault.LOCKED,
            f"Another bridge writes the log {log}. Stop one, or give each its own log.",
        ) from error
    return held


def state_of_damaged(path: Path) -> dict[str, StateRow]:
    """The saved values of a damaged file whose checksum still fits. Raises :class:`sqlite3.Error`."""
    connection = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, timeout=1.0)
    try:
        layout = layout_in(connection)
        if 0 < layout < LAYOUT:
            return migration.state_in(connection, layout)
        return Store(connection).state()
    finally:
        connection.close()


def move_aside(log: Path, word: str) -> Path:
    """Move a log and its companions out of the way, under a name that no file has yet: the new name."""
    base = f"{log.name}.{word}-{datetime.now(UTC):%Y%m%dT%H%M%SZ}"
    aside = log.with_name(base)
    number = 2
    while aside.exists():
        aside = log.with_name(f"{base}-{number}")
        number += 1
    for ending in ("-wal", "-shm", ""):
        companion = log.with_name(log.name + ending)
        if companion.exists():
            companion.rename(aside.with_name(aside.name + ending))
    return aside
