"""The file of the log: how it is opened, its tables, and how an older file is brought up to date.

Settings, and why:

``journal_mode = WAL``
    A commit appends to one file, and readers never wait for the writer.
``synchronous = FULL``
    Each commit reaches the card before it returns: no alarm, trip or command that was committed is lost in
    a power cut. Commits are few (see :mod:`bridge.history.writer`), so this is affordable.
``page_size = 1024``
    The usual commit changes one or two pages; with small pages that is about one block of the card.
``wal_autocheckpoint = 4000``
    About 4 MB: a page that changes every hour is copied into the file once every few days.
``secure_delete = off``
    Deleted rows are not overwritten with zeros, which would write every page once more.
"""

import sqlite3
from pathlib import Path

from bridge.history.rollup import HOUR_MS
from bridge.history.trouble import newer

PAGE_BYTES = 1024
CHECKPOINT_PAGES = 4000

MIGRATIONS: tuple[str, ...] = (
    # 1: readings in blocks, roll-ups, everything else as entries, and what must survive a restart.
    """
    CREATE TABLE reservoir (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE);
    CREATE TABLE block (
        id INTEGER PRIMARY KEY, boot INTEGER NOT NULL, last_sequence INTEGER NOT NULL,
        last_ms INTEGER NOT NULL, readings INTEGER NOT NULL, body BLOB NOT NULL
    );
    CREATE TABLE minute (id INTEGER PRIMARY KEY, body BLOB NOT NULL);
    CREATE TABLE hour (id INTEGER PRIMARY KEY, body BLOB NOT NULL);
    CREATE TABLE entry (
        id INTEGER PRIMARY KEY, boot INTEGER NOT NULL, sequence INTEGER NOT NULL, kind TEXT NOT NULL,
        reservoir TEXT NOT NULL, body TEXT NOT NULL
    );
    CREATE TABLE state (key TEXT PRIMARY KEY, value BLOB NOT NULL) WITHOUT ROWID;
    """,
    # 2: marks of change between two blocks, and a checksum over each saved state, for salvage.
    """
    CREATE TABLE mark (id INTEGER PRIMARY KEY, reservoir INTEGER NOT NULL, body BLOB NOT NULL);
    ALTER TABLE state ADD COLUMN checksum INTEGER NOT NULL DEFAULT -1;
    """,
)

LAYOUT = len(MIGRATIONS)

MOST_RESERVOIRS = 4095
MOST_BLOCKS_AN_HOUR = 4096


def block_id(hour: int, reservoir: int, number: int) -> int:
    """Key of the ``number``-th block of a reservoir in an hour: keys run with time, so the file only grows
    at its end."""
    return (hour << 24) | (reservoir << 12) | number


def hour_id(hour: int, reservoir: int) -> int:
    """Key of the roll-ups of a reservoir in an hour."""
    return (hour << 12) | reservoir


def hour_of(utc_ms: int) -> int:
    """Hours since 1970."""
    return utc_ms // HOUR_MS


def entry_floor(utc_ms: int) -> int:
    """The smallest key an entry of that time can have; the last eight bits keep entries of one millisecond
    apart."""
    return utc_ms << 8


def open_for_writing(path: Path, *, busy_s: float = 1.0) -> sqlite3.Connection:
    """Open or begin a log and bring it to the current layout. Raises :class:`sqlite3.Error`, ``OSError``,
    ``LogTrouble``."""
    path.parent.mkdir(parents=True, exist_ok=True)
    connection = sqlite3.connect(path, timeout=busy_s, isolation_level=None, check_same_thread=False)
    try:
        layout = int(connection.execute("PRAGMA user_version").fetchone()[0])
        if layout > LAYOUT:
            raise newer(path, layout, LAYOUT)
        if layout == 0:
            connection.execute(f"PRAGMA page_size = {PAGE_BYTES}")
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA secure_delete = OFF")
        connection.execute(f"PRAGMA wal_autocheckpoint = {CHECKPOINT_PAGES}")
        connection.execute("PRAGMA cache_size = -1024")
        connection.execute("PRAGMA temp_store = MEMORY")
        migrate(connection, layout)
    except BaseException:
        connection.close()
        raise
    return connection


def migrate(connection: sqlite3.Connection, layout: int) -> None:
    """Apply every migration after ``layout``, each in a transaction of its own."""
    for number, script in enumerate(MIGRATIONS[layout:], start=layout + 1):
        connection.executescript(f"BEGIN IMMEDIATE; {script} PRAGMA user_version = {number}; COMMIT;")


def open_for_reading(path: Path, *, busy_s: float = 5.0) -> sqlite3.Connection:
    """A connection that cannot write. Raises :class:`sqlite3.Error` when there is no such log,
    ``LogTrouble`` when it is newer."""
    try:
        return _open_read_only(path, "mode=ro", busy_s)
    except sqlite3.OperationalError:
        # Where nothing may be created beside the file, a log that was closed in order can still be read.
        wal = path.with_name(path.name + "-wal")
        if not path.is_file() or (wal.exists() and wal.stat().st_size):
            raise
        return _open_read_only(path, "mode=ro&immutable=1", busy_s)


def _open_read_only(path: Path, how: str, busy_s: float) -> sqlite3.Connection:
    connection = sqlite3.connect(
        f"{path.absolute().as_uri()}?{how}",
        uri=True,
        timeout=busy_s,
        isolation_level=None,
        check_same_thread=False,
    )
    try:
        layout = int(connection.execute("PRAGMA user_version").fetchone()[0])
        if layout > LAYOUT:
            raise newer(path, layout, LAYOUT)
    except BaseException:
        connection.close()
        raise
    return connection
