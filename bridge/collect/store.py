"""The database of the collector: PostgreSQL or SQLite, by its URL. Shell; every method blocks.

Rows are written in one transaction. A row whose bridge, series and time are there already is left out, so
that a record that arrives twice is stored once.
"""

import fcntl
import os
import sqlite3
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import AbstractContextManager
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar
from urllib.parse import unquote

from bridge.collect.tables import LAYOUT, POSTGRESQL, SQLITE, Dialect, Row, Series, tables, views
from bridge.errors import ClearwellError, InputError
from bridge.history.views import utc_text

if TYPE_CHECKING:
    from psycopg import Connection

T = TypeVar("T")
CONNECT_S = 10
BUSY_S = 10.0
"""How long to wait for another program that holds the SQLite file."""
FORMS = "postgresql://USER@HOST/NAME, or sqlite:///FILE"
NOT_INSTALLED = (
    "--to postgresql://... needs the extra 'collect' (pip install 'clearwell-bridge[collect]'), "
    "of which psycopg is not installed"
)


class StoreTrouble(ClearwellError):
    """The database cannot be used now; a later attempt may succeed."""


class Store(ABC):
    """A database.

    Args:
        place: The database in a sentence, without a password.
        dialect: Its SQL.
        errors: The errors of its library.
    """

    mark: str
    """Stands for a value in a statement."""

    def __init__(self, place: str, dialect: Dialect, errors: tuple[type[Exception], ...]) -> None:
        self.place = place
        self._dialect = dialect
        self._errors = errors
        self._numbers: dict[Series, int] = {}
        """The number of each series that is known to be in the database."""
        self.positions: dict[str, int] = {}
        """For each bridge, the id of the last row up to which everything is in the database."""

    def open(self) -> None:
        """Connect, take the lock, and create tables and views in an empty database.

        Raises:
            StoreTrouble: The database cannot be reached or used, or another collector holds its lock.
        """
        self._guarded(self._open)

    def write(self, rows: Sequence[Row], positions: Mapping[str, int] | None = None) -> int:
        """Write rows in one transaction; connect first if there is no connection.

        Args:
            rows: The rows.
            positions: The new positions of bridges.

        Returns:
            The number of rows that were not there before.

        Raises:
            StoreTrouble: Nothing was written. The connection is closed.
        """

        def work() -> int:
            if not self._is_open:
                self._open()
            with self._transaction():
                self._add_series({row.series for row in rows} - self._numbers.keys())
                added = self._insert(rows)
                for bridge, last in sorted((positions or {}).items()):
                    self._run(
                        f"INSERT INTO position (bridge, last) VALUES ({self.mark}, {self.mark}) "
                        "ON CONFLICT (bridge) DO UPDATE SET last = excluded.last",
                        (bridge, last),
                    )
            self.positions |= positions or {}
            return added

        return self._guarded(work)

    def close(self) -> None:
        """Close the connection, which releases the lock."""
        self._numbers.clear()
        self._disconnect()

    def _guarded(self, work: Callable[[], T]) -> T:
        try:
            return work()
        except self._errors as error:
            self.close()
            first = str(error).partition("\n")[0].strip() or type(error).__name__
            raise StoreTrouble(f"The database {self.place} cannot be used: {first}.") from error
        except BaseException:
            self.close()
            raise

    def _open(self) -> None:
        self._connect()
        with self._transaction():
            version = self._layout()
            if version is None:
                for statement in (*tables(self._dialect), *views(self._dialect)):
                    self._run(statement)
                self._run(f"INSERT INTO layout (version) VALUES ({LAYOUT})")
            elif version > LAYOUT:
                raise StoreTrouble(
                    f"The database {self.place} has the layout {version} of a newer version; this version "
                    f"knows layout {LAYOUT}. Install the newer version."
                )
            found = self._run("SELECT bridge, last FROM position")
            self.positions = {bridge: int(last) for bridge, last in found}

    def _add_series(self, wanted: Iterable[Series]) -> None:
        one = self.mark
        # In one order, so that two collectors on one database cannot wait for each other.
        for series in sorted(wanted, key=lambda each: (each.bridge, each.reservoir, each.name, each.unit)):
            key = (series.bridge, series.reservoir, series.name, series.unit)
            self._run(
                "INSERT INTO series (bridge, reservoir, name, unit, kind, subject, field) "
                f"VALUES ({', '.join([one] * 7)}) ON CONFLICT DO NOTHING",
                (*key, series.kind, series.subject, series.field),
            )
            found = self._run(
                f"SELECT id FROM series WHERE bridge = {one} AND reservoir = {one} AND name = {one} "
                f"AND unit = {one}",
                key,
            )
            self._numbers[series] = int(found[0][0])

    def _insert(self, rows: Sequence[Row]) -> int:
        one = self.mark
        return self._run_many(
            "INSERT INTO record (series, time, value, text, flag) "
            f"VALUES ({', '.join([one] * 5)}) ON CONFLICT DO NOTHING",
            [
                (
                    self._numbers[row.series],
                    self._moment(row),
                    row.value,
                    row.text,
                    None if row.flag is None else int(row.flag),
                )
                for row in rows
            ],
        )

    @property
    @abstractmethod
    def _is_open(self) -> bool: ...

    @abstractmethod
    def _connect(self) -> None: ...

    @abstractmethod
    def _disconnect(self) -> None: ...

    @abstractmethod
    def _transaction(self) -> AbstractContextManager[object]: ...

    @abstractmethod
    def _layout(self) -> int | None:
        """Return the layout of the database; None if it has no tables of a collector."""

    @abstractmethod
    def _run(self, statement: str, values: Sequence[object] = ()) -> list[Any]: ...

    @abstractmethod
    def _run_many(self, statement: str, values: Sequence[Sequence[object]]) -> int: ...

    @abstractmethod
    def _moment(self, row: Row) -> object: ...


