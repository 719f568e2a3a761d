"""The log of a simulated bridge: the real policy of the log, over a disk that is simulated or real.

The rows of the policy are checked against its inputs: every alarm, trip and command has a durable row, the
latched state is saved with it, and every reading is in exactly one minute.

The simulated disk follows the rules of the real log (:mod:`bridge.history.writer`), and a power cut loses the
rows that it does not have yet. Durable rows, and all rows before them, are on the disk after :data:`SYNC_S`.
Other rows are in the file within :data:`COMMIT_S`, and a kill does not lose rows in the file. Rows in the
file are on the disk with the next durable rows, or after :data:`WRITEBACK_S`, when the system writes its
dirty pages.
"""

from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Protocol

from bridge.clock import Clock, VirtualClock
from bridge.daemon import saved_state
from bridge.daemon.log_policy import LogPolicy, Restored, Written
from bridge.forecast.learner import Learner
from bridge.guard.commands import words_of
from bridge.guard.state import AlarmChanged, GuardState, Unlatched
from bridge.history.log_file import Opened
from bridge.history.outbox import Parcel
from bridge.history.records import (
    AlarmRow,
    CartridgeRow,
    CommandRow,
    MinuteRow,
    ReadingRow,
    Row,
    Stamp,
    StampedRow,
    StateRow,
)
from bridge.purifier.cartridge import Evidence
from bridge.station.events import StationEvent
from bridge.station.inventory import Inventory
from bridge.station.plan import StationPlan
from bridge.station.station import Turn

SYNC_S = 0.005
COMMIT_S = 5.0
WRITEBACK_S = 30.0
"""Linux writes pages that have been dirty for this time: the default of vm.dirty_expire_centisecs."""
PACK_ROWS = 60
RECENT = 8

Done = Callable[[bool], None]


class Disk(Protocol):
    """Stores the rows of all sessions of a bridge."""

    def start(self, clock: VirtualClock) -> Opened:
        """Start a session. Returns the state that the last session left."""

    def write(self, rows: Sequence[Row], durable: bool, done: Done | None) -> None:
        """Store rows in order, as :meth:`bridge.history.writer.Log.write` does."""

    def recent(self, key: str) -> Sequence[StateRow]:
        """Return the versions of a saved value on the disk: older ones first, the present one last."""

    @property
    def is_full(self) -> bool:
        """Whether the disk is full."""

    @property
    def cartridges(self) -> Sequence[Evidence]:
        """The loads of the earlier cartridges, as they are on the disk now."""

    def full(self, full: bool) -> None:
        """Fill the disk, or make space on it again."""

    def dies(self, power_cut: bool) -> None:
        """End a session: the process is killed, or its power is cut."""

    def packs(self, count: int) -> list[Parcel]:
        """Return the first parcels that the hub's log has not acknowledged."""

    def acknowledge(self, parcel: Parcel) -> None:
        """Record that the hub's log has this parcel."""

    @property
    def acknowledged(self) -> int:
        """Rows that have left the outbox."""

    def finish(self) -> tuple[int, list[str]]:
        """Return the number of rows, and a sentence for each row that is missing or out of order."""


@dataclass(slots=True)
class _Batch:
    rows: Sequence[Row]
    at_s: float


