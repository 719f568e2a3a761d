"""Entries put into a log by another process than the daemon, which may be running.

Shell. SQLite's write-ahead log lets two processes write by turns; what belongs together goes into one
transaction. An entry takes boot and sequence of the last one before it and so stays in that one's place in
the order: the number of boots belongs to the daemon, which would take a new one for a restart of itself.
"""

import sqlite3
import time
from collections.abc import Callable
from pathlib import Path

from bridge.history.records import EntryRow, Stamp
from bridge.history.recovery import BOOT
from bridge.history.schema import open_for_writing
from bridge.history.store import Store
from bridge.history.trouble import trouble_from

BUSY_S = 5.0


def add(path: Path, *makers: Callable[[Stamp], EntryRow]) -> tuple[EntryRow, ...]:
    """Put the entries that ``makers`` make of their stamps into the log at ``path``, all of them or none; on
    disk when this returns. A log that is not there is begun.

    Raises:
        LogTrouble: the log cannot be written, or another program holds it for longer than five seconds.
    """
    try:
        connection = open_for_writing(path, busy_s=BUSY_S)
        try:
            store = Store(connection)
            store.begin()
            rows = []
            for make in makers:
                rows.append(make(_stamp(store)))
                store.add_entries(rows[-1:])
            store.commit()
            return tuple(rows)
        finally:
            connection.close()
    except (sqlite3.Error, OSError) as error:
        raise trouble_from(error, path) from error


def _stamp(store: Store) -> Stamp:
    now_ms = int(time.time() * 1000)
    last = store.connection.execute(
        "SELECT id, boot, sequence FROM entry ORDER BY id DESC LIMIT 1"
    ).fetchone()
    if last is None:
        return Stamp(int(store.state().get(BOOT, b"0")), 0, now_ms)
    return Stamp(int(last[1]), int(last[2]), max(now_ms, (int(last[0]) >> 8) + 1))
