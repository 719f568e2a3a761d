"""The log: rows in from the event loop, a thread of its own for the disk.

Nothing here blocks its caller and nothing raises into it. ``append`` puts a row into a queue in memory and
returns; the thread takes what is there twice a second, and at once when a row may not wait. Trouble with the
file comes as a :class:`bridge.history.trouble.LogTrouble` through a callback, once for each kind, and None
when the file works again; meanwhile rows wait in memory and the file is tried again and again.

**When a queue is full** the oldest readings go, counted in ``lost_readings``. Alarms, trips and accepted
commands never go; see :class:`bridge.history.limits.LogSettings` for the bounds.
"""

import os
import sqlite3
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import Future
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zlib import crc32

from bridge.errors import LogError
from bridge.history.limits import LogSettings
from bridge.history.outbox import OutboxLevel, Parcel
from bridge.history.records import EntryRow, ReadingRow, Row
from bridge.history.recovery import Opened, look_only, next_boot, opened, state_of_damaged
from bridge.history.trouble import LogFault, LogTrouble, trouble_from
from bridge.history.writer import Writer

TURN_S = 0.5
_FILE_ERRORS = (sqlite3.Error, OSError, LogError)


@dataclass(frozen=True, slots=True)
class LogFigures:
    """Counters since the start."""

    commits: int
    lost_readings: int
    lost_entries: int
    queued: int


def spill_path(log: Path) -> Path:
    """Where the spill of this log belongs: systemd's runtime directory, a memory file system, or beside the
    log."""
    name = f"clearwell-{crc32(str(log.absolute()).encode()):08x}.spill"
    for folder in (os.environ.get("RUNTIME_DIRECTORY", "").split(":")[0], "/dev/shm"):
        if folder and os.access(folder, os.W_OK | os.X_OK):
            return Path(folder) / name
    return log.with_name(log.name + ".spill")