class MemoryDisk:
    """A disk without a file."""

    def __init__(self) -> None:
        self._clock: Clock = VirtualClock()
        self._waiting: deque[_Batch] = deque()
        """Rows in the memory of the process."""
        self._held: deque[_Batch] = deque()
        """Rows in the file that are not yet on the disk."""
        self._done: list[Done] = []
        self._saved: dict[str, StateRow] = {}
        self._recent: dict[str, deque[StateRow]] = {}
        self._boot = 0
        self._last: Stamp | None = None
        self._rows = 0
        self._cartridges: list[Evidence] = []
        self._outbox: deque[StampedRow] = deque()
        self._sent: tuple[StampedRow, ...] = ()
        """The rows of the last acknowledged parcel."""
        self._acknowledged = 0
        self._full = False
        self._life = 0
        self._complaints: list[str] = []

    def start(self, clock: VirtualClock) -> Opened:
        """Start a session. Returns the state that the last session left."""
        self._clock = clock
        self._boot += 1
        last_ms = 0 if self._last is None else self._last.utc_ms
        return Opened(self._boot, last_ms, dict(self._saved), True)

    def write(self, rows: Sequence[Row], durable: bool, done: Done | None) -> None:
        """Store rows in order."""
        now_s = self._clock.monotonic()
        self._waiting.append(_Batch(rows, now_s))
        if durable:
            if done is not None:
                self._done.append(done)
            if not self._full:
                self._clock.call_later(SYNC_S, partial(self._sync_in, self._life))
        elif not self._full and now_s - self._waiting[0].at_s >= COMMIT_S:
            self._commit(now_s)

    def recent(self, key: str) -> Sequence[StateRow]:
        """Return the versions of a saved value on the disk: older ones first, the present one last."""
        return self._recent.get(key, ())

    @property
    def is_full(self) -> bool:
        """Whether the disk is full."""
        return self._full

    @property
    def cartridges(self) -> Sequence[Evidence]:
        """The loads of the earlier cartridges, as they are on the disk now."""
        return self._cartridges

    def full(self, full: bool) -> None:
        """Fill the disk, or make space on it again."""
        self._full = full
        if not full:
            self._sync()

    def dies(self, power_cut: bool) -> None:
        """Lose the rows that are not in the file. A power cut also loses rows that are not on the disk."""
        now_s = self._clock.monotonic()
        if not self._full:
            while self._waiting and now_s - self._waiting[0].at_s >= COMMIT_S:
                self._held.append(self._waiting.popleft())
        while self._held and (not power_cut or now_s - self._held[0].at_s >= WRITEBACK_S):
            self._store(self._held.popleft())
        self._waiting.clear()
        self._held.clear()
        self._done.clear()
        self._full = False
        self._life += 1
        # The last position of the outbox may not be on the disk, so the last parcel is sent again.
        self._outbox.extendleft(reversed(self._sent))
        self._acknowledged -= len(self._sent)
        self._sent = ()

    @property
    def acknowledged(self) -> int:
        """Rows that have left the outbox."""
        return self._acknowledged

    def packs(self, count: int) -> list[Parcel]:
        """Return the first parcels that the hub's log has not acknowledged."""
        waiting = self._outbox
        return [
            Parcel(self._acknowledged + min(begin + PACK_ROWS, len(waiting)), rows)
            for begin in range(0, min(len(waiting), count * PACK_ROWS), PACK_ROWS)
            if (rows := tuple(waiting[index] for index in range(begin, min(begin + PACK_ROWS, len(waiting)))))
        ]

    def acknowledge(self, parcel: Parcel) -> None:
        """Record that the hub's log has this parcel and all parcels before it."""
        self._sent = parcel.rows
        while self._acknowledged < parcel.id:
            self._outbox.popleft()
            self._acknowledged += 1

    def finish(self) -> tuple[int, list[str]]:
        """Return the number of rows, and a sentence for each row that is missing or out of order."""
        self._sync()
        return self._rows, self._complaints

    def _commit(self, now_s: float) -> None:
        self._held += self._waiting
        self._waiting.clear()
        while self._held and now_s - self._held[0].at_s >= WRITEBACK_S:
            self._store(self._held.popleft())

    def _sync_in(self, life: int) -> None:
        if life == self._life:
            self._sync()

    def _sync(self) -> None:
        if self._full:
            return
        for batches in (self._held, self._waiting):
            while batches:
                self._store(batches.popleft())
        done, self._done = self._done, []
        for one in done:
            one(True)

    def _store(self, batch: _Batch) -> None:
        for row in batch.rows:
            match row:
                case StateRow():
                    self._saved[row.key] = row
                    self._recent.setdefault(row.key, deque(maxlen=RECENT)).append(row)
                    continue
                case MinuteRow():
                    self._rows += 1
                    continue
                case CartridgeRow(load_g=float(load_g), exhausted=exhausted) if load_g > 0.0:
                    self._cartridges.append(Evidence(load_g, bool(exhausted)))
            self._rows += 1
            stamp, last = row.stamp, self._last
            if last is not None and (stamp <= last or stamp.utc_ms <= last.utc_ms):
                self._complaints.append(f"the row of {stamp} is stored after the row of {last}")
            self._last = stamp
            self._outbox.append(row)


Complain = Callable[[str], None]


@dataclass(slots=True)
class Minutes:
    """Checks the minutes against the readings; mutable."""

    readings: int = 0
    """Since the last minute that was closed."""

    def turned(self, turn: Turn, rows: Sequence[Row]) -> str | None:
        """Return a sentence if the minutes of a scan's rows are wrong."""
        wrong = None
        for row in rows:
            if isinstance(row, MinuteRow):
                if row.bucket.count != self.readings:
                    wrong = f"a minute has {row.bucket.count} readings, and {self.readings} were taken"
                self.readings = 0
        if turn.reading:
            self.readings += 1
        return wrong