class Postgres(Store):
    """A PostgreSQL database, through psycopg.

    Args:
        url: ``postgresql://...``; what it does not contain comes from the environment, as in every program
            that uses PostgreSQL's library (PGPASSWORD, PGSSLMODE, the file ``~/.pgpass``).
        name: The name of the collector, which the lock is for.

    Raises:
        InputError: The library is missing, or the URL is wrong.
    """

    mark = "%s"

    def __init__(self, url: str, name: str) -> None:
        try:
            import psycopg
            from psycopg import conninfo
        except ImportError as error:
            raise InputError(NOT_INSTALLED) from error
        try:
            given = conninfo.conninfo_to_dict(url)
        except psycopg.Error as error:
            raise InputError(f"--to: this is not a PostgreSQL URL: {str(error).strip()}") from error
        host, port = given.get("host") or "this machine", given.get("port")
        where = f"{given.get('dbname') or 'of this user'} on {host}" + (f":{port}" if port else "")
        super().__init__(where, POSTGRESQL, (psycopg.Error, OSError))
        # Without these, a connection that a router has forgotten would hang for hours.
        patience: dict[str, Any] = {
            "connect_timeout": CONNECT_S,
            "keepalives_idle": 15,
            "keepalives_interval": 5,
            "keepalives_count": 3,
            "tcp_user_timeout": 30_000,
            "application_name": f"clearwell collect {name}",
        }
        self._conninfo = conninfo.make_conninfo("", **patience | given)
        self._name = name
        self._connection: Connection[Any] | None = None

    @property
    def _is_open(self) -> bool:
        return self._connection is not None

    def _connect(self) -> None:
        import psycopg

        self._connection = psycopg.connect(self._conninfo, autocommit=True)
        [(mine,)] = self._run(
            "SELECT pg_try_advisory_lock(hashtextextended(%s, 0))", (f"clearwell collect {self._name}",)
        )
        if not mine:
            raise StoreTrouble(
                f"Another collector of the name {self._name!r} writes to the database {self.place}; stop it, "
                "or give this one another name with --name."
            )

    def _disconnect(self) -> None:
        connection, self._connection = self._connection, None
        if connection is not None:
            connection.close()

    def _transaction(self) -> AbstractContextManager[object]:
        assert self._connection is not None
        return self._connection.transaction()

    def _layout(self) -> int | None:
        if self._run("SELECT to_regclass('layout')") == [(None,)]:
            return None
        return int(self._run("SELECT version FROM layout")[0][0])

    def _run(self, statement: str, values: Sequence[object] = ()) -> list[Any]:
        assert self._connection is not None
        cursor = self._connection.execute(statement.encode(), values or None)
        return cursor.fetchall() if cursor.description else []

    def _run_many(self, statement: str, values: Sequence[Sequence[object]]) -> int:
        assert self._connection is not None
        with self._connection.cursor() as cursor:
            cursor.executemany(statement.encode(), values)
            return cursor.rowcount

    def _moment(self, row: Row) -> object:
        return row.time