class Log:
    """One log for all reservoirs of a bridge.

    ``on_trouble`` and ``on_outbox`` are called from the log's thread: hand over to the event loop with
    ``loop.call_soon_threadsafe``. ``spill`` None means that a killed process loses what waited.
    """

    def __init__(
        self,
        path: Path,
        *,
        spill: Path | None = None,
        settings: LogSettings | None = None,
        on_trouble: Callable[[LogTrouble | None], None] | None = None,
        on_outbox: Callable[[OutboxLevel], None] | None = None,
        most_queued: int = 20_000,
        patience_s: float = 5.0,
        retry_s: float = 1.0,
    ) -> None:
        self.path = path
        self._writer = Writer(path, spill, settings or LogSettings())
        self._on_trouble = on_trouble
        self._on_outbox = on_outbox
        self._readings: deque[ReadingRow] = deque(maxlen=most_queued)
        self._others: deque[tuple[tuple[EntryRow, ...], dict[str, bytes], bool]] = deque()
        self._asked: deque[tuple[Callable[[], Any], Future[Any]]] = deque()
        self._overrun = 0
        self._wake = threading.Event()
        self._stop = False
        self._ended = False
        self._opened: Future[Opened] = Future()
        self._patience_s = patience_s
        self._retry_s = retry_s
        self._delay_s = retry_s
        self._retry_at = 0.0
        self._trouble: LogTrouble | None = None
        self._salvaging = False
        self._state_lost = False
        self._alert = False
        self._thread = threading.Thread(target=self._run, name="log", daemon=True)

    def start(self) -> Future[Opened]:
        """Start the thread. The future always comes to a result, at the latest after ``patience_s``."""
        self._thread.start()
        return self._opened

    def append(self, *rows: Row, state: Mapping[str, bytes] | None = None) -> None:
        """Put rows, and state that must never contradict them, into the log; both in one commit. Returns at
        once."""
        entries: list[EntryRow] = []
        for row in rows:
            if isinstance(row, ReadingRow):
                if len(self._readings) == self._readings.maxlen:
                    self._overrun += 1
                self._readings.append(row)
            else:
                entries.append(row)
        if entries or state:
            self._others.append((tuple(entries), dict(state or {}), True))
            self._wake.set()

    def save(self, key: str, value: bytes) -> None:
        """Keep a value that a restart needs, committed at once: a latched trip, a hold, a shelving."""
        self.append(state={key: value})

    def remember(self, key: str, value: bytes) -> None:
        """Keep a value that a restart would like: a counter. Safe from a killed process within half a
        second, from a power cut within ``lazy_s``."""
        self._others.append(((), {key: value}, False))

    def settle(self, *, blocks: bool = False) -> "Future[bool]":
        """True when everything appended before is committed, and readings at least in the spill.

        False when it cannot be written now. ``blocks`` commits the readings too, at the cost of a block
        before its hour is over.
        """
        return self._ask(lambda: self._settle(blocks))

    def peek(self, count: int) -> "Future[list[Parcel]]":
        """The first parcels for the hub's log that are not acknowledged, oldest first. An empty list on
        trouble."""
        return self._ask(lambda: self._peek(count))

    def acknowledge(self, ids: Iterable[int]) -> None:
        """The broker has these parcels."""
        kept = list(ids)
        self._ask(lambda: self._acknowledge(kept), wake=False)

    def close(self, timeout_s: float = 5.0) -> bool:
        """Write what waits and stop the thread; False when not everything could be written in that time."""
        self._stop = True
        self._wake.set()
        if self._thread.is_alive():
            self._thread.join(timeout_s)
        return not self._thread.is_alive() and self._trouble is None

    @property
    def trouble(self) -> LogTrouble | None:
        """What is wrong with the file now."""
        return self._trouble

    @property
    def figures(self) -> LogFigures:
        writer = self._writer
        lost = writer.waiting.lost_readings + self._overrun
        return LogFigures(
            writer.commits, lost, writer.waiting.lost_entries, len(self._readings) + len(self._others)
        )

    # The thread

    def _ask(self, question: Callable[[], Any], *, wake: bool = True) -> "Future[Any]":
        answer: Future[Any] = Future()
        if self._ended:
            answer.cancel()
            return answer
        self._asked.append((question, answer))
        if wake:
            self._wake.set()
        return answer

    def _run(self) -> None:
        try:
            self._work()
        finally:
            self._ended = True
            if not self._stop:
                told = f"The log {self.path} stopped because of a fault in this program; restart the bridge."
                self._tell(LogTrouble(LogFault.UNUSABLE, told))
            while self._asked:
                self._asked.popleft()[1].cancel()

    def _work(self) -> None:
        began = time.monotonic()
        self._attempt(lambda: None)
        while not self._stop:
            self._wake.wait(TURN_S)
            self._wake.clear()
            self._turn()
            if not self._opened.done() and time.monotonic() - began > self._patience_s:
                self._open_blind()
        self._retry_at = 0.0
        self._turn()
        self._retry_at = 0.0
        self._attempt(lambda: None)
        try:
            self._writer.close()
        except _FILE_ERRORS as error:
            self._note(error)
        if not self._opened.done():
            self._open_blind()
        self._answer()

    def _turn(self) -> None:
        now = time.monotonic()
        waiting = self._writer.waiting
        while self._readings:
            waiting.take_reading(self._readings.popleft())
        while self._others:
            rows, states, urgent = self._others.popleft()
            for row in rows:
                waiting.take_entry(row, now)
            for key, value in states.items():
                waiting.save(key, value, now, urgent=urgent)
        self._writer.spill()
        self._attempt(lambda: self._writer.turn(now))
        self._answer()

    def _answer(self) -> None:
        for _ in range(len(self._asked)):
            question, answer = self._asked.popleft()
            if not answer.set_running_or_notify_cancel():
                continue
            answer.set_result(question())

    def _settle(self, blocks: bool) -> bool:
        self._retry_at = 0.0
        waiting = self._writer.waiting
        waiting.urgent = waiting.urgent or bool(waiting.entries or waiting.dirty)
        return self._attempt(lambda: self._writer.turn(time.monotonic(), everything=blocks))

    def _peek(self, count: int) -> list[Parcel]:
        writer = self._writer
        found: list[Parcel] = []

        def look() -> None:
            if writer.outbox is not None and writer.store is not None:
                found.extend(writer.outbox.peek(count, writer.store, writer.waiting))

        self._attempt(look)
        return found

    def _acknowledge(self, ids: list[int]) -> None:
        if self._writer.outbox is not None:
            self._writer.outbox.acknowledge(ids)

    def _attempt(self, work: Callable[[], None]) -> bool:
        """Do something with the file, opening it first if need be. False on trouble, which is told."""
        if time.monotonic() < self._retry_at:
            return False
        try:
            if self._writer.store is None:
                known = self._writer.open(trust_spill=self._salvaging)
                if known is not None and not self._opened.done():
                    self._opened.set_result(replace(known, complete=not self._state_lost))
            work()
        except _FILE_ERRORS as error:
            self._note(error)
            return False
        self._delay_s = self._retry_s
        self._tell(None)
        spill_trouble, self._writer.spill_trouble = self._writer.spill_trouble, None
        if spill_trouble is not None and self._on_trouble is not None:
            self._on_trouble(spill_trouble)
        level = self._writer.level
        if level is not None and level.alert != self._alert:
            self._alert = level.alert
            if self._on_outbox is not None:
                self._on_outbox(level)
        return True

    def _note(self, error: BaseException) -> None:
        trouble = trouble_from(error, self.path)
        try:
            self._writer.drop_file()
            if trouble.fault is LogFault.CORRUPTED:
                trouble = self._set_aside(trouble)
        except _FILE_ERRORS as another:
            trouble = trouble_from(another, self.path)
        self._retry_at = time.monotonic() + self._delay_s
        self._delay_s = min(self._delay_s * 2, 60.0 * self._retry_s)
        self._tell(trouble)
        if not self._opened.done() and trouble.fault is not LogFault.CORRUPTED:
            self._open_unwritable()

    def _tell(self, trouble: LogTrouble | None) -> None:
        before, self._trouble = self._trouble, trouble
        changed = (before is None) != (trouble is None) or (
            before is not None and trouble is not None and before.fault is not trouble.fault
        )
        if changed and self._on_trouble is not None:
            self._on_trouble(trouble)

    def _set_aside(self, trouble: LogTrouble) -> LogTrouble:
        """Move a damaged file and its companions out of the way, under a name no file has yet."""
        try:
            self._writer.salvage(state_of_damaged(self.path))
            saved = "The saved state was still readable and goes on in the new log."
        except _FILE_ERRORS:
            self._state_lost = True
            saved = "The saved state in it could not be read."
        base = f"{self.path.name}.damaged-{datetime.now(UTC):%Y%m%dT%H%M%SZ}"
        aside = self.path.with_name(base)
        number = 2
        while aside.exists():
            aside = self.path.with_name(f"{base}-{number}")
            number += 1
        for ending in ("-wal", "-shm", ""):
            companion = self.path.with_name(self.path.name + ending)
            if companion.exists():
                companion.rename(aside.with_name(aside.name + ending))
        self._salvaging = True
        self._delay_s = 0.0
        told = f"{trouble} It was kept as {aside.name}, and a new log is begun. {saved}"
        return LogTrouble(LogFault.CORRUPTED, told)

    def _open_unwritable(self) -> None:
        """A log that can be read and not written still says what was latched."""
        try:
            found = look_only(self.path, self._writer.spill_path)
        except _FILE_ERRORS:
            return
        boot = self._writer.provisional_boot = next_boot(found.state)
        self._opened.set_result(opened(found.state, boot, found.last_utc_ms))

    def _open_blind(self) -> None:
        boot = int(time.time())
        self._writer.provisional_boot = boot
        self._opened.set_result(Opened(boot, 0, {}, complete=False))
