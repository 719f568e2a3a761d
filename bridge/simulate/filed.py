"""A journal that really writes the log's file, and loses its machine's power with it.

A power cut is a copy of the file and its write-ahead log as they stand at that moment; the next life opens
the copy. Entries and what must survive are committed before the turn is over; readings wait as they do in the
daemon, so a cut may take some with it. Shell: it writes files and waits for the log's thread.
"""

import shutil
from itertools import pairwise
from pathlib import Path

from bridge.errors import InputError
from bridge.history.entries import KINDS, LAZY
from bridge.history.limits import LogSettings
from bridge.history.log import Log
from bridge.history.order import RecordClock
from bridge.history.reader import Reader
from bridge.history.records import Stamp
from bridge.station.plan import StationPlan
from bridge.station.rows import entry_rows, reading_row
from bridge.station.station import Turn

_FAR_MS = 1 << 52
_LIFE = "{name}.life-{number}"


class FiledJournal:
    """A log in a real file; the last life's file is moved to ``path`` when the span is over."""

    def __init__(self, plan: StationPlan, path: Path) -> None:
        """Begin without a file.

        Raises:
            InputError: the file exists already, or its directory does not.
        """
        if path.exists():
            raise InputError(f"--log {path}: the file exists already; give a new name")
        if not path.parent.is_dir():
            raise InputError(f"--log {path}: there is no directory {path.parent}")
        self._plan = plan
        self._path = path
        self._life = 0
        self._log: Log | None = None
        self._clock = RecordClock(0)
        self._due: list[Stamp] = []
        """Stamps of entries that must be in the file whatever happens."""
        self._readings = 0
        self._complaints: list[str] = []
        self._wall_s = 0.0
        self._now_s = 0.0

    def start(self, monotonic_s: float, wall_s: float) -> None:
        """Open the file that the last life left."""
        log = self._log = Log(self._file, settings=LogSettings(outbox=None))
        opened = log.start().result()
        if not opened.complete:
            self._complaints.append(f"the log of life {self._life} could not be opened whole")
        self._clock = RecordClock(opened.boot, opened.last_utc_ms)

    def turn(self, turn: Turn, wall_s: float) -> None:
        """Put the rows of a turn into the log, as the daemon does."""
        log = self._log
        assert log is not None, "a journal is started before it is written to"
        self._now_s, self._wall_s = turn.now, wall_s
        if turn.reading:
            self._readings += 1
            log.append(reading_row(self._plan, turn, self._stamp()))
        if turn.decision.events or turn.command is not None:
            rows = list(entry_rows(self._plan, turn, self._stamp))
            if rows:
                log.append(*rows)
                if not log.settle().result():
                    self._complaints.append(f"rows at {turn.now:.0f} s could not be written: {log.trouble}")
                self._due += [row.stamp for row in rows if KINDS[type(row)] not in LAZY]

    def utc_s(self, monotonic_s: float, wall_s: float) -> float:
        """The time that a row made now would carry."""
        return self._clock.stamp(monotonic_s, wall_s)[0].utc_ms / 1000.0

    def disk_full(self, full: bool) -> None:
        """Not done to a real disk: the tests of the log itself do that."""

    def power_cut(self) -> None:
        """Copy what is on the disk now; nothing that the dying log still writes comes into the copy."""
        before = self._file
        self._life += 1
        for ending in ("", "-wal"):
            companion = before.with_name(before.name + ending)
            if companion.exists():
                shutil.copyfile(companion, self._file.with_name(self._file.name + ending))
        self._end_of(before)

    def finish(self) -> tuple[int, list[str]]:
        """Close the file, and read it from end to end."""
        assert self._log is not None, "a journal is started before it is finished"
        if not self._log.close(30.0):
            self._complaints.append(f"the log did not end: {self._log.trouble}")
        self._file.rename(self._path)
        with Reader(self._path) as reader:
            self._complaints += [f"integrity check: {one}" for one in reader.check() if one != "ok"]
            entries = [row.stamp for row in reader.events(0, _FAR_MS)]
            measured = list(reader.readings(self._plan.identity.reservoir, 0, _FAR_MS))
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

    def _stamp(self) -> Stamp:
        return self._clock.stamp(self._now_s, self._wall_s)[0]

    def _end_of(self, before: Path) -> None:
        """Let the dead life's log go; its own file is of no more use."""
        assert self._log is not None, "a life that ends has begun"
        self._log.close(30.0)
        for ending in ("", "-wal", "-shm"):
            before.with_name(before.name + ending).unlink(missing_ok=True)
