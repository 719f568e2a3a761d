"""The log of a simulated bridge: the real policy of the log, over a disk that is simulated or real.

The rows of the policy are checked against its inputs: every alarm, trip and command has a durable row, the
latched state is saved with it, and every reading is in exactly one minute.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from bridge.clock import VirtualClock
from bridge.daemon import saved_state
from bridge.daemon.log_policy import LogPolicy, Restored, Written
from bridge.forecast.learner import Learner
from bridge.guard.commands import words_of
from bridge.guard.state import AlarmChanged, GuardState, Unlatched
from bridge.history.records import AlarmRow, CommandRow, MinuteRow, ReadingRow, Row, StateRow
from bridge.simulate.disk import Disk
from bridge.station.inventory import Inventory
from bridge.station.plan import StationPlan
from bridge.station.station import StationEvent, Turn

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
        written = self._policy.turn(reservoir, turn, self.clock.wall())
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
