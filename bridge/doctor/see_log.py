"""Looks into the log. Shell."""

import os
import sqlite3
from datetime import UTC, datetime
from pathlib import Path

from bridge.doctor.judge_log import LogFacts
from bridge.errors import LogError
from bridge.history.backup import layout_of
from bridge.history.reader import Reader
from bridge.history.records import EventRow, Kind
from bridge.history.schema import LAYOUT, open_for_reading

_AMONG = 5000
"""Entries that are looked through for a greeting."""


def see_log(path: Path) -> LogFacts:
    """Can it be read, does SQLite's quick check find anything, and what does it span?"""
    try:
        os.stat(path)
    except FileNotFoundError:
        return LogFacts(path, missing=True)
    except OSError as error:
        return LogFacts(path, trouble=f"The log {path} cannot be seen by this user ({error.strerror}).")
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
        said = tuple(str(row[0]) for row in connection.execute("PRAGMA quick_check(5)"))
    finally:
        connection.close()
    return () if said == ("ok",) else said


def greeting(path: Path, reservoir: str) -> str | None:
    """The controller's newest greeting in the log, with its time; None where there is none."""
    try:
        with Reader(path) as reader:
            _, last = reader.span_ms()
            rows = reader.earlier(last + 1, [Kind.EVENT], reservoir, _AMONG)
    except LogError:
        return None
    hellos = [row for row in rows if isinstance(row, EventRow) and row.event == "controller-hello"]
    if not hellos:
        return None
    newest = max(hellos, key=lambda row: row.stamp)
    return f"{newest.sentence} ({datetime.fromtimestamp(newest.stamp.utc_ms / 1000, UTC):%Y-%m-%d %H:%M} UTC)"
