"""The log's side of a campaign: where the rows of a year go, and what is found missing or out of order.

A campaign talks to a :class:`Journal`. :class:`MemoryJournal` stamps every row with the real clock of the log
and keeps them as a disk would: what was not yet written when the power goes is lost. A journal that writes a
real file is in :mod:`bridge.simulate.filed`.
"""

from dataclasses import dataclass
from typing import Protocol

from bridge.history.order import RecordClock
from bridge.history.records import Stamp
from bridge.station.station import Turn

_READING_S = 1.0


class Journal(Protocol):
    """Where rows go. Times are the bridge's monotonic clock and whatever the wall clock says."""

    def start(self, monotonic_s: float, wall_s: float) -> None:
        """The bridge starts."""

    def turn(self, turn: Turn, wall_s: float) -> None:
        """The station had a turn."""

    def utc_s(self, monotonic_s: float, wall_s: float) -> float:
        """The time that a row made now would carry."""

    def disk_full(self, full: bool) -> None:
        """The disk takes nothing more, or takes rows again."""

    def power_cut(self) -> None:
        """The bridge dies; what is not on the disk is gone."""

    def finish(self) -> tuple[int, list[str]]:
        """How many rows there are, and what is missing or out of order."""


@dataclass(frozen=True, slots=True)
class _Kept:
    stamp: Stamp
    made_s: float
    urgent: bool


class MemoryJournal:
    """A log without a file: the real stamps, and the order and completeness that the file promises."""

    def __init__(self) -> None:
        """Begin with an empty disk."""
        self._rows = 0
        self._boot = 0
        self._clock = RecordClock(0)
        self._pending: list[_Kept] = []
        self._last: Stamp | None = None
        self._full = False
        self._urgent_made = self._urgent_kept = self._urgent_lost = 0
        self._complaints: list[str] = []

    def start(self, monotonic_s: float, wall_s: float) -> None:
        """The bridge starts: a new boot, after the last stamp on the disk."""
        self._boot += 1
        self._clock = RecordClock(self._boot, 0 if self._last is None else self._last.utc_ms)

    def turn(self, turn: Turn, wall_s: float) -> None:
        """Rows of a turn; what people must not lose goes to the disk at once, with everything before it."""
        if turn.reading:
            self._take(turn.now, wall_s, urgent=False)
        for _ in turn.decision.events:
            self._take(turn.now, wall_s, urgent=True)
        if turn.command is not None:
            self._take(turn.now, wall_s, urgent=True)

    def utc_s(self, monotonic_s: float, wall_s: float) -> float:
        """The time that a row made now would carry."""
        return self._clock.stamp(monotonic_s, wall_s)[0].utc_ms / 1000.0

    def disk_full(self, full: bool) -> None:
        """The disk takes nothing more, or takes rows again."""
        self._full = full
        if not full:
            self._write()

    def power_cut(self) -> None:
        """The bridge dies, and what waits in memory is gone: with a sound disk one second of readings."""
        lost = sum(row.urgent for row in self._pending)
        self._urgent_lost += lost
        if lost and not self._full:
            self._complaints.append(f"a power cut lost {lost} alarms, trips or commands")
        self._pending.clear()
        self._full = False

    def finish(self) -> tuple[int, list[str]]:
        """How many rows there are, and what is missing or out of order."""
        waiting = sum(row.urgent for row in self._pending)
        missing = self._urgent_made - self._urgent_kept - self._urgent_lost - waiting
        if missing:
            self._complaints.append(f"{missing} alarms, trips or commands are not in the log")
        return self._rows, self._complaints

    def _take(self, monotonic_s: float, wall_s: float, *, urgent: bool) -> None:
        self._urgent_made += urgent
        pending = self._pending
        pending.append(_Kept(self._clock.stamp(monotonic_s, wall_s)[0], monotonic_s, urgent))
        if not self._full and (urgent or monotonic_s - pending[0].made_s >= _READING_S):
            self._write()

    def _write(self) -> None:
        for row in self._pending:
            stamp, last = row.stamp, self._last
            if last is not None and (stamp <= last or stamp.utc_ms <= last.utc_ms):
                self._complaints.append(f"the row of {stamp} stands after {last}")
            self._last = stamp
            self._urgent_kept += row.urgent
        self._rows += len(self._pending)
        self._pending.clear()
