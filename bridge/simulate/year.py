"""Simulates one reservoir in virtual time: the bridge, the world, the people, and the mishaps.

The seed determines the whole run. A step is long while nothing moves and no event is recent. A step is one
second while water flows, while bytes are on the line, and for :data:`FINE_AFTER_S` after each event. Every
timer of the guard that does not count flowing water is shorter than :data:`FINE_AFTER_S`.
"""

import json
import random
from collections import deque
from dataclasses import replace
from pathlib import Path as FilePath

from bridge.clock import VirtualClock
from bridge.daemon import saved_state
from bridge.daemon.log_policy import COUNTERS_S
from bridge.guard.commands import GuardCommand
from bridge.guard.model import Phase, Trip
from bridge.guard.state import AlarmChanged, Latched, Unlatched
from bridge.history.records import StateRow
from bridge.rig.faults import Fault, FaultName
from bridge.rig.rig import Rig
from bridge.rig.world import World
from bridge.simulate.accounts import Witness
from bridge.simulate.checks import Checks
from bridge.simulate.filed import FileDisk
from bridge.simulate.gardens import Garden, garden, with_cartridge
from bridge.simulate.instruments import EXACT_INSTRUMENTS, fitted, recalibrated
from bridge.simulate.life import Life
from bridge.simulate.log import COMMIT_S, WRITEBACK_S, Disk, MemoryDisk, SimulatedLog
from bridge.simulate.mishaps import CELL_FAULTS, Event, Happening, begun_at, events_of, is_brutal
from bridge.simulate.outcome import Outcome, Task
from bridge.simulate.people import WORN, Audience, Carrier, Grower, HubHand, HubLog
from bridge.station.events import StationEvent
from bridge.station.station import Station, Turn
from bridge.station.view import StationView

FINE_AFTER_S = 66.0
# The step during a draw-off or a leak is longer by this factor: while the station is idle, and after a trip.
_UNDRIVEN, _UNDRIVEN_TRIPPED = 5.0, 30.0
_START_S = 1_760_000_000.0
_SEASON_S, _SEASON_DAY = 1_775_001_600.0, 91
"""1 April 2026, UTC: a log in a file begins with a growing season, on the day of its weather."""
_SEASON_CARTRIDGE_G, _SEASON_WORN = 110.0, 0.65
"""A small cartridge, so that eight weeks in a file have a change of it. One fill takes up a quarter of it."""
_EARLIEST_S = 1e6
_JUDGE_EVERY_S = 600.0
_DAY_S = 86_400.0
_CALIBRATES_S = 20.0
"""The bridge is stopped for this long when its cell is calibrated."""
_NEVER_S = float("inf")


