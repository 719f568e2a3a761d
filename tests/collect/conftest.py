"""A real PostgreSQL that a test can kill, and both kinds of database by their URLs."""

import asyncio
import os
import pwd
import shutil
import signal
import sqlite3
import subprocess
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import psycopg
import pytest

from tests.brokers import free_port
from tests.waiting import DEADLINE_S

PROGRAMS = Path("/usr/lib/postgresql")
SERVER_USER = "postgres"


@dataclass
class PostgresServer:
    """A cluster of its own in a new directory. As root, PostgreSQL needs an ordinary user."""

    folder: Path
    port: int = field(default_factory=free_port)
    _process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        return f"postgresql://{SERVER_USER}@127.0.0.1:{self.port}/postgres"

    def create(self) -> None:
        if os.getuid() == 0:
            shutil.chown(self.folder, SERVER_USER)
        self._run("initdb", "-D", "data", "-U", SERVER_USER, "--auth=trust", "-E", "UTF8")

    def start(self) -> None:
        self._process = subprocess.Popen(
            [_program("postgres"), "-D", "data", "-p", str(self.port), "-k", ".", "-h", "127.0.0.1"],
            cwd=self.folder,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            user=_user(),
        )
        self._run("pg_isready", "-h", "127.0.0.1", "-p", str(self.port), until_it_succeeds=True)

    def kill(self) -> None:
        """End the server at once, without a checkpoint: the next start recovers as after a crash."""
        if self._process is not None:
            self._process.send_signal(signal.SIGQUIT)
            self._process.wait(DEADLINE_S)
            self._process = None

    def fresh(self, name: str) -> str:
        """Create an empty database and return its URL."""
        with psycopg.connect(self.url, autocommit=True) as connection:
            connection.execute(f'CREATE DATABASE "{name}"'.encode())
        return self.url.removesuffix("postgres") + name

    def _run(self, name: str, *words: str, until_it_succeeds: bool = False) -> None:
        command = [_program(name), *words]
        while True:
            done = subprocess.run(
                command, cwd=self.folder, capture_output=True, timeout=DEADLINE_S, check=False, user=_user()
            )
            if done.returncode == 0:
                return
            if not until_it_succeeds or self._process is None or self._process.poll() is not None:
                pytest.fail(f"{name} failed: {done.stderr.decode() or done.stdout.decode()}")


def _program(name: str) -> str:
    newest = max(PROGRAMS.glob(f"*/bin/{name}"), key=lambda path: float(path.parts[-3]))
    return str(newest)


def _user() -> int | None:
    return pwd.getpwnam(SERVER_USER).pw_uid if os.getuid() == 0 else None


@pytest.fixture(scope="session")
def postgres_cluster() -> Iterator[PostgresServer]:
    """One cluster for all tests of a process."""
    with tempfile.TemporaryDirectory(prefix="clearwell-postgres-", ignore_cleanup_errors=True) as folder:
        server = PostgresServer(Path(folder))
        server.create()
        server.start()
        yield server
        server.kill()


_made = 0


@pytest.fixture
def postgres_url(postgres_cluster: PostgresServer) -> str:
    """An empty database."""
    global _made
    _made += 1
    return postgres_cluster.fresh(f"collect_{_made}")


@pytest.fixture(params=[pytest.param("postgresql", marks=pytest.mark.needs("postgresql")), "sqlite"])
def url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """An empty database of each kind."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'records.db'}"
    made: str = request.getfixturevalue("postgres_url")
    return made


def query(url: str, statement: str) -> list[dict[str, Any]]:
    """Run a query with a plain client and return its rows."""
    if url.startswith("sqlite"):
        connection = sqlite3.connect(f"file:{url.removeprefix('sqlite:///')}?mode=ro", uri=True)
        try:
            cursor = connection.execute(statement)
            names = [column[0] for column in cursor.description]
            return [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]
        finally:
            connection.close()
    with psycopg.connect(url) as client:
        found = client.execute(statement.encode())
        assert found.description is not None
        names = [column.name for column in found.description]
        return [dict(zip(names, row, strict=True)) for row in found.fetchall()]


async def asked(url: str, statement: str) -> list[dict[str, Any]]:
    """Run a query beside the event loop."""
    return await asyncio.to_thread(query, url, statement)
