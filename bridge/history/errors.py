"""Trouble with the file of the log, as plain sentences. Core."""

import errno
import sqlite3
from enum import Enum
from pathlib import Path

from bridge.errors import LogError


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


def trouble_from(error: BaseException, path: Path) -> LogTrouble:
    """Convert an error of the file into trouble with a sentence: what happened, where, and what to do."""
    if isinstance(error, LogTrouble):
        return error
    code = getattr(error, "sqlite_errorcode", None)
    primary = code & 0xFF if isinstance(code, int) else None
    number = error.errno if isinstance(error, OSError) else None
    if primary == sqlite3.SQLITE_FULL or number in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
        return LogTrouble(
            LogFault.FULL, f"The disk is full, so the log {path} cannot grow. {_KEPT} Free some space."
        )
    if primary in _LOCKED:
        return LogTrouble(
            LogFault.LOCKED,
            f"Another program holds the log {path} locked. {_KEPT} Close the program that has it open.",
        )
    if primary in _READ_ONLY or number in (errno.EROFS, errno.EACCES, errno.EPERM):
        return LogTrouble(
            LogFault.READ_ONLY,
            f"The log {path} may not be written. {_KEPT} Let the user of the service write there.",
        )
    if primary in _CORRUPTED:
        return LogTrouble(LogFault.CORRUPTED, f"The log {path} is damaged ({error}).")
    return LogTrouble(LogFault.UNUSABLE, f"The log {path} cannot be used ({error}). {_KEPT}")


def newer(path: Path, found: int, known: int) -> LogTrouble:
    """Return the trouble with a file of a newer version of this program."""
    return LogTrouble(
        LogFault.NEWER,
        f"The log {path} has layout {found}; this program knows layouts up to {known}. The file was not "
        "changed. Install the newer program again, or configure another file for this one.",
    )


def older(path: Path, found: int, known: int) -> LogTrouble:
    """Return the trouble with a file of an older layout, which the daemon migrates at its start."""
    return LogTrouble(
        LogFault.OLDER,
        f"The log {path} has layout {found}, and this program reads layout {known}. Start the bridge once "
        "with this file: it brings the log up to date and keeps its rows.",
    )