class Year:
    """Runs one task. Call :meth:`run` once, or call :meth:`step` to inspect the state between steps."""

    def __init__(self, task: Task, events: list[Event] | None = None, place: Garden | None = None) -> None:
        """Build the world and start the bridge.

        Args:
            task: The task to simulate.
            events: The events of the run. Without them, the seed determines the events.
            place: The garden. Without one, the task names the garden.
        """
        self.task = task
        chance = random.Random(f"{task.seed}/start")
        here, instruments = place, EXACT_INSTRUMENTS
        start_day = chance.randrange(1, 366)
        if here is None:
            chosen = garden(task.garden)
            if task.log is not None:
                chosen, start_day = with_cartridge(chosen, _SEASON_CARTRIDGE_G), _SEASON_DAY
            here, instruments = fitted(chosen, task.seed)
        scenario = replace(here.scenario, start_day=start_day)
        self.garden = replace(here, scenario=scenario)
        self.world = World(scenario, chance.randrange(1 << 30))
        controller = Witness(scenario.fittings.features)
        self.rig = Rig(self.world, controller)
        self.outcome = Outcome(task)
        self.checks = Checks(self.garden, self.rig, controller, self.outcome)
        self.life: Life | None = None
        plan = self.garden.plan
        name = plan.identity.reservoir
        self._disk: Disk = MemoryDisk() if task.log is None else FileDisk(name, FilePath(task.log))
        self._hub_log = HubLog(self.checks.violated)
        self._audience = Audience(self._disk, name, self.checks.violated)
        self._log: SimulatedLog | None = None
        self._grower = Grower(
            task.seed,
            self.rig,
            self.send,
            self.inject,
            instruments.meter,
            keeps_records=instruments.keeps_records or task.log is not None,
            worn=WORN if task.log is None else _SEASON_WORN,
        )
        self._true_samples = instruments.honest_hub or not task.faults
        self._hand = HubHand(task.seed, self._grower.sampled_ppm if instruments.honest_hub else None)
        self._standards = random.Random(f"{task.seed}/standards")
        self._chance = random.Random(f"{task.seed}/lives")
        self._ends_s = task.days * 86_400.0
        self._begins_s = task.begins_day * 86_400.0
        if events is None:
            events = events_of(task.seed, self._ends_s, self._begins_s) if task.faults else []
        if instruments.calibrates_at is not None:
            at_s = instruments.calibrates_at * self._ends_s
            visit = Event(at_s, happening=Happening.CALIBRATED, size=_CALIBRATES_S)
            events = sorted([*events, visit], key=lambda event: event.at_s)
        self._events = events
        self._next_event = 0
        self._fine_until = 0.0
        self._wall_offset_s = _START_S if task.log is None else _SEASON_S
        self._broker_back_at = 0.0
        self._disk_back_at = self._restart_at = _NEVER_S
        self._counters: deque[tuple[StateRow, float, float]] = deque(maxlen=64)
        """The counters passed to the log, each with its time in line seconds and in the time of the log."""
        self._tripped = False
        self._offset_s = 0.0
        self._judged_s = 0.0
        self._begin()

    # --- the run --------------------------------------------------------------------------------------

    def run(self) -> Outcome:
        """Simulate the span to its end, or to the fifth violation."""
        outcome = self.outcome
        while self.rig.line_s < self._ends_s and not outcome.ended_early:
            self.step()
        self.end()
        return outcome

    def end(self) -> None:
        """Check the disk, the outbox and the tallies at the end of the span."""
        outcome = self.outcome
        self.checks.detection.finished()
        if self.life is not None:
            self.life.settle(1.0)
        outcome.rows, complaints = self._disk.finish()
        for sentence in complaints:
            self.checks.violated(sentence)
        lost = self._disk.acknowledged - self._hub_log.rows
        if lost > 0:
            self.checks.violated(f"{lost} records left the outbox, and the hub's log does not have them")
        outcome.tallies = self.checks.detection.tallies
        outcome.entered = self.checks.waters.entered
        outcome.let_in_l = self.world.reservoir.inflow.litres

    def step(self) -> None:
        """Run one step: advance the time, run the bridge, let the people act, and check the result."""
        rig, world = self.rig, self.world
        step_s = self._settled_step_s()
        driven, active, before_s = world.driven, world.plan.active, rig.line_s
        data = rig.advance(before_s + step_s)
        self.outcome.steps += 1
        now_s = rig.line_s
        seconds = now_s - before_s
        if world.plan.active is not active:
            self._look_closely(FINE_AFTER_S)
        self.checks.passed(driven, seconds, active)
        life = self.life
        if life is not None:
            life.turn(now_s + self._offset_s, data)
            self.checks.judge.silence(now_s)
            self._audience.passed(life.now)
            if now_s >= self._judged_s + _JUDGE_EVERY_S:
                self._judged_s = now_s
                self.checks.intervals(life.station, true_samples=self._true_samples)
        self._happen(now_s)
        if life is not None and life is self.life:
            self._press(life, now_s)
        if self._grower.next_s <= now_s:
            self._grower.act(now_s, self.station, self.clock)
        self.checks.verdict(driven, seconds, self.station)

    def send(self, command: GuardCommand) -> str | None:
        """Send a person's command. Returns None if it is accepted, otherwise the sentence that refuses it."""
        if self.life is None:
            return "the bridge is not running."
        self.checks.commanding()
        refusal = self.life.command(command)
        self.checks.commanded(command, refusal is None)
        return refusal

    @property
    def station(self) -> Station | None:
        """The station of the running bridge, or None while no bridge runs."""
        return None if self.life is None else self.life.station

    def clock(self) -> float:
        """Return the monotonic time of the running bridge, or 0 while no bridge runs."""
        return 0.0 if self.life is None else self.life.now

    def _look_closely(self, seconds: float) -> None:
        """Take short steps for this many seconds."""
        self._fine_until = max(self._fine_until, self.rig.line_s + seconds)

    def _settled_step_s(self) -> float:
        """Let the bridge finish its deferred work. Returns the length of the next step."""
        life = self.life
        if life is None:
            return self._step_s()
        step_s = self._step_s()
        settled_s, acted = life.settle(step_s)
        # Asking again only then saves 1 µs a step.
        if acted:
            step_s = max(settled_s, self._step_s())
        if step_s <= self.task.fine_s:
            # The bridge acts when its timers are due. In a long step, no timer changes the result.
            step_s = min(step_s, settled_s + max(1e-3, life.next_due_in_s))
        return step_s

    def _step_s(self) -> float:
        now_s, fine_s = self.rig.line_s, self.task.fine_s
        events = self._events
        due_s = min(
            self._ends_s,
            self._restart_at,
            self._grower.next_s,
            events[self._next_event].at_s if self._next_event < len(events) else _NEVER_S,
        )
        if now_s >= self._fine_until and self._is_settled():
            tripped = self.life is not None and self.life.station.state.phase is Phase.TRIPPED
            undriven = _UNDRIVEN_TRIPPED if tripped else _UNDRIVEN
            step_s = self.rig.longest_step_s(self.task.coarse_s, undriven * fine_s)
        else:
            step_s = min(fine_s, self.rig.longest_step_s(fine_s, fine_s))
        return max(1e-3, min(step_s, due_s - now_s))

    def _is_settled(self) -> bool:
        life = self.life
        if life is None:
            return True
        state = life.station.state
        if state.phase is Phase.RINSE or state.phase is Phase.FILL:
            return False
        if FaultName.LINK_NOISE in self.world.plan.active:
            # Noise damages some frames. A long step has one frame only, and that frame may be lost.
            return False
        # Without frames, the guard counts the seconds until the trip link-lost, and none after it.
        return life.heard_reading or any(latch.trip is Trip.LINK_LOST for latch in state.latches)

    def _is_brutal(self, now_s: float) -> bool:
        return self.task.faults and is_brutal(now_s + self._begins_s)

    # --- events ---------------------------------------------------------------------------------------

    def _happen(self, now_s: float) -> None:
        if now_s >= self._restart_at:
            self._begin()
        if now_s >= self._disk_back_at:
            self._disk_back_at = _NEVER_S
            self._disk.full(False)
        # An event can plan another one, which makes a new list.
        while self._next_event < len(self._events) and self._events[self._next_event].at_s <= now_s:
            event = self._events[self._next_event]
            self._next_event += 1
            if event.fault is not None:
                if event.fault.name not in self.world.plan.active:
                    self.inject(begun_at(event, now_s))
            elif event.happening is not None:
                self.befall(event)
            elif event.command is not None:
                self.send(event.command(self.clock()))

    def plan(self, at_s: float) -> None:
        """Let a step end at this time, so that the caller can act then."""
        self._happens_at(at_s, Event(at_s))

    def _happens_at(self, at_s: float, event: Event) -> None:
        ahead = [*self._events[self._next_event :], replace(event, at_s=at_s)]
        self._events = sorted(ahead, key=lambda one: one.at_s)
        self._next_event = 0

    @property
    def looks_closely(self) -> bool:
        """Whether an event is so recent that a timer of the guard that does not count flow may run."""
        return self.rig.line_s < self._fine_until

    @property
    def trip_waits(self) -> bool:
        """Whether a trip was not shown to people yet."""
        return self._audience.waits

    @property
    def next_event_s(self) -> float:
        """The time of the next event, of a person's next act or of the end of a fault, line seconds."""
        planned = (event.at_s for event in self._events[self._next_event :] if event.is_any)
        return min(
            min(planned, default=_NEVER_S),
            self._restart_at,
            self._disk_back_at,
            self._grower.next_s,
            self.world.plan.next_change_s,
        )

    def befall(self, event: Event) -> None:
        """Apply the happening of an event now."""
        what, now_s = event.happening, self.rig.line_s
        assert what is not None, "an event of the world is a fault or a happening"
        match what:
            case Happening.POWER_CUT | Happening.KILLED:
                if self.life is None:
                    return
                self._die(power_cut=what is Happening.POWER_CUT)
                self._restart_at = now_s + event.size
            case Happening.CALIBRATED:
                if self.life is None or CELL_FAULTS & self.world.plan.active.keys():
                    self._happens_at(now_s + _DAY_S, event)
                    return
                self._die(power_cut=False)
                error, at_s = self.world.sensors.product_error, self.world.time_s
                self.garden = recalibrated(self.garden, self._standards, error, at_s)
                self.checks.recalibrated(self.garden)
                self._restart_at = now_s + event.size
            case Happening.BROKER_GONE:
                self._broker_back_at = max(self._broker_back_at, now_s + event.size)
            case Happening.CLOCK_STEP:
                before_s = self._wall_offset_s
                self._wall_offset_s = max(_EARLIEST_S - now_s, before_s + event.size)
                if self.life is not None:
                    self.life.clock.step_wall(self._wall_offset_s - before_s)
            case Happening.DISK_FULL:
                if self.life is None:
                    return
                self._disk_back_at = now_s + event.size
                self._disk.full(True)
            case Happening.DRAW:
                self.world.draw(event.size)
            case Happening.COMMAND:
                if self.life is None or now_s < self._broker_back_at:
                    return
                self.send(self._hand.any_command(self.clock()))
        counts = self.outcome.happenings
        counts[what.value] = counts.get(what.value, 0) + 1

    def _begin(self) -> None:
        """Start the bridge with the state that the last bridge saved."""
        line_s, plan = self.rig.line_s, self.garden.plan
        whole = not self.task.station_only
        self._offset_s = self._chance.uniform(0.0, 1e5)
        self._restart_at = _NEVER_S
        clock = VirtualClock(line_s + self._offset_s, line_s + self._wall_offset_s)
        log = self._log = SimulatedLog(
            plan, clock, self._disk, self._on_turn, self._on_counters, self.checks.violated, whole
        )
        utc_s = log.utc_s
        # The bridge computes ages from the time stamps in its log. The judge uses the true time.
        kept = self._kept_at()
        self.checks.born(0.0 if kept is None else utc_s - kept[1] - (line_s - kept[0]))
        self._audience.began()
        self.life = Life(
            plan,
            self.rig,
            clock,
            log,
            self.checks,
            self._on_view,
            self._on_event,
            whole=whole and not self.task.short,
        )
        if whole:
            carrier = Carrier(clock, self._disk, self._hub_log, self._has_broker)
            log.on_entry = carrier.entry
        self._look_closely(FINE_AFTER_S)
        self.checks.restored(self.life.station.memory.inventory.load.treated_l)
        if kept is None:
            self.life.keeper.save_accounts()

    def _has_broker(self) -> bool:
        return self.rig.line_s >= self._broker_back_at

    def _die(self, *, power_cut: bool) -> None:
        """End the bridge."""
        assert self.life is not None, "only a bridge that runs can die"
        full = self._disk.is_full
        treated_l = None if full else self.life.station.memory.inventory.load.treated_l
        lost_s = COUNTERS_S + COMMIT_S + self.task.fine_s + (WRITEBACK_S if power_cut else 0.0)
        self.checks.counted(treated_l, lost_s)
        self._disk.dies(power_cut)
        self._disk_back_at = _NEVER_S
        kept = self._disk.recent(saved_state.latched_key(self.garden.plan.identity.reservoir))
        on_disk = json.loads(kept[-1].text) if kept else None
        # A full disk keeps nothing new, which the bridge reports. A hold of that time is lost with it.
        hold = on_disk is not None and bool(on_disk["hold"])
        trips = set() if on_disk is None else {entry[0] for entry in on_disk["latches"]}
        self.checks.died(trips, hold if full else None)
        self.life = None

    def _kept_at(self) -> tuple[float, float] | None:
        """Return the time at which the counters on the disk were saved: line seconds, and log time."""
        kept = self._disk.recent(saved_state.accounts_key(self.garden.plan.identity.reservoir))
        for row, line_s, utc_s in reversed(self._counters):
            if kept and row == kept[-1]:
                return line_s, utc_s
        return None

    def _press(self, life: Life, now_s: float) -> None:
        tripped, self._tripped = self._tripped, False
        if now_s >= self._broker_back_at and self._is_brutal(now_s):
            for command in self._hand.at_the_worst_moment(life.station, tripped, life.now):
                self.send(command)

    def inject(self, fault: Fault) -> None:
        """Start a fault now."""
        self.checks.detection.injected(fault, self.station)
        self.world.inject(fault)
        self._look_closely(FINE_AFTER_S)

    # --- what the bridge reports ------------------------------------------------------------------------

    def _on_turn(self, turn: Turn) -> None:
        self._audience.turned(turn)
        for event in turn.events:
            self._happened(event)

    def _on_counters(self, row: StateRow, utc_s: float) -> None:
        """Record the counters that were passed to the log, with the time of the log."""
        self._counters.append((row, self.rig.line_s, utc_s))

    def _on_view(self, view: StationView) -> None:
        self._audience.view(view)

    def _on_event(self, event: StationEvent) -> None:
        """Take short steps after an event on the hub. Events of a scan were counted with the scan."""
        if event.guard is None and not event.id.startswith("command-"):
            self._look_closely(FINE_AFTER_S)

    def _happened(self, event: StationEvent) -> None:
        happened = event.guard
        self._look_closely(1.0 if event.id.startswith("command-") else FINE_AFTER_S)
        counts = self.outcome
        if isinstance(happened, Latched):
            self._tripped = self.checks.new_fill = True
            name = happened.trip.value
            counts.trips[name] = counts.trips.get(name, 0) + 1
            now_s = self.rig.line_s
            self._grower.alarmed(now_s, brutal=self._is_brutal(now_s))
        elif isinstance(happened, Unlatched):
            self.checks.judge.ledger.unlatched()
            self._audience.reset(happened.trip.value)
        elif isinstance(happened, AlarmChanged) and happened.after == "unacknowledged":
            name = happened.alarm.value
            counts.alarms[name] = counts.alarms.get(name, 0) + 1
            if not self.task.faults:
                self.checks.raised(happened)


def simulate(task: Task) -> Outcome:
    """Run one task. A worker process calls this function."""
    return Year(task).run()
