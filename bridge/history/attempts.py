"""Everything that is done with the file, in the log's thread: trouble is told, and it is tried again.

A file that cannot be used is let go of and opened anew, after a wait that grows; a damaged one is set aside
under a name of its own, and a new one begun with what could be read of the saved state.
"""

import sqlite3
import time
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import replace
from datetime import UTC, datetime

from bridge.errors import LogError
from bridge.history.outbox import OutboxLevel
from bridge.history.recovery import Opened, look_only, next_boot, opened, state_of_damaged
from bridge.history.trouble import LogFault, LogTrouble, trouble_from
from bridge.history.writer import Writer

FILE_ERRORS = (sqlite3.Error, OSError, LogError)
LONGEST_WAITS = 60.0
"""The longest wait, in first waits."""


class Attempts:
    """What is done with the file of one writer.

    Args:
        writer: the file, the spill and what waits.
        on_trouble: told of trouble, once for each kind, and None when the file works again.
        on_outbox: told when the outbox nears its bound, and when it no longer does.
        retry_s: the first wait before the file is tried again, in seconds.
    """

    def __init__(
        self,
        writer: Writer,
        on_trouble: Callable[[LogTrouble | None], None] | None,
        on_outbox: Callable[[OutboxLevel], None] | None,
        retry_s: float,
    ) -> None:
        self._writer = writer
        self._path = writer.path
        self._on_trouble = on_trouble
        self._on_outbox = on_outbox
        self._retry_s = retry_s
        self._delay_s = retry_s
        self._salvaging = False
        self._state_lost = False
        self._alert = False
        self.opened: Future[Opened] = Future()
        self.known = False
        """It is said what the log knew at the start, or that this cannot be known."""
        self.trouble: LogTrouble | None = None
        self.retry_at_s = 0.0
        """When the file may be tried again, in monotonic seconds."""
        self.busy = False
        """Something is being done with the file; its trouble ends it."""

    def attempt(self, work: Callable[[], None]) -> bool:
        """Do something with the file, opening it first if need be. False on trouble, which is told."""
        if time.monotonic() < self.retry_at_s:
            return False
        self.busy = True
        try:
            if self._writer.store is None:
                known = self._writer.open(trust_spill=self._salvaging)
                if known is not None and not self.known:
                    self._say(replace(known, complete=not self._state_lost))
            work()
        except FILE_ERRORS as error:
            self.note(error)
            return False
        finally:
            self.busy = False
        self._delay_s = self._retry_s
        self.tell(None)
        spill_trouble, self._writer.spill_trouble = self._writer.spill_trouble, None
        if spill_trouble is not None and self._on_trouble is not None:
            self._on_trouble(spill_trouble)
        level = self._writer.level
        if level is not None and level.alert != self._alert:
            self._alert = level.alert
            if self._on_outbox is not None:
                self._on_outbox(level)
        return True

    def note(self, error: BaseException) -> None:
        """Let go of a file that gave trouble, tell of it, and say when it is tried again."""
        trouble = trouble_from(error, self._path)
        try:
            self._writer.drop_file()
            if trouble.fault is LogFault.CORRUPTED:
                trouble = self._set_aside(trouble)
        except FILE_ERRORS as another:
            trouble = trouble_from(another, self._path)
        self.retry_at_s = time.monotonic() + self._delay_s
        self._delay_s = min(self._delay_s * 2, LONGEST_WAITS * self._retry_s)
        self.tell(trouble)
        if not self.known and trouble.fault is not LogFault.CORRUPTED:
            self._open_unwritable()

    def tell(self, trouble: LogTrouble | None) -> None:
        """Say what is wrong with the file now, where that is news."""
        before, self.trouble = self.trouble, trouble
        changed = (before is None) != (trouble is None) or (
            before is not None and trouble is not None and before.fault is not trouble.fault
        )
        if changed and self._on_trouble is not None:
            self._on_trouble(trouble)

    def _set_aside(self, trouble: LogTrouble) -> LogTrouble:
        """Move a damaged file and its companions out of the way, under a name no file has yet."""
        try:
            self._writer.salvage(state_of_damaged(self._path))
            saved = "The saved state was still readable and goes on in the new log."
        except FILE_ERRORS:
            self._state_lost = True
            saved = "The saved state in it could not be read."
        base = f"{self._path.name}.damaged-{datetime.now(UTC):%Y%m%dT%H%M%SZ}"
        aside = self._path.with_name(base)
        number = 2
        while aside.exists():
            aside = self._path.with_name(f"{base}-{number}")
            number += 1
        for ending in ("-wal", "-shm", ""):
            companion = self._path.with_name(self._path.name + ending)
            if companion.exists():
                companion.rename(aside.with_name(aside.name + ending))
        self._salvaging = True
        self._delay_s = 0.0
        told = f"{trouble} It was kept as {aside.name}, and a new log is begun. {saved}"
        return LogTrouble(LogFault.CORRUPTED, told)

    def _open_unwritable(self) -> None:
        """A log that can be read and not written still says what was latched."""
        try:
            found = look_only(self._path, self._writer.spill_path)
        except FILE_ERRORS:
            return
        boot = self._writer.provisional_boot = next_boot(found.state)
        self._say(opened(found.state, boot, found.last_utc_ms))

    def open_blind(self) -> None:
        """Say that nobody knows what the log knew."""
        boot = int(time.time())
        self._writer.provisional_boot = boot
        self._say(Opened(boot, 0, {}, complete=False))

    def _say(self, known: Opened) -> None:
        self.known = True
        self.opened.set_result(known)
