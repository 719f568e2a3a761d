"""The log: rows in from the event loop, a thread of its own for the disk.

Nothing here blocks its caller and nothing raises into it. ``append`` puts a row into a queue in memory and
returns; the thread takes it within half a second (:mod:`bridge.history.rhythm`), and at once when it may not
wait. Long work it does in bites (:mod:`bridge.history.rest`), so that the event loop does not wait for it;
what may not wait comes in between. Trouble with the file comes as a
:class:`bridge.history.trouble.LogTrouble` through a callback, once for each kind, and None when the file
works again; meanwhile rows wait in memory and the file is tried again and again.

**When a queue is full** the oldest readings go, counted in ``lost_readings``. Alarms, trips and accepted
commands never go; see :class:`bridge.history.limits.LogSettings` for the bounds.
"""

import os
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from zlib import crc32

from bridge.errors import InputError
from bridge.history import senml
from bridge.history.attempts import FILE_ERRORS, Attempts
from bridge.history.entries import CLASSES, LAZY
from bridge.history.limits import LogSettings
from bridge.history.outbox import OutboxLevel, Parcel
from bridge.history.records import EntryRow, ReadingRow, Row
from bridge.history.recovery import Opened
from bridge.history.rest import Bites
from bridge.history.rhythm import Rhythm
from bridge.history.trouble import LogFault, LogTrouble
from bridge.history.writer import Writer

