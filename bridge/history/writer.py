"""The log: takes rows from any thread; one thread owns the connection and commits them in order. Shell.

==========================================  ==========================================================
rows                                        are on the disk
==========================================  ==========================================================
``durable``: alarms, trips, commands,       at once, with everything before them, in one commit with
latched state, samples, cartridges          ``synchronous = FULL``; then ``done`` is called
all others: readings, minutes, events,      within ``COMMIT_S`` with ``synchronous = NORMAL``: safe from
fills, accounts                             a killed process, and from a power cut at the next full commit
==========================================  ==========================================================

No method blocks its caller or raises an error of the file. Trouble with the file is reported through a
callback: once for each kind of trouble, and None when the file works again. Until then the rows wait in
memory, in order and within the bounds of :class:`bridge.history.waiting.LogSettings`, and the thread tries
the file again after increasing delays.
"""

import sqlite3
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from bridge.clock import Backoff
from bridge.errors import InputError
from bridge.history import senml
from bridge.history.log_file import LogFile, Opened
from bridge.history.opening import FILE_ERRORS, LogFault, LogTrouble, open_for_writing, trouble_from
from bridge.history.outbox import OutboxLevel, Parcel
from bridge.history.records import EntryRow, ReadingRow, Row, Stamp
from bridge.history.rollup import DAY_MS
from bridge.history.store import Store
from bridge.history.waiting import COMMIT_S, Batch, LogSettings, Waiting

LEVEL_EVERY_S = 60.0
LONGEST_RETRIES = 60.0
"""The longest delay before the file is tried again, as a multiple of the first delay."""
BUSY_S = 5.0
_BOUND_EVERY = 5000


@dataclass(frozen=True, slots=True)
class LogFigures:
    """Counters since the start of the process."""

    commits: int
    lost_readings: int
    lost_entries: int
    queued: int


