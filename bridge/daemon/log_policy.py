"""The policy of the log: which rows a turn produces, and which state is saved when. Core.

Every method gets the monotonic and the wall clock in seconds, and returns the rows to write. The same class
runs in the daemon under real clocks and in a simulation under virtual ones.

Readings are stored by exception (:class:`bridge.history.rollup.ByException`). Every reading counts into its
minute, which is stored when it is complete. Alarms, trips, commands and latched state are durable: they are
on the disk before the hub or a person receives them. Counters are stored every few seconds while water flows.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Protocol

from bridge.daemon import saved_state
from bridge.daemon.rows import RecordClock, entry_rows, reading_row
from bridge.daemon.saved_state import RunningFill
from bridge.errors import LogError
from bridge.forecast import persistence
from bridge.forecast.learned import worth_keeping
from bridge.forecast.learner import Learner
from bridge.guard.faults import phase_sentence
from bridge.guard.model import Flow, Phase
from bridge.guard.rules import ACTIVE
from bridge.guard.state import GuardState
from bridge.history.records import (
    CommandRow,
    EventRow,
    FillRow,
    ForecastRow,
    MinuteRow,
    Row,
    Stamp,
    StateRow,
)
from bridge.history.rollup import MINUTE_MS, ByException, RollUp
from bridge.purifier.cartridge import Evidence
from bridge.station.events import StationEvent
from bridge.station.inventory import Inventory, begin
from bridge.station.plan import StationPlan
from bridge.station.station import Turn
from bridge.station.view import Outlook

COUNTERS_S = 5.0
"""The interval of counters while water flows. With the delay of the log they are at most ten seconds old."""
COUNTERS_IDLE_S = 60.0
_ROWS_OF_THEIR_OWN = frozenset({"command-obeyed", "command-refused"})
"""Events that are stored as commands instead."""


@dataclass(frozen=True, slots=True)
class Written:
    """Rows for the log, in order."""

    rows: tuple[Row, ...] = ()
    durable: bool = False
    """True if the rows must be on the disk before the hub or a person receives them."""


@dataclass(frozen=True, slots=True)
class Restored:
    """The state of a station at the start."""

    state: GuardState
    accounts: Inventory
    known: bool
    """False if the latched state is not known. Then filling is on hold."""


@dataclass(slots=True)
class _Reservoir:
    """The state of the policy for one reservoir."""

    plan: StationPlan
    stored: ByException = field(default_factory=ByException)
    minute: RollUp = field(default_factory=lambda: RollUp(MINUTE_MS))
    pulses: int | None = None
    stored_pulses: int | None = None
    controller: str | None = None
    counters_at_s: float = float("-inf")
    counters: saved_state.Counters | None = None
    counters_row: StateRow | None = None
    forecast: ForecastRow | None = None
    fill: RunningFill | None = None
    interrupted: RunningFill | None = None
    """The fill that the end of an earlier process interrupted, until its row is written."""


class LogPolicy:
    """Produces the rows of all stations.

    Args:
        stations: the reservoirs.
        boot: the number of this session.
        last_utc_ms: the newest time in the log. The first row is later.
        state: the saved state of an earlier process.
        complete: False if the saved state could not be read.
        readings: False leaves out the rows of readings and minutes.
    """

    def __init__(
        self,
        stations: Sequence[StationPlan],
        boot: int = 1,
        last_utc_ms: int = 0,
        state: Mapping[str, StateRow] | None = None,
        *,
        complete: bool = True,
        readings: bool = True,
    ) -> None:
        self._readings = readings
        self._clock = RecordClock(boot, last_utc_ms)
        self._state = dict(state or {})
        self._complete = complete
        self._reservoirs = {one.identity.reservoir: _Reservoir(one) for one in stations}

    # --- the start ----------------------------------------------------------------------------------

    def begin(self, now_s: float, wall_s: float) -> Written:
        """Return the rows of the start.

        A fill that the end of an earlier process interrupted gets its row now, or with the first reading if
        that brings the pulses that the controller has counted since.
        """
        rows = _Rows(self._clock, now_s, wall_s)
        rows.durable = True
        rows.add(EventRow(rows.stamp(), "", "bridge-started", "The bridge started."))
        for name, one in self._reservoirs.items():
            kept = self._state.get(saved_state.accounts_key(name))
            try:
                fill = saved_state.running_fill(kept)
                pulses = saved_state.pulses(kept)
            except LogError:
                # The state is unreadable, which restored() reports.
                continue
            if fill is None or kept is None:
                continue
            one.interrupted = fill
            if fill.volume_l is None or pulses is None or one.plan.litres_per_pulse is None:
                self._interrupted(one, rows, 0.0)
                self._state[kept.key] = saved_state.without_fill(kept)
                rows.add(self._state[kept.key])
        return rows.written()

    def restored(self, plan: StationPlan, now_s: float, wall_s: float) -> Restored:
        """Return the state of a station at the start, on hold if the latched state is not known."""
        name = plan.identity.reservoir
        moment = self.moment(now_s, wall_s)
        latched = self._state.get(saved_state.latched_key(name))
        counters = self._state.get(saved_state.accounts_key(name))
        known = self._complete
        try:
            state = saved_state.guard_state(latched, counters, plan.limits, moment)
            accounts = saved_state.inventory(counters, begin(plan), plan.product, moment)
        except LogError:
            known = False
        if not known:
            # A trip may have been latched, so a person must check the purifier and lift the hold.
            held = replace(saved_state.guard_state(None, None, plan.limits, moment), hold=True)
            return Restored(held, begin(plan), False)
        self._reservoirs[name].pulses = accounts.pulses
        self._reservoirs[name].controller = accounts.controller
        return Restored(state, accounts, True)

    def forecast(self, plan: StationPlan, accounts: Inventory, earlier: Sequence[Evidence]) -> Learner:
        """Return the forecast of a station at the start.

        Raises:
            LogError: the saved forecast cannot be read.
        """
        kept = self._state.get(persistence.key(plan.identity.reservoir))
        evidence = worth_keeping(plan.cartridge, earlier)
        if kept is None:
            return Learner(plan, evidence, load=accounts.load)
        found = persistence.read(kept, evidence, plan.cartridge, plan.limits.limit_ppm)
        return Learner(plan, evidence, found.learned, accounts.load, found.feed_ppm, found.volume_l)

    # --- while running ---------------------------------------------------------------------------------

    def turn(self, reservoir: str, turn: Turn, wall_s: float) -> Written:
        """Return the rows of one turn. The wall clock is that of the turn, which may be over for a moment."""
        one = self._reservoirs[reservoir]
        rows = _Rows(self._clock, turn.now, wall_s)
        one.pulses, one.controller = turn.memory.pulses, turn.memory.controller
        if turn.reading and self._readings:
            row = reading_row(one.plan, turn, Stamp(self._clock.boot, -1, rows.utc_ms))
            closed = one.minute.add(rows.utc_ms, row.values, row.health)
            if closed is not None:
                rows.add(MinuteRow(reservoir, closed))
            if one.stored.keeps(row):
                rows.add(replace(row, stamp=self._clock.numbered(rows.utc_ms)))
        elif (closed := one.minute.over(rows.utc_ms)) is not None:
            rows.add(MinuteRow(reservoir, closed))
        before, state = turn.before, turn.state
        ended = one.interrupted is not None and not state.catching_up
        if ended:
            self._interrupted(one, rows, (state.throughput_l or 0.0) if before.catching_up else 0.0)
        if turn.decision.events or turn.command is not None:
            for entry in entry_rows(one.plan, turn, rows.stamp):
                rows.add(entry)
                rows.durable = True
        if _latched_changed(before, state):
            rows.add(saved_state.latched(reservoir, state, self.moment(turn.now, wall_s)))
            rows.durable = True
        moved = state.phase is not before.phase
        if moved:
            self._phase(one, turn, rows)
        flows = state.phase in ACTIVE or state.flow is not Flow.SHUT or one.pulses != one.stored_pulses
        every_s = COUNTERS_S if flows else COUNTERS_IDLE_S
        if ended or moved or turn.now - one.counters_at_s >= every_s:
            self._counters(one, state, turn.memory.inventory, rows, turn.now, wall_s)
        return rows.written()

    def counters(
        self, reservoir: str, state: GuardState, accounts: Inventory, now_s: float, wall_s: float
    ) -> Written:
        """Return the counters of a reservoir between turns: after a command, and at the end."""
        rows = _Rows(self._clock, now_s, wall_s)
        self._counters(self._reservoirs[reservoir], state, accounts, rows, now_s, wall_s)
        return rows.written()

    def event(self, event: StationEvent, now_s: float, wall_s: float) -> Written:
        """Return the row of an event, unless its turn produces another row for it."""
        if event.guard is not None or event.id in _ROWS_OF_THEIR_OWN:
            return Written()
        return self.note(event.reservoir, event.id, event.sentence, now_s, wall_s)

    def note(self, reservoir: str, event: str, sentence: str, now_s: float, wall_s: float) -> Written:
        """Return the row of an event that no station reported."""
        rows = _Rows(self._clock, now_s, wall_s)
        rows.add(EventRow(rows.stamp(), reservoir, event, sentence))
        return rows.written()

    def refused(self, reservoir: str, sentence: str, sender: str, now_s: float, wall_s: float) -> Written:
        """Return the row of a command that was refused before it reached its station."""
        rows = _Rows(self._clock, now_s, wall_s)
        rows.add(CommandRow(rows.stamp(), reservoir, "not understood", sender, False, sentence))
        rows.durable = True
        return rows.written()

    def learned(self, learner: Learner, now_s: float, wall_s: float) -> Written:
        """Return the state of a forecast, and its row if the figures are new."""
        name = learner.plan.identity.reservoir
        rows = _Rows(self._clock, now_s, wall_s)
        one = self._reservoirs[name]
        row = _forecast_row(Stamp(0, 0, 0), name, learner.outlook)
        if row is not None and row != one.forecast:
            one.forecast = row
            rows.add(replace(row, stamp=rows.stamp()))
        rows.add(persistence.written(name, learner.kept))
        return rows.written()

    def stop(self, now_s: float, wall_s: float) -> Written:
        """Return the rows of the stop, with those of open minutes and fills."""
        rows = _Rows(self._clock, now_s, wall_s)
        for name, one in self._reservoirs.items():
            closed = one.minute.close()
            if closed is not None:
                rows.add(MinuteRow(name, closed))
            if one.fill is not None:
                fill, one.fill = one.fill, None
                rows.add(FillRow(rows.stamp(), name, fill.started_ms, fill.volume_l, None, None, "stop"))
                if one.counters_row is not None:
                    rows.add(saved_state.without_fill(one.counters_row))
        rows.add(EventRow(rows.stamp(), "", "bridge-stopped", "The bridge stopped."))
        rows.durable = True
        return rows.written()

    # --- parts ----------------------------------------------------------------------------------------

    def _interrupted(self, one: _Reservoir, rows: "_Rows", since_l: float) -> None:
        """Add the row of an interrupted fill.

        Args:
            one: the reservoir.
            rows: the rows to add to.
            since_l: the inflow since the last counters of the earlier process.
        """
        fill, one.interrupted = one.interrupted, None
        assert fill is not None
        stamp, volume_l = rows.stamp(), fill.volume_l
        # The earlier process could not renew the lease, so the controller shut the valve when it lapsed.
        ended_ms = min(fill.seen_ms + round(1000 * one.plan.limits.lease_s), stamp.utc_ms)
        volume_l = None if volume_l is None else volume_l + since_l
        name = one.plan.identity.reservoir
        rows.add(FillRow(stamp, name, fill.started_ms, volume_l, None, None, "interrupted", ended_ms))

    def _phase(self, one: _Reservoir, turn: Turn, rows: "_Rows") -> None:
        """Add the event of a new phase, and the fill that ended with it."""
        name, phase = one.plan.identity.reservoir, turn.state.phase
        sentence = phase_sentence(turn.before.phase, phase, turn.decision.missing)
        rows.add(EventRow(rows.stamp(), name, "phase", sentence))
        if phase in ACTIVE and one.fill is None:
            one.fill = RunningFill(rows.utc_ms, rows.utc_ms, None)
            # Only from the pulse count at the start can a later process count the whole fill.
            rows.durable = True
        elif phase not in ACTIVE and one.fill is not None:
            volume_l = turn.state.fill.volume_l if one.plan.identity.has_volume else None
            end = "full" if phase is Phase.IDLE else "trip"
            rows.add(FillRow(rows.stamp(), name, one.fill.started_ms, volume_l, None, None, end))
            # The counters of the complete fill are in the same write.
            rows.durable = True
            one.fill = None

    def _counters(
        self,
        one: _Reservoir,
        state: GuardState,
        accounts: Inventory,
        rows: "_Rows",
        now_s: float,
        wall_s: float,
    ) -> None:
        one.counters_at_s, one.stored_pulses = now_s, one.pulses
        if one.fill is not None:
            volume_l = state.fill.volume_l if one.plan.identity.has_volume else None
            one.fill = replace(one.fill, seen_ms=rows.utc_ms, volume_l=volume_l)
        moment = self.moment(now_s, wall_s)
        fill = one.fill or one.interrupted
        counters = saved_state.counters(
            state, accounts, one.plan.product, moment, one.pulses, fill, one.controller
        )
        # Comparing the counters before they become text saves 3 µs a scan in a campaign.
        if counters != one.counters:
            one.counters = counters
            one.counters_row = saved_state.accounts(one.plan.identity.reservoir, counters)
            rows.add(one.counters_row)

    def moment(self, now_s: float, wall_s: float) -> saved_state.Moment:
        """Return this moment on the monotonic clock and in the time of the log."""
        return saved_state.Moment(now_s, self._clock.now_ms(now_s, wall_s)[0] / 1000.0)


class _Rows:
    """The rows of one call, each with its own stamp. The event of a step of the clock is the first."""

    def __init__(self, clock: RecordClock, now_s: float, wall_s: float) -> None:
        self._clock = clock
        self._now_s, self._wall_s = now_s, wall_s
        self._rows: list[Row] = []
        self.durable = False
        self.utc_ms, step = clock.now_ms(now_s, wall_s)
        if step is not None:
            self._rows.append(EventRow(clock.numbered(self.utc_ms), "", "clock-step", step.sentence))
            self.utc_ms, _ = clock.now_ms(now_s, wall_s)

    def stamp(self) -> Stamp:
        """Return the stamp of the next row."""
        return self._clock.stamp(self._now_s, self._wall_s)[0]

    def add(self, row: Row) -> None:
        """Append a row."""
        self._rows.append(row)

    def written(self) -> Written:
        """Return all rows."""
        return Written(tuple(self._rows), self.durable)


def _latched_changed(before: GuardState, state: GuardState) -> bool:
    return (state.latches, state.alarms, state.hold) != (before.latches, before.alarms, before.hold)


def _forecast_row(stamp: Stamp, reservoir: str, outlook: Outlook) -> ForecastRow | None:
    """Return the figures of a forecast; None if there are none."""
    litres, days, cover = outlook.litres_left, outlook.days_left, outlook.cover
    if litres is None and days is None and cover is None:
        return None
    return ForecastRow(
        stamp,
        reservoir,
        None if litres is None else _finite(litres.median),
        None if litres is None else _finite(litres.low95),
        None if litres is None else _finite(litres.high95),
        None if days is None else _finite(days.median),
        None if days is None else _finite(days.low95),
        None if days is None else _finite(days.high95),
        outlook.order_now,
        None if cover is None else _finite(cover.days),
        outlook.rests_on,
    )


def _finite(value: float) -> float | None:
    """Return the figure to four digits; None for infinity."""
    return float(f"{value:.4g}") if abs(value) != float("inf") else None


class KeptLog(Protocol):
    """The part of the log that a keeper needs."""

    def restored(self, plan: StationPlan) -> Restored:
        """Return the state from which a station starts."""

    def feed_sampled(self, reservoir: str) -> float | None:
        """Return the newest sample of a reservoir's feed, µS/cm at 25 °C."""

    def learner(self, plan: StationPlan, accounts: Inventory) -> Learner:
        """Return the forecast from which a station starts."""

    def turn(self, reservoir: str, turn: Turn, on_disk: Callable[[bool], None] | None = None) -> None:
        """Write one scan to the log.

        Args:
            reservoir: The reservoir's id.
            turn: The scan.
            on_disk: Called once: with True when the durable rows are on the disk, at once if there are none;
                with False if the disk refuses them.
        """

    def event(self, event: StationEvent) -> None:
        """Write an event outside a scan to the log."""

    def accounts(self, reservoir: str, state: GuardState, inventory: Inventory) -> None:
        """Save the contents of the reservoir and the load of the purifier."""

    def learned(self, learner: Learner) -> None:
        """Save the state of a forecast."""
