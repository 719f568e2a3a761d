"""The log's side of a campaign: where the rows of a year go, and what is found missing or out of order.

A campaign talks to a :class:`Journal`. :class:`MemoryJournal` stamps every row with the real clock of the log
and keeps them as a disk would: what was not yet written when the power goes is lost.
"""

from dataclasses import dataclass
from typing import Protocol

from bridge.history.order import RecordClock
from bridge.history.records import Stamp

_READING_S = 1.0


class Journal(Protocol):
    """Where rows go. Times are the bridge's monotonic clock and whatever the wall clock says."""

    def start(self) -> None:
        """The bridge starts."""

    def reading(self, monotonic_s: float, wall_s: float, volume_l: float | None, ppm: float | None) -> None:
        """A reading was decided on."""

    def event(self, monotonic_s: float, wall_s: float, id_: str, sentence: str, *, urgent: bool) -> None:
        """Something happened; an urgent row is a trip, an alarm or a command."""

    def disk_full(self, full: bool) -> None:
        """The disk takes nothing more, or takes rows again."""

    def power_cut(self) -> None:
        """The bridge dies; what is not on the disk is gone."""

    def complaints(self) -> list[str]:
        """What is missing or out of order in everything so far."""


@dataclass(frozen=True, slots=True)
class _Kept:
    stamp: Stamp
    made_s: float
    id_: str
    urgent: bool


class MemoryJournal:
    """A log without a file: the real stamps, and the order and completeness that the file promises."""

    def __init__(self) -> None:
        """Begin with an empty disk."""
        self.rows = 0
        self.clock_steps = 0
        self._boot = 0
        self._clock: RecordClock | None = None
        self._pending: list[_Kept] = []
        self._last: Stamp | None = None
        self._full = False
        self._urgent_made = 0
        self._urgent_kept = 0
        self._urgent_lost_to_full_disk = 0
        self._complaints: list[str] = []

    def start(self) -> None:
        """The bridge starts: a new boot, after the last stamp on the disk."""
        self._boot += 1
        self._clock = RecordClock(self._boot, 0 if self._last is None else self._last.utc_ms)

    def reading(self, monotonic_s: float, wall_s: float, volume_l: float | None, ppm: float | None) -> None:
        """A reading was decided on."""
        self._take(monotonic_s, wall_s, "reading", urgent=False)

    def event(self, monotonic_s: float, wall_s: float, id_: str, sentence: str, *, urgent: bool) -> None:
        """Something happened; an urgent row goes to the disk at once, with everything before it."""
        self._urgent_made += urgent
        self._take(monotonic_s, wall_s, id_, urgent=urgent)

    def disk_full(self, full: bool) -> None:
        """The disk takes nothing more, or takes rows again."""
        self._full = full
        if not full:
            self._write()

    def power_cut(self) -> None:
        """The bridge dies, and what waits in memory is gone: with a sound disk one second of readings."""
        lost = [row for row in self._pending if row.urgent]
        if self._full:
            self._urgent_lost_to_full_disk += len(lost)
        elif lost:
            self._complaints.append(f"a power cut lost {len(lost)} alarms, trips or commands")
        self._pending.clear()
        self._full = False

    def complaints(self) -> list[str]:
        """What is missing or out of order."""
        waiting = sum(row.urgent for row in self._pending)
        known = self._urgent_kept + self._urgent_lost_to_full_disk + waiting
        missing = self._urgent_made - known
        found = list(self._complaints)
        if missing:
            found.append(f"{missing} alarms, trips or commands are not in the log")
        return found

    def _take(self, monotonic_s: float, wall_s: float, id_: str, *, urgent: bool) -> None:
        assert self._clock is not None, "a journal is started before it is written to"
        stamp, step = self._clock.stamp(monotonic_s, wall_s)
        self.clock_steps += step is not None
        pending = self._pending
        pending.append(_Kept(stamp, monotonic_s, id_, urgent))
        if not self._full and (urgent or monotonic_s - pending[0].made_s >= _READING_S):
            self._write()

    def _write(self) -> None:
        for row in self._pending:
            stamp, last = row.stamp, self._last
            if last is not None and (stamp <= last or stamp.utc_ms <= last.utc_ms):
                self._complaints.append(f"the row {row.id_} of {stamp} stands after {last}")
            self._last = stamp
            self._urgent_kept += row.urgent
        self.rows += len(self._pending)
        self._pending.clear()