class Sqlite(Store):
    """A SQLite file. Only one collector may write to it.

    Args:
        path: The file; it is created if it does not exist.

    Raises:
        InputError: The folder of the file does not exist.
    """

    mark = "?"

    def __init__(self, path: Path) -> None:
        super().__init__(str(path), SQLITE, (sqlite3.Error, OSError))
        if not path.parent.is_dir():
            raise InputError(f"--to: the folder {path.parent} of the SQLite file does not exist; create it")
        self._path = path
        self._lock = -1
        self._connection: sqlite3.Connection | None = None

    @property
    def _is_open(self) -> bool:
        return self._connection is not None

    def _connect(self) -> None:
        # The lock is on the file itself, and leaves no second file behind. SQLite's own locks are of another
        # kind. They would end if this descriptor were closed before SQLite's.
        self._lock = os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        try:
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise StoreTrouble(
                f"Another collector writes to the database {self.place}; stop it, or give another file."
            ) from error
        connection = sqlite3.connect(
            self._path, timeout=BUSY_S, isolation_level=None, check_same_thread=False
        )
        self._connection = connection
        # Before anything is changed, because the file may be another database.
        self._layout()
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")

    def _disconnect(self) -> None:
        connection, self._connection = self._connection, None
        if connection is not None:
            connection.close()
        if self._lock >= 0:
            os.close(self._lock)
            self._lock = -1

    def _transaction(self) -> AbstractContextManager[object]:
        assert self._connection is not None
        self._connection.execute("BEGIN IMMEDIATE")
        # On its exit it commits or rolls back.
        return self._connection

    def _layout(self) -> int | None:
        names = {name for (name,) in self._run("SELECT name FROM sqlite_master WHERE type = 'table'")}
        if not names:
            return None
        if not {"layout", "record", "series"} <= names:
            raise StoreTrouble(
                f"The file {self.place} is another database, with the tables {', '.join(sorted(names))}; "
                "give a new file."
            )
        return int(self._run("SELECT version FROM layout")[0][0])

    def _run(self, statement: str, values: Sequence[object] = ()) -> list[Any]:
        assert self._connection is not None
        return self._connection.execute(statement, values).fetchall()

    def _run_many(self, statement: str, values: Sequence[Sequence[object]]) -> int:
        assert self._connection is not None
        return self._connection.executemany(statement, values).rowcount

    def _moment(self, row: Row) -> object:
        return utc_text(row.time_ms)


def store_at(url: str, name: str) -> Store:
    """Return the database of a URL; nothing is opened yet.

    Args:
        url: ``postgresql://...`` or ``sqlite:///FILE``.
        name: The name of the collector.

    Raises:
        InputError: The URL is wrong, or the library for it is missing.
    """
    scheme, colon, rest = url.partition("://")
    if scheme in ("postgresql", "postgres") and colon:
        return Postgres(url, name)
    if scheme == "sqlite" and colon:
        if not rest.startswith("/") or not rest[1:]:
            raise InputError("--to sqlite:// needs a file after a third slash, such as sqlite:///records.db")
        return Sqlite(Path(unquote(rest[1:])))
    # The rest of the URL may contain a password.
    named = f"of the kind {scheme!r}" if colon else "without ://"
    raise InputError(f"--to: a URL {named} is not one of a database that can be used; give {FORMS}")
