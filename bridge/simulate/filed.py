"""Simulates a disk with a real log file, and simulates a power cut with a copy of the file.

A death copies the file and its write-ahead log. The next session opens the copy. Durable rows are committed
before the call returns. Other rows wait as long as in the daemon, in virtual seconds. Shell: this module
writes files and waits for the log's thread.
"""

import shutil
from collections import deque
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

from bridge.clock import VirtualClock
from bridge.errors import InputError
from bridge.history.log_file import Opened
from bridge.history.outbox import Parcel
from bridge.history.reader import Reader
from bridge.history.records import CartridgeRow, ReadingRow, Row, Stamp, StampedRow, StateRow
from bridge.history.waiting import LogSettings, OutboxSettings
from bridge.history.writer import Log
from bridge.purifier.cartridge import Evidence
from bridge.simulate.log import COMMIT_S, RECENT, SYNC_S, Done

_FAR_MS = 1 << 52
_LIFE = "{name}.life-{number}"
_NO_ROWS = "a disk is started before it is written to"


class FileDisk:
    """A log in a real file. The file of the last session is moved to ``path`` at the end of the span."""

    def __init__(self, reservoir: str, path: Path) -> None:
        """Begin without a file.

        Raises:
            InputError: The file already exists, or its directory is missing.
        """
        if path.exists():
            raise InputError(f"--log {path}: the file exists already; give a new name")
        if not path.parent.is_dir():
            raise InputError(f"--log {path}: there is no directory {path.parent}")
        self._reservoir = reservoir
        self._path = path
        self._life = 0
        self._log: Log | None = None
        self._clock = VirtualClock()
        self._flushed_at_s = 0.0
        self._recent: dict[str, deque[StateRow]] = {}
        self._due: list[Stamp] = []
        """Stamps of durable entries. The file must always contain them."""
        self._cartridges: list[Evidence] = []
        self._complaints: list[str] = []

    def start(self, clock: VirtualClock) -> Opened:
        """Open the file that the last session left."""
        self._clock = clock
        self._flushed_at_s = clock.monotonic()
        log = self._log = Log(self._file, settings=LogSettings(outbox=OutboxSettings()))
        opened = log.start().result()
        if not opened.complete:
            self._complaints.append(f"the log of session {self._life} could not be opened completely")
        self._recent = {key: deque([row], RECENT) for key, row in opened.state.items()}
        return opened

    def write(self, rows: Sequence[Row], durable: bool, done: Done | None) -> None:
        """Store rows in order."""
        log, now_s = self._log, self._clock.monotonic()
        assert log is not None, _NO_ROWS
        log.write(rows, durable=durable)
        if not durable and now_s - self._flushed_at_s < COMMIT_S:
            return
        self._flushed_at_s = now_s
        if not log.flush().result():
            self._complaints.append(f"rows at {now_s:.0f} s could not be written: {log.trouble}")
            return
        for row in rows:
            if isinstance(row, StateRow):
                self._recent.setdefault(row.key, deque(maxlen=RECENT)).append(row)
            elif isinstance(row, CartridgeRow) and row.load_g:
                self._cartridges.append(Evidence(row.load_g, bool(row.exhausted)))
        if durable:
            self._due += [
                row.stamp for row in rows if isinstance(row, StampedRow) and not isinstance(row, ReadingRow)
            ]
        if done is not None:
            self._clock.call_later(SYNC_S, lambda: done(True))

    def recent(self, key: str) -> Sequence[StateRow]:
        """Return the versions of a saved value on the disk: older ones first, the present one last."""
        return self._recent.get(key, ())

    @property
    def is_full(self) -> bool:
        """Whether the disk is full: always False, because the log's own tests fill a real disk."""
        return False

    @property
    def cartridges(self) -> Sequence[Evidence]:
        """The loads of the earlier cartridges."""
        return self._cartridges

    def full(self, full: bool) -> None:
        """Do nothing: the log's own tests fill a real disk."""

    def dies(self, power_cut: bool) -> None:
        """Copy the file as it is now. Later writes of the dying log do not reach the copy."""
        before = self._file
        self._life += 1
        for ending in ("", "-wal"):
            companion = before.with_name(before.name + ending)
            if companion.exists():
                shutil.copyfile(companion, self._file.with_name(self._file.name + ending))
        self._end_of(before)

    def packs(self, count: int) -> list[Parcel]:
        """Return the first parcels that the hub's log has not acknowledged."""
        assert self._log is not None, _NO_ROWS
        return self._log.parcels(count).result()

    def acknowledge(self, parcel: Parcel) -> None:
        """Record that the hub's log has this parcel."""
        assert self._log is not None, _NO_ROWS
        self._log.acknowledge(parcel)

    @property
    def acknowledged(self) -> int:
        """Rows that have left the outbox: always 0, because a real outbox skips and repeats rows."""
        return 0

    def finish(self) -> tuple[int, list[str]]:
        """Close the file and read all of it.

        Returns:
            The number of rows, and a sentence for each fault of the file.
        """
        assert self._log is not None, _NO_ROWS
        if not self._log.close(30.0):
            self._complaints.append(f"the log did not close: {self._log.trouble}")
        self._file.rename(self._path)
        self._file.with_name(f"{self._file.name}.lock").unlink(missing_ok=True)
        with Reader(self._path) as reader:
            self._complaints += [f"integrity check: {one}" for one in reader.check() if one != "ok"]
            entries = [row.stamp for row in reader.events(0, _FAR_MS)]
            measured = list(reader.readings(self._reservoir, 0, _FAR_MS))
        missing = set(self._due) - set(entries)
        if missing:
            self._complaints.append(f"{len(missing)} alarms, trips or commands are not in the log")
        if any(b <= a or b.utc_ms < a.utc_ms for a, b in pairwise(entries)):
            self._complaints.append("the entries of the log are out of order")
        order = [one.stamp for one in measured]
        if any(b <= a or b.utc_ms < a.utc_ms for a, b in pairwise(order)):
            self._complaints.append("the readings of the log are out of order")
        return len(entries) + len(measured), self._complaints

    @property
    def _file(self) -> Path:
        return self._path.with_name(_LIFE.format(name=self._path.name, number=self._life))

    def _end_of(self, before: Path) -> None:
        """Close the log of the dead session and delete its file."""
        assert self._log is not None, _NO_ROWS
        self._log.close(30.0)
        for ending in ("", "-wal", "-shm", ".lock"):
            before.with_name(before.name + ending).unlink(missing_ok=True)
