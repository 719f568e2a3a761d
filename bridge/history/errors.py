"""The troubles of the log's file, as plain sentences."""

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
    """The log cannot be written; ``fault`` says why, the message says it to a person."""

    def __init__(self, fault: LogFault, sentence: str) -> None:
        super().__init__(sentence)
        self.fault = fault


_CORRUPTED = {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB}
_LOCKED = {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED}
_READ_ONLY = {sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM, sqlite3.SQLITE_AUTH}

_KEPT = (
    "Readings wait in memory and are written as soon as that works again; "
    "filling and alarms go on without the log."
)


def trouble_from(error: BaseException, path: Path) -> LogTrouble:
    """Any error from the file of the log as trouble with a sentence: what happened, where, what to do."""
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
        told = f"Another program holds the log {path} locked. {_KEPT} Close the program that has it open."
        return LogTrouble(LogFault.LOCKED, told)
    if primary in _READ_ONLY or number in (errno.EROFS, errno.EACCES, errno.EPERM):
        told = f"The log {path} may not be written. {_KEPT} Give the service's user the right to write there."
        return LogTrouble(LogFault.READ_ONLY, told)
    if primary in _CORRUPTED:
        return LogTrouble(LogFault.CORRUPTED, f"The log {path} is damaged ({error}).")
    return LogTrouble(LogFault.UNUSABLE, f"The log {path} cannot be used ({error}). {_KEPT}")


def newer(path: Path, found: int, known: int) -> LogTrouble:
    """The file was written by a later version of this program."""
    told = (
        f"The log {path} has layout {found}; this program knows layouts up to {known}. Nothing in it "
        "was changed: install the newer program again, or give this one another file."
    )
    return LogTrouble(LogFault.NEWER, told)


def older(path: Path, found: int, known: int) -> LogTrouble:
    """The file has a layout that the daemon brings up to date when it next starts."""
    return LogTrouble(
        LogFault.OLDER,
        f"The log {path} has layout {found}, and this program reads layout {known}. Start the bridge once "
        "with this file: it brings the log up to date and keeps its rows.",
    )