@dataclass(slots=True)
class SimulatedLog:
    """The log of one session's keeper; mutable.

    Args:
        plan: the reservoir's.
        clock: this life's clock.
        disk: where the rows go.
        on_turn: sees every turn.
        on_counters: is handed the saved counters, and the time of the log, when they are written.
        complain: takes a sentence of what is wrong with what the policy wrote.
        whole: False leaves out every row but the saved values that a restart needs.
    """

    plan: StationPlan
    clock: VirtualClock
    disk: Disk
    on_turn: Callable[[Turn], None]
    on_counters: Callable[[StateRow, float], None] | None
    complain: Complain
    whole: bool = True
    on_entry: Callable[[], None] | None = None
    """Called when something else than a reading was written."""
    _minutes: Minutes = field(default_factory=Minutes)
    _policy: LogPolicy = field(init=False)
    _counters_key: str = field(init=False)

    def __post_init__(self) -> None:
        self._counters_key = saved_state.accounts_key(self.plan.identity.reservoir)
        opened = self.disk.start(self.clock)
        self._policy = LogPolicy(
            (self.plan,),
            opened.boot,
            opened.last_utc_ms,
            opened.state,
            complete=opened.complete,
            readings=self.whole,
        )
        self._write(self._policy.begin(*self._now()))

    @property
    def utc_s(self) -> float:
        """The time that a row would have now."""
        return self._policy.moment(*self._now()).utc_s

    # --- what a keeper needs --------------------------------------------------------------------------

    def restored(self, plan: StationPlan) -> Restored:
        """Return the state from which the station starts."""
        return self._policy.restored(plan, *self._now())

    def feed_sampled(self, reservoir: str) -> float | None:
        """Return None: there are no samples of the feed here."""
        return None

    def learner(self, plan: StationPlan, accounts: Inventory) -> Learner:
        """Return the forecast from which the station starts."""
        return self._policy.forecast(plan, accounts, self.disk.cartridges)

    def turn(self, reservoir: str, turn: Turn, on_disk: Callable[[bool], None] | None = None) -> None:
        """Write one scan to the log."""
        self.on_turn(turn)
        wall_s = self.clock.wall() - (self.clock.monotonic() - turn.now)
        written = self._policy.turn(reservoir, turn, wall_s)
        if turn.decision.events or turn.command is not None:
            for wrong in _missing(reservoir, turn, written):
                self.complain(wrong)
        if self.whole:
            wrong_minute = self._minutes.turned(turn, written.rows)
            if wrong_minute is not None:
                self.complain(wrong_minute)
        self._write(written, on_disk)

    def event(self, event: StationEvent) -> None:
        """Write an event outside a scan to the log."""
        self._write(self._policy.event(event, *self._now()))

    def accounts(self, reservoir: str, state: GuardState, inventory: Inventory) -> None:
        """Save the contents of the reservoir and the load of the purifier."""
        self._write(self._policy.counters(reservoir, state, inventory, *self._now()))

    def learned(self, learner: Learner) -> None:
        """Save the state of a forecast."""
        self._write(self._policy.learned(learner, *self._now()))

    def stop(self) -> None:
        """Write the rows of a stop."""
        self._write(self._policy.stop(*self._now()))

    def _now(self) -> tuple[float, float]:
        return self.clock.monotonic(), self.clock.wall()

    def _write(self, written: Written, on_disk: Callable[[bool], None] | None = None) -> None:
        rows: Sequence[Row] = written.rows
        if not self.whole:
            rows = [row for row in rows if isinstance(row, StateRow)]
        if rows:
            if self.on_counters is not None:
                for row in rows:
                    if isinstance(row, StateRow) and row.key == self._counters_key:
                        self.on_counters(row, self.utc_s)
            self.disk.write(rows, written.durable, on_disk if written.durable else None)
            if self.on_entry is not None and any(
                not isinstance(row, ReadingRow | MinuteRow | StateRow) for row in rows
            ):
                self.on_entry()
        if on_disk is not None and not (written.durable and rows):
            on_disk(True)


def _missing(reservoir: str, turn: Turn, written: Written) -> list[str]:
    """Return a sentence for each row of a scan that is missing or not durable."""
    alarms = [row.alarm for row in written.rows if isinstance(row, AlarmRow)]
    wrong = []
    must = False
    for event in turn.decision.events:
        if isinstance(event, AlarmChanged | Unlatched):
            must = True
            alarm = event.alarm if isinstance(event, AlarmChanged) else event.trip
            if alarm not in alarms:
                wrong.append(f"the alarm {alarm.value} changed, and the log has no row of it")
    if turn.command is not None:
        must = True
        if not any(isinstance(row, CommandRow) for row in written.rows):
            wrong.append(f"there was a command ({words_of(turn.command)}), and the log has no row of it")
    before, state = turn.before, turn.state
    if (state.latches, state.hold) != (before.latches, before.hold):
        must = True
        key = saved_state.latched_key(reservoir)
        if not any(isinstance(row, StateRow) and row.key == key for row in written.rows):
            wrong.append("what is latched has changed, and was not saved")
    if must and not written.durable:
        wrong.append("what latched need not be on the disk before people learn of it")
    return wrong
