"""The lock of a log: only one process writes it, and every other one learns who does. Shell.

The lock is an flock(2) on a file beside the log. The file holds the process id of the writer, and is deleted
when the writer ends in order. After a kill it stays, unlocked, and the next writer takes it.
"""

import fcntl
import os
import time
from datetime import datetime
from pathlib import Path

_STARTED = 19
"""The place of a process's start time behind its name in ``/proc/PID/stat``, see proc_pid_stat(5)."""


class LockHeld(Exception):
    """Another process holds the lock.

    Args:
        holder: that process, as a part of a sentence.
    """

    def __init__(self, holder: str) -> None:
        super().__init__(holder)
        self.holder = holder


def lock_of(log: Path) -> Path:
    """Return the path of the file that the writer of a log keeps locked."""
    return log.with_name(log.name + ".lock")


def take(log: Path, *, create: bool = True) -> int:
    """Lock a log.

    Args:
        log: the log.
        create: False to take the lock only if its file exists.

    Returns:
        The descriptor that holds the lock; -1 if the file does not exist and may not be created.

    Raises:
        LockHeld: another process holds the lock.
        OSError: the file of the lock cannot be opened.
    """
    path = lock_of(log)
    while True:
        try:
            held = os.open(path, os.O_RDWR | os.O_CLOEXEC | (os.O_CREAT if create else 0), 0o600)
        except FileNotFoundError:
            if create:
                raise
            return -1
        try:
            fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            holder = _holder_in(held)
            os.close(held)
            raise LockHeld(holder) from error
        if _is_at(held, path):
            os.ftruncate(held, 0)
            os.pwrite(held, f"{os.getpid()}\n".encode(), 0)
            return held
        # Its last holder has deleted this file in the meantime.
        os.close(held)


def release(log: Path, held: int) -> None:
    """Release a lock and delete its file. Does nothing if ``held`` is -1."""
    if held < 0:
        return
    path = lock_of(log)
    try:
        if _is_at(held, path):
            path.unlink()
    except OSError:
        # A file that stays is harmless: nobody holds its lock.
        pass
    finally:
        os.close(held)


def holder(log: Path) -> str | None:
    """Return the current writer of a log, as a part of a sentence.

    Returns:
        None if there is no writer, or if this user may not read the lock.
    """
    try:
        descriptor = os.open(lock_of(log), os.O_RDWR | os.O_CLOEXEC)
    except OSError:
        return None
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return _holder_in(descriptor)
    finally:
        os.close(descriptor)
    return None


def process_words(pid: int) -> str:
    """Return a process as a part of a sentence, with the time of its start if this user may see it."""
    try:
        with open(f"/proc/{pid}/stat", encoding="utf-8", errors="replace") as file:
            ticks = int(file.read().rpartition(")")[2].split()[_STARTED])
    except (OSError, ValueError, IndexError):
        return f"process {pid}"
    since_s = time.time() - time.clock_gettime(time.CLOCK_BOOTTIME) + ticks / os.sysconf("SC_CLK_TCK")
    since = datetime.fromtimestamp(since_s).astimezone()
    return f"process {pid}, which runs since {since.isoformat(' ', 'seconds')}"


def _holder_in(descriptor: int) -> str:
    text = os.pread(descriptor, 32, 0).decode("ascii", "replace").strip()
    return process_words(int(text)) if text.isdigit() else "another process"


def _is_at(descriptor: int, path: Path) -> bool:
    """Return whether an open file is still the one at this path."""
    try:
        there = os.stat(path)
    except FileNotFoundError:
        return False
    return os.path.samestat(os.fstat(descriptor), there)