TURN_S = 0.45
"""A row waits no longer for its turn; the rest of the half second that is promised is for the turn itself."""
AT_ONCE = 16
"""Readings that are taken between two bites of other work."""
NEVER_S = 86_400.0
_LAZY = {CLASSES[kind] for kind in LAZY}


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
        self._writer = Writer(path, spill, settings or LogSettings(), self._rest)
        self._file = Attempts(self._writer, on_trouble, on_outbox, retry_s)
        self._readings: deque[ReadingRow] = deque(maxlen=most_queued)
        self._others: deque[tuple[tuple[EntryRow, ...], dict[str, bytes], bool]] = deque()
        self._asked: deque[tuple[Callable[[], Any], Future[Any]]] = deque()
        self._overrun = 0
        # A bare lock is the cheapest thing a thread can wait on: locked, nobody has rung.
        self._bell = threading.Lock()
        self._bell.acquire()
        self._called = False
        """Something may not wait."""
        self._rousable = False
        """The thread sleeps until it is woken, so the next row must do it."""
        self._rhythm = Rhythm(TURN_S)
        self._bites = Bites(self._between)
        self._turned_s = 0.0
        self._hurry: deque[bool] = deque()
        """One for each :meth:`settle` that has no answer yet."""
        self._quiet_s = 0.0
        self._stop = False
        self._ended = False
        self._patience_s = patience_s
        self._thread = threading.Thread(target=self._run, name="log", daemon=True)

    def start(self) -> Future[Opened]:
        """Start the thread. The future always comes to a result, at the latest after ``patience_s``."""
        self._thread.start()
        return self._file.opened

    def append(self, *rows: Row, state: Mapping[str, bytes] | None = None) -> None:
        """Put rows, and state that must never contradict them, into the log; both in one commit. Returns at
        once."""
        entries: list[EntryRow] = []
        urgent = bool(state)
        for row in rows:
            if isinstance(row, ReadingRow):
                if len(self._readings) == self._readings.maxlen:
                    self._overrun += 1
                self._readings.append(row)
            else:
                entries.append(row)
                urgent = urgent or type(row) not in _LAZY
        if entries or state:
            self._others.append((tuple(entries), dict(state or {}), True))
        if urgent:
            self._call()
        elif self._rousable:
            self._rouse()

    def save(self, key: str, value: bytes) -> None:
        """Keep a value that a restart needs, committed at once: a latched trip, a hold, a shelving."""
        self.append(state={key: value})

    def remember(self, key: str, value: bytes) -> None:
        """Keep a value that a restart would like: a counter. Safe from a killed process within half a
        second, from a power cut within ``lazy_s``."""
        self._others.append(((), {key: value}, False))
        if self._rousable:
            self._rouse()

    def settle(self, *, blocks: bool = False) -> "Future[bool]":
        """True when everything appended before is committed, and readings at least in the spill.

        False when it cannot be written now. ``blocks`` commits the readings too, at the cost of a block
        before its hour is over. Somebody waits for this, so the thread does not rest meanwhile.
        """
        self._hurry.append(True)
        answer = self._ask(lambda: self._settle(blocks))
        answer.add_done_callback(lambda _: self._hurry.pop())
        return answer

    def peek(self, count: int) -> "Future[list[Parcel]]":
        """The first parcels for the hub's log that are not acknowledged, oldest first. An empty list on
        trouble."""
        return self._ask(lambda: self._peek(count))

    def packs(self, count: int, root: str) -> "Future[list[tuple[Parcel, str]]]":
        """As :meth:`peek`, each parcel with its rows as a SenML pack, whose names begin with ``root``."""
        return self._ask(lambda: [(one, senml.pack(one.rows, root, self._rest)) for one in self._peek(count)])

    @property
    def quiet_s(self) -> float:
        """For how long after the last :meth:`peek` there will be no other parcel of readings, in seconds."""
        return self._quiet_s

    def acknowledge(self, ids: Iterable[int]) -> None:
        """The broker has these parcels."""
        kept = list(ids)
        self._ask(lambda: self._acknowledge(kept), wake=False)

    def close(self, timeout_s: float = 5.0) -> bool:
        """Write what waits and stop the thread; False when not everything could be written in that time."""
        self._stop = True
        self._call()
        if self._thread.is_alive():
            self._thread.join(timeout_s)
        return not self._thread.is_alive() and self._file.trouble is None

    @property
    def trouble(self) -> LogTrouble | None:
        """What is wrong with the file now."""
        return self._file.trouble

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
            self._call()
        elif self._rousable:
            self._rouse()
        return answer

    def _call(self) -> None:
        """Have the thread take its turn now."""
        self._called = True
        self._ring()

    def _rouse(self) -> None:
        """Have the thread look whether its turn is due."""
        self._rousable = False
        self._ring()

    def _ring(self) -> None:
        # It has been rung already, and not been heard yet.
        with suppress(RuntimeError):
            self._bell.release()

    def _run(self) -> None:
        try:
            self._work()
        finally:
            self._ended = True
            if not self._stop:
                told = f"The log {self.path} stopped because of a fault in this program; restart the bridge."
                self._file.tell(LogTrouble(LogFault.UNUSABLE, told))
            while self._asked:
                self._asked.popleft()[1].cancel()

    def _work(self) -> None:
        began = time.monotonic()
        file = self._file
        file.attempt(lambda: None)
        while not self._stop:
            self._wait(None if file.known else began + self._patience_s)
            self._turn()
            if not file.known and time.monotonic() - began > self._patience_s:
                file.open_blind()
        file.retry_at_s = 0.0
        self._turn()
        file.retry_at_s = 0.0
        file.attempt(lambda: None)
        try:
            self._writer.close()
        except FILE_ERRORS as error:
            file.note(error)
        if not file.known:
            file.open_blind()
        self._answer(len(self._asked))

    def _wait(self, until_s: float | None) -> None:
        """Until a turn is due; no longer than until then."""
        rhythm, file = self._rhythm, self._file
        while not self._called:
            now = time.monotonic()
            due_s = self._writer.waiting.due_s() if file.trouble is None else file.retry_at_s
            if until_s is not None:
                due_s = until_s if due_s is None else min(due_s, until_s)
            wait_s = rhythm.wait_s(now, self._waits(), due_s)
            if wait_s == 0.0:
                return
            self._rousable = rhythm.rouses
            # What came just before that was said has woken nobody.
            if not (self._rousable and self._waits()):
                self._bell.acquire(timeout=-1 if wait_s is None else wait_s)
            self._rousable = False

    def _waits(self) -> bool:
        return bool(self._readings or self._others or self._asked)

    def _turn(self) -> None:
        # Before anything is taken, so that whatever comes from now on rings again.
        self._bell.acquire(blocking=False)
        self._called = False
        asked = len(self._asked)
        readings, writer, file = self._readings, self._writer, self._file
        now = self._turned_s = time.monotonic()
        self._rhythm.turned(now, len(readings) + len(self._others))
        self._take_others(now)
        self._bites.begin()
        while readings:
            writer.waiting.take_reading(readings.popleft())
            if readings:
                self._rest()
        self._take_others(now)
        writer.spill()
        if writer.waiting.is_due(now) or file.trouble is not None or writer.spill_trouble is not None:
            file.attempt(lambda: writer.turn(now))
        if asked:
            self._answer(asked)

    def _take_others(self, now: float) -> None:
        waiting = self._writer.waiting
        while self._others:
            rows, states, urgent = self._others.popleft()
            for row in rows:
                waiting.take_entry(row, now)
            for key, value in states.items():
                waiting.save(key, value, now, urgent=urgent)

    def _rest(self) -> None:
        # At the start and at the end, too, others wait for just this work.
        if self._file.known and not self._stop and not self._hurry:
            self._bites.rest()

    def _between(self) -> None:
        """Between two bites of long work: take what has waited long enough, and commit what may not wait."""
        now = time.monotonic()
        if not self._others and now < self._turned_s + TURN_S:
            return
        writer, readings = self._writer, self._readings
        self._take_others(now)
        for _ in range(min(AT_ONCE, len(readings))):
            writer.waiting.take_reading(readings.popleft())
        writer.spill()
        if not readings:
            self._turned_s = now
        elif not writer.waiting.urgent:
            return
        if self._file.busy:
            # Its trouble ends the work around it, which is what an attempt is for.
            writer.commit_now(now)
        elif writer.waiting.urgent:
            self._file.attempt(lambda: writer.commit_now(now))

    def _answer(self, count: int) -> None:
        for _ in range(count):
            question, answer = self._asked.popleft()
            if not answer.set_running_or_notify_cancel():
                continue
            try:
                answer.set_result(question())
            except InputError as error:
                answer.set_exception(error)

    def _settle(self, blocks: bool) -> bool:
        self._file.retry_at_s = 0.0
        waiting = self._writer.waiting
        waiting.urgent = waiting.urgent or bool(waiting.entries or waiting.dirty)
        return self._file.attempt(lambda: self._writer.turn(time.monotonic(), everything=blocks))

    def _peek(self, count: int) -> list[Parcel]:
        writer = self._writer
        found: list[Parcel] = []
        self._quiet_s = 0.0 if writer.outbox is not None else NEVER_S

        def look() -> None:
            if writer.outbox is not None and writer.store is not None:
                found.extend(writer.outbox.peek(count, writer.store, writer.waiting))
                self._quiet_s = writer.outbox.quiet_s()
                if writer.waiting.entries:
                    # They can be sent as soon as they are committed.
                    due_s = writer.waiting.due_s() or 0.0
                    self._quiet_s = min(self._quiet_s, max(0.0, due_s - time.monotonic()))

        self._file.attempt(look)
        return found

    def _acknowledge(self, ids: list[int]) -> None:
        if self._writer.outbox is not None:
            self._writer.outbox.acknowledge(ids)
