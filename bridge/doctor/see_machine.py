"""Collects facts about the clock, the disk, the program and the log. Shell."""

import os
import platform
import shutil
import sqlite3
import subprocess
import time
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path

from bridge import __version__
from bridge.daemon import saved_state
from bridge.doctor.judge_machine import ClockFacts, DiskFacts, Library, LogFacts, ProgramFacts
from bridge.errors import LogError
from bridge.guard.state import GuardState
from bridge.history.backup import layout_of, state_of
from bridge.history.opening import LAYOUT, open_for_reading
from bridge.history.reader import Reader
from bridge.history.records import EventRow, Kind
from bridge.station.plan import StationPlan

_NEWEST = 5000
"""The number of newest entries in which a greeting is searched."""


def see_log(path: Path) -> LogFacts:
    """Collect the facts about the log, with SQLite's quick check."""
    try:
        os.stat(path)
    except FileNotFoundError:
        return LogFacts(path, missing=True)
    except OSError as error:
        return LogFacts(path, trouble=f"The log {path} cannot be read by this user ({error.strerror}).")
    try:
        layout = layout_of(path)
        faults = _quick_check(path)
        with Reader(path) as reader:
            first, last = reader.span_ms()
    except LogError as error:
        return LogFacts(path, trouble=str(error))
    except sqlite3.DatabaseError as error:
        return LogFacts(path, trouble=f"The log {path} cannot be read ({error}).")
    return LogFacts(path, None, False, layout, LAYOUT, faults, first / 1000.0, last / 1000.0)


def _quick_check(path: Path) -> tuple[str, ...]:
    connection = open_for_reading(path, any_layout=True)
    try:
        faults = tuple(str(row[0]) for row in connection.execute("PRAGMA quick_check(5)"))
    finally:
        connection.close()
    return () if faults == ("ok",) else faults


def greeting(path: Path, reservoir: str) -> str | None:
    """Return the controller's newest greeting in the log, with its time; None if there is none."""
    try:
        with Reader(path) as reader:
            _, last = reader.span_ms()
            rows = reader.earlier(last + 1, [Kind.EVENT], reservoir, _NEWEST)
    except LogError:
        return None
    hellos = [row for row in rows if isinstance(row, EventRow) and row.event == "controller-hello"]
    if not hellos:
        return None
    newest = max(hellos, key=lambda row: row.stamp)
    return f"{newest.sentence} ({datetime.fromtimestamp(newest.stamp.utc_ms / 1000, UTC):%Y-%m-%d %H:%M} UTC)"


def latched(path: Path, station: StationPlan) -> GuardState | None:
    """Return what is latched for a reservoir by its log; None if the log does not say."""
    name = station.identity.reservoir
    try:
        kept = state_of(path).get(saved_state.latched_key(name))
        moment = saved_state.Moment(time.monotonic(), time.time())
        return None if kept is None else saved_state.guard_state(kept, None, station.limits, moment)
    except (LogError, OSError, sqlite3.Error):
        return None


LIBRARIES = (
    ("paho-mqtt", ""),
    ("pyserial", ""),
    ("pydantic-settings", ""),
    ("structlog", ""),
    ("click", ""),
    ("distributed", "cluster"),
    ("psycopg", "collect"),
    ("pymodbus", "modbus"),
    ("starlette", "page"),
    ("uvicorn", "page"),
    ("prometheus_client", "page"),
    ("icalendar", "page"),
    ("matplotlib", "report"),
    ("weasyprint", "report"),
    ("amqtt", "demo"),
    ("rich", "demo"),
)
"""As in ``pyproject.toml``: the library, and the extra that includes it."""
_ANSWER_S = 5.0
_TRIAL_BYTES = 256 * 1024


def see_clock(newest_s: float | None) -> ClockFacts:
    """Collect the facts about the wall clock."""
    return ClockFacts(time.time(), _synchronised(), newest_s)


def _synchronised() -> bool | None:
    try:
        done = subprocess.run(
            ["timedatectl", "show", "--property=NTPSynchronized", "--value"],
            capture_output=True, text=True, timeout=_ANSWER_S, check=False,
        )  # fmt: skip
    except (OSError, subprocess.TimeoutExpired):
        return None
    return {"yes": True, "no": False}.get(done.stdout.strip())


def see_disk(log: Path, span_days: float) -> DiskFacts:
    """Collect the facts about the log's directory; writes a small database there and deletes it."""
    folder = log.parent
    if not os.path.isdir(folder):
        return DiskFacts(log, "", 0, None, False)
    size = 0
    for ending in ("", "-wal"):
        try:
            size += log.with_name(log.name + ending).stat().st_size
        except OSError:
            continue
    return DiskFacts(
        log=log,
        files=files_at(folder, _mounts()),
        free_bytes=shutil.disk_usage(folder).free,
        trouble=_trial(folder),
        there=True,
        log_bytes=size,
        span_days=span_days,
        foreign=tuple(_foreign(log)),
    )


def _mounts() -> str:
    try:
        return Path("/proc/self/mountinfo").read_text("utf-8", "replace")
    except OSError:
        return ""


def files_at(folder: Path, mounts: str) -> str:
    """Return the type of a directory's file system; empty if it is not known.

    Args:
        folder: the directory.
        mounts: the table of mounts, as in proc(5), mountinfo.
    """
    real = os.path.realpath(folder)
    best = kind = ""
    for line in mounts.splitlines():
        before, _, after = line.partition(" - ")
        fields = before.split()
        if len(fields) < 5 or not after:
            continue
        # A blank in a path is written as \040.
        point = fields[4].encode().decode("unicode_escape")
        inside = real == point or real.startswith(point.rstrip("/") + "/")
        # Of two mounts on the same point the later one is visible.
        if inside and len(point) >= len(best):
            best, kind = point, after.split()[0]
    return kind


def _trial(folder: Path) -> str | None:
    """Write a database with the log's settings. Returns why that fails, or None."""
    path = folder / f".clearwell-doctor-{os.getpid()}.db"
    try:
        connection = sqlite3.connect(path, timeout=1.0, isolation_level=None)
        try:
            (mode,) = connection.execute("PRAGMA journal_mode = WAL").fetchone()
            if mode != "wal":
                return "the file system does not allow SQLite's write-ahead log"
            connection.execute("PRAGMA synchronous = FULL")
            connection.execute("CREATE TABLE trial (body BLOB)")
            connection.execute("INSERT INTO trial VALUES (?)", (os.urandom(_TRIAL_BYTES),))
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        finally:
            connection.close()
    except (sqlite3.Error, OSError) as error:
        return str(error)
    finally:
        for ending in ("", "-wal", "-shm", "-journal"):
            try:
                path.with_name(path.name + ending).unlink(missing_ok=True)
            except OSError:
                continue
    return None


def _foreign(log: Path) -> list[str]:
    owner = log.parent.stat().st_uid
    found = []
    for ending in ("", "-wal", "-shm"):
        one = log.with_name(log.name + ending)
        try:
            if one.stat().st_uid != owner:
                found.append(one.name)
        except OSError:
            continue
    return found


def see_program() -> ProgramFacts:
    """Collect the versions of program and libraries."""
    libraries = tuple(Library(name, extra, version_of(name)) for name, extra in LIBRARIES)
    return ProgramFacts(__version__, platform.python_version(), sqlite3.sqlite_version, libraries)


def version_of(name: str) -> str | None:
    """Return the version of an installed library; None if it is missing."""
    try:
        return metadata.version(name)
    except metadata.PackageNotFoundError:
        return None