class Log:
    """One log for all reservoirs of a bridge.

    Args:
        path: the file.
        settings: how long rows are kept, and how many may wait; None for the defaults.
        on_trouble: called from the log's thread with the trouble of the file, and with None when the file
            works again.
        on_outbox: called from the log's thread when the alert of the outbox begins or ends.
        timeout_s: how long the start waits for the file.
        retry_s: the first delay before a file that gave trouble is tried again.
    """

    def __init__(
        self,
        path: Path,
        *,
        settings: LogSettings | None = None,
        on_trouble: Callable[[LogTrouble | None], None] | None = None,
        on_outbox: Callable[[OutboxLevel], None] | None = None,
        timeout_s: float = 5.0,
        retry_s: float = 1.0,
    ) -> None:
        self.path = path
        self._settings = settings or LogSettings()
        self._on_trouble = on_trouble
        self._on_outbox = on_outbox
        self._timeout_s = timeout_s
        self._backoff = Backoff(retry_s, LONGEST_RETRIES * retry_s)
        self._retry_at_s = 0.0
        self._bell = threading.Condition()
        self._fresh: deque[Batch] = deque()
        self._requests: deque[tuple[Callable[[], Any], Future[Any]]] = deque()
        self._stop = False
        self._ended = False
        self._waiting = Waiting(self._settings)
        self._file = LogFile(path, self._settings.outbox)
        self._level_at_s = 0.0
        self._alert = False
        self._swept_day = -1
        self._commits = 0
        self._trouble: LogTrouble | None = None
        self._thread = threading.Thread(target=self._run, name="log", daemon=True)

    def start(self) -> Future[Opened]:
        """Start the thread. The result is the content of the log, after ``timeout_s`` at the latest."""
        self._thread.start()
        return self._file.opened

    def write(
        self, rows: Sequence[Row], *, durable: bool = False, done: Callable[[bool], None] | None = None
    ) -> None:
        """Append rows to the log. Does not block.

        Args:
            rows: the rows, in order.
            durable: True to commit them to the disk at once.
            done: called once from the log's thread: with True after the commit, with False if the file cannot
                be written now. In both cases the rows stay in the queue until they are written.
        """
        with self._bell:
            if self._ended:
                if done is not None:
                    done(False)
                return
            idle = not self._fresh and not self._waiting.batches
            self._fresh.append(Batch(rows, durable, done, time.monotonic()))
            if len(self._fresh) % _BOUND_EVERY == 0:
                # The disk blocks the thread, which would otherwise apply the bounds.
                blocked = Waiting(self._settings, self._fresh)
                blocked.bound()
                self._fresh = blocked.batches
                self._waiting.lost_readings += blocked.lost_readings
                self._waiting.lost_entries += blocked.lost_entries
            if durable or idle:
                self._bell.notify()

    def flush(self) -> "Future[bool]":
        """Commit all rows that wait, at once. The result is False if the file cannot be written now."""
        return self._request(self._flush)

    def parcels(self, count: int) -> "Future[list[Parcel]]":
        """Return the first unacknowledged parcels for the hub's log, oldest first; none while in trouble."""
        return self._request(lambda: self._peek(count))

    def packs(self, count: int, root: str) -> "Future[list[tuple[Parcel, str]]]":
        """Return the same as :meth:`parcels`, each with its SenML pack, whose names begin with ``root``."""
        return self._request(lambda: [(one, senml.pack(one.rows, root)) for one in self._peek(count)])

    @property
    def quiet_s(self) -> float:
        """Seconds until the next look for parcels of only readings."""
        outbox = self._settings.outbox
        return 86_400.0 if outbox is None else outbox.look_s

    def acknowledge(self, parcel: Parcel) -> None:
        """Remove a parcel and every earlier one from the outbox: the broker acknowledged it."""
        self._request(lambda: self._acknowledge(parcel))

    def send_again(self, position: int) -> None:
        """Send every row after this id to the hub's log again."""
        self._request(lambda: self._rewind(position))

    def close(self, timeout_s: float = 5.0) -> bool:
        """Write all rows that wait, and stop the thread.

        Returns:
            False if not all rows were written within ``timeout_s``.
        """
        with self._bell:
            self._stop = True
            self._bell.notify()
        if self._thread.is_alive():
            self._thread.join(timeout_s)
        return not self._thread.is_alive() and self._trouble is None

    @property
    def trouble(self) -> LogTrouble | None:
        """The current trouble with the file; None if there is none."""
        return self._trouble

    @property
    def figures(self) -> LogFigures:
        """The counters now."""
        waiting = self._waiting
        queued = sum(len(batch.rows) for batch in (*self._fresh, *waiting.batches))
        return LogFigures(self._commits, waiting.lost_readings, waiting.lost_entries, queued)

    # The thread

    def _request(self, work: Callable[[], Any]) -> "Future[Any]":
        answer: Future[Any] = Future()
        with self._bell:
            if self._ended:
                answer.cancel()
            else:
                self._requests.append((work, answer))
                self._bell.notify()
        return answer

    def _run(self) -> None:
        try:
            self._work()
        finally:
            with self._bell:
                self._ended = True
                left = [*self._waiting.batches, *self._fresh]
            if not self._stop:
                self._report(
                    LogTrouble(
                        LogFault.UNUSABLE,
                        f"The log {self.path} stopped by a fault of this program; restart the bridge.",
                    )
                )
            for batch in left:
                if batch.done is not None:
                    batch.done(False)
            while self._requests:
                self._requests.popleft()[1].cancel()
            if not self._file.opened.done():
                self._file.start_without()

    def _work(self) -> None:
        began = time.monotonic()
        self._attempt(lambda store: None)
        while True:
            with self._bell:
                while not self._is_due(began):
                    self._bell.wait(self._wait_s(began))
                stopping, requests = self._stop, len(self._requests)
                self._waiting.batches += self._fresh
                self._fresh.clear()
            if stopping:
                self._retry_at_s = 0.0
            if stopping or self._commit_due():
                self._attempt(self._commit)
                self._waiting.refuse()
            if self._trouble is not None:
                self._waiting.bound()
            self._answer(requests)
            if not self._file.opened.done() and (stopping or time.monotonic() - began > self._timeout_s):
                self._file.start_without()
            if stopping:
                self._release()
                return

    def _is_due(self, began: float) -> bool:
        now = time.monotonic()
        if self._stop or self._requests or any(batch.durable for batch in self._fresh):
            return True
        if not self._file.opened.done() and now - began > self._timeout_s:
            return True
        if self._trouble is not None:
            return now >= self._retry_at_s
        oldest = next(iter(self._waiting.batches or self._fresh), None)
        return oldest is not None and now - oldest.at_s >= COMMIT_S

    def _wait_s(self, began: float) -> float | None:
        now = time.monotonic()
        ends: list[float] = []
        if not self._file.opened.done():
            ends.append(began + self._timeout_s + 0.01)
        if self._trouble is not None:
            ends.append(self._retry_at_s)
        elif self._waiting.batches or self._fresh:
            ends.append((self._waiting.batches or self._fresh)[0].at_s + COMMIT_S)
        return max(0.0, min(ends) - now) if ends else None

    def _commit_due(self) -> bool:
        batches = self._waiting.batches
        if self._trouble is not None or any(batch.durable for batch in batches):
            return True
        return bool(batches) and time.monotonic() - batches[0].at_s >= COMMIT_S

    def _attempt(self, work: Callable[[Store], None]) -> bool:
        """Run some work on the file; open it first if it is closed. Report trouble and return False."""
        if time.monotonic() < self._retry_at_s:
            return False
        try:
            store = self._file.store
            if store is None:
                store = self._file.open()
                self._check_outbox(store)
            work(store)
        except FILE_ERRORS as error:
            self._note(error)
            return False
        self._backoff.reset()
        self._report(None)
        return True

    def _commit(self, store: Store) -> None:
        """Commit all rows that wait, in order, in one transaction."""
        batches = self._waiting.batches
        rows = self._waiting.rows()
        if not rows and not any(batch.durable for batch in batches):
            batches.clear()
            return
        durable = any(batch.durable for batch in batches)
        store.connection.execute(f"PRAGMA synchronous = {'FULL' if durable else 'NORMAL'}")
        swept = self._swept_day
        store.begin()
        try:
            store.add(rows)
            if self._file.outbox is not None:
                store.save_state(self._file.outbox.saved())
            swept = self._sweep(store, rows)
            store.commit()
        except BaseException:
            store.rollback()
            raise
        self._swept_day = swept
        self._commits += 1
        self._file.remember(rows)
        self._waiting.batches = deque()
        for batch in batches:
            if batch.done is not None:
                batch.done(True)
        self._check_outbox(store)

    def _sweep(self, store: Store, rows: Iterable[Row]) -> int:
        """Delete old rows, once a day. Return the day of the last deletion."""
        now_ms = max((row.stamp.utc_ms for row in rows if isinstance(row, ReadingRow)), default=0)
        if now_ms // DAY_MS <= self._swept_day:
            return self._swept_day
        ages = self._settings
        store.drop_before(
            reading_ms=now_ms - DAY_MS * ages.raw_days,
            minute_ms=now_ms - DAY_MS * ages.minute_days,
            hour_ms=now_ms - DAY_MS * ages.hour_days,
            entry_ms=now_ms - DAY_MS * ages.entry_days,
            keep_from=2**62 if self._file.outbox is None else self._file.outbox.keep_from(),
        )
        return now_ms // DAY_MS

    def _check_outbox(self, store: Store) -> None:
        now = time.monotonic()
        if self._file.outbox is None or now < self._level_at_s:
            return
        self._level_at_s = now + LEVEL_EVERY_S
        level = self._file.outbox.level(store)
        if level.alert != self._alert:
            self._alert = level.alert
            if self._on_outbox is not None:
                self._on_outbox(level)

    # Trouble

    def _note(self, error: BaseException) -> None:
        """Close a file that gave trouble, report the trouble, and set the time for the next try."""
        trouble = trouble_from(error, self.path)
        delay_s = self._backoff.wait_s()
        try:
            self._file.close_connection()
            if trouble.fault is LogFault.CORRUPTED:
                trouble = self._file.set_aside(trouble)
                delay_s = 0.0
        except FILE_ERRORS as another:
            trouble = trouble_from(another, self.path)
        self._retry_at_s = time.monotonic() + delay_s
        self._report(trouble)
        if not self._file.opened.done() and trouble.fault is not LogFault.CORRUPTED:
            self._file.read_only()

    def _report(self, trouble: LogTrouble | None) -> None:
        before, self._trouble = self._trouble, trouble
        changed = (before is None) != (trouble is None) or (
            before is not None and trouble is not None and before.fault is not trouble.fault
        )
        if changed and self._on_trouble is not None:
            self._on_trouble(trouble)

    def _release(self) -> None:
        try:
            self._file.close_connection()
        except sqlite3.Error as error:
            self._report(trouble_from(error, self.path))
        self._file.release()

    # Requests

    def _answer(self, count: int) -> None:
        for _ in range(count):
            work, answer = self._requests.popleft()
            if not answer.set_running_or_notify_cancel():
                continue
            try:
                answer.set_result(work())
            except InputError as error:
                answer.set_exception(error)

    def _flush(self) -> bool:
        self._retry_at_s = 0.0
        self._waiting.batches.append(Batch((), True, None, time.monotonic()))
        return self._attempt(self._commit)

    def _peek(self, count: int) -> list[Parcel]:
        found: list[Parcel] = []
        outbox = self._file.outbox
        if outbox is not None:
            self._attempt(lambda store: found.extend(outbox.peek(count, store)))
        return found

    def _acknowledge(self, parcel: Parcel) -> None:
        if self._file.outbox is not None:
            self._file.outbox.acknowledge(parcel)

    def _rewind(self, position: int) -> None:
        if self._file.outbox is not None:
            self._file.outbox.rewind(position)


def add(path: Path, *makers: Callable[[Stamp], EntryRow]) -> tuple[EntryRow, ...]:
    """Add entries to a log from another process than the daemon, also while the daemon runs.

    Either all entries are on the disk when this returns, or none. A missing log is created. The stamps
    continue those of the newest entry, because only the daemon begins a session.

    Args:
        path: the log.
        makers: each makes one entry from its stamp.

    Returns:
        The entries that were stored.

    Raises:
        LogTrouble: the log cannot be written, or another program holds it for longer than five seconds.
    """
    try:
        connection = open_for_writing(path, busy_s=BUSY_S)
        try:
            store = Store(connection)
            store.begin()
            rows = []
            now_ms = int(time.time() * 1000)
            for make in makers:
                # So the entries of one call are a millisecond apart, which shows that they belong together.
                rows.append(make(store.next_stamp(now_ms)))
                store.add(rows[-1:])
            store.commit()
            return tuple(rows)
        finally:
            connection.close()
    except (sqlite3.Error, OSError) as error:
        raise trouble_from(error, path, "Nothing was written.") from error
