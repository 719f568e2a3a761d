"""One reservoir for some time in virtual time: the bridge, the world, and the people and mishaps around them.

Everything comes from the seed. A step is long while nothing moves and nothing has happened for a while, and a
second while water flows, while bytes are on their way, and for :data:`FINE_AFTER_S` after everything that
happens: every wait of the guard that is not counted in flowing water is shorter than that.
"""

import random
from dataclasses import replace
from pathlib import Path as FilePath

from bridge.guard.commands import GuardCommand
from bridge.guard.model import Phase, Trip
from bridge.guard.state import AlarmChanged, Latched, Unlatched
from bridge.rig.faults import Fault, FaultName
from bridge.rig.rig import Rig
from bridge.rig.world import World
from bridge.simulate.chance import Event, Happening, begun_at, events_of, is_brutal
from bridge.simulate.checks import Checks
from bridge.simulate.filed import FiledJournal
from bridge.simulate.gardens import Garden, garden
from bridge.simulate.grower import Grower
from bridge.simulate.hub_hand import HubHand
from bridge.simulate.journal import Journal, MemoryJournal
from bridge.simulate.lives import Life, Saved
from bridge.simulate.outcome import Outcome, Task
from bridge.simulate.witness import Witness
from bridge.station import saved
from bridge.station.station import Station, StationEvent, Turn

FINE_AFTER_S = 66.0
# How many times less often a draw-off or a leak is looked at: with nothing in hand, and after a trip.
_UNDRIVEN, _UNDRIVEN_TRIPPED = 5.0, 30.0
_LAZY_S = 60.0
_START_S = 1_760_000_000.0
_EARLIEST_S = 1e6
_NEVER_S = float("inf")


class Year:
    """Runs one task; use :meth:`run` once, or :meth:`step` for a look in between."""

    def __init__(self, task: Task, events: list[Event] | None = None, place: Garden | None = None) -> None:
        """Build the world and start the bridge.

        Args:
            task: what to simulate.
            events: what happens, instead of what chance would bring.
            place: another garden than the one the task names.
        """
        self.task = task
        chance = random.Random(f"{task.seed}/start")
        here = place or garden(task.garden)
        scenario = replace(here.scenario, start_day=chance.randrange(1, 366))
        self.garden = replace(here, scenario=scenario)
        self.world = World(scenario, chance.randrange(1 << 30))
        controller = Witness(scenario.fittings.features)
        self.rig = Rig(self.world, controller)
        self.outcome = Outcome(task)
        self.checks = Checks(self.garden, self.rig, controller, self.outcome)
        self.life: Life | None = None
        plan = self.garden.plan
        self._journal: Journal = (
            MemoryJournal() if task.log is None else FiledJournal(plan, FilePath(task.log))
        )
        self._grower = Grower(task.seed, self.rig, self.send, self.inject)
        self._hand = HubHand(task.seed)
        self._chance = random.Random(f"{task.seed}/lives")
        self._ends_s = task.days * 86_400.0
        self._begins_s = task.begins_day * 86_400.0
        if events is None:
            events = events_of(task.seed, self._ends_s, self._begins_s) if task.faults else []
        self._events = events
        self._next_event = 0
        self._fine_until = 0.0
        self._wall_offset_s = _START_S
        self._broker_back_at = 0.0
        self._disk_back_at = self._restart_at = _NEVER_S
        self._kept: Saved | None = None
        self._accounts_at = self._kept_utc_s = 0.0
        self._tripped = False
        self._begin()

    # --- the run --------------------------------------------------------------------------------------

    def run(self) -> Outcome:
        """Simulate the span to its end, or to the fifth violation."""
        outcome = self.outcome
        while self.rig.line_s < self._ends_s and not outcome.ended_early:
            self.step()
        self.checks.detection.finished()
        outcome.rows, complaints = self._journal.finish()
        for sentence in complaints:
            self.checks.violated(sentence)
        outcome.tallies = self.checks.detection.tallies
        outcome.entered = self.checks.waters.entered
        outcome.let_in_l = self.world.reservoir.inflow.litres
        return outcome

    def step(self) -> None:
        """One step of the whole: time passes, the bridge has its turn, people act, everything is judged."""
        rig, world = self.rig, self.world
        driven, active, before_s = world.driven, world.plan.active, rig.line_s
        data = rig.advance(before_s + self._step_s())
        self.outcome.steps += 1
        now_s = rig.line_s
        seconds = now_s - before_s
        if world.plan.active is not active:
            self._look_closely(FINE_AFTER_S)
        self.checks.passed(driven, seconds, active)
        life = self.life
        if life is not None:
            life.turn(data)
            self.checks.judge.silence(now_s)
        self._happen(now_s)
        if life is not None and life is self.life:
            self._press(life, now_s)
        if self._grower.next_s <= now_s:
            self._grower.act(now_s, self._station, self.clock)
        self.checks.verdict(driven, seconds, self._station)

    def send(self, command: GuardCommand) -> str | None:
        """A person's command: None, or the sentence that refuses it."""
        if self.life is None:
            return "the bridge is not running."
        self.checks.commanding()
        refusal = self.life.command(command)
        self.checks.commanded(command, refusal is None)
        return refusal

    @property
    def _station(self) -> Station | None:
        return None if self.life is None else self.life.station

    def clock(self) -> float:
        """The monotonic clock of the bridge that runs; 0 while none does."""
        return 0.0 if self.life is None else self.life.now

    @property
    def _wall_s(self) -> float:
        return self.rig.line_s + self._wall_offset_s

    def _look_closely(self, seconds: float) -> None:
        """Take short steps for so long."""
        self._fine_until = max(self._fine_until, self.rig.line_s + seconds)

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
            # Of many frames some arrive; of one at the end of a long step perhaps none.
            return False
        # Without frames the seconds count until the link is lost, and not after that.
        return life.heard_reading or any(latch.trip is Trip.LINK_LOST for latch in state.latches)

    def _is_brutal(self, now_s: float) -> bool:
        return self.task.faults and is_brutal(now_s + self._begins_s)

    # --- what happens ---------------------------------------------------------------------------------

    def _happen(self, now_s: float) -> None:
        if now_s >= self._restart_at:
            self._begin()
        if now_s >= self._disk_back_at:
            self._disk_back_at = _NEVER_S
            self._journal.disk_full(False)
        events = self._events
        while self._next_event < len(events) and events[self._next_event].at_s <= now_s:
            event = events[self._next_event]
            self._next_event += 1
            if event.fault is not None:
                if event.fault.name not in self.world.plan.active:
                    self.inject(begun_at(event, now_s))
            elif event.happening is not None:
                self._befall(event, event.happening, now_s)

    def _befall(self, event: Event, what: Happening, now_s: float) -> None:
        match what:
            case Happening.POWER_CUT | Happening.KILLED:
                if self.life is None:
                    return
                self._journal.power_cut()
                self._disk_back_at = _NEVER_S
                self.checks.died()
                self.life = None
                self._restart_at = now_s + event.size
            case Happening.BROKER_GONE:
                self._broker_back_at = max(self._broker_back_at, now_s + event.size)
            case Happening.CLOCK_STEP:
                self._wall_offset_s = max(_EARLIEST_S - now_s, self._wall_offset_s + event.size)
            case Happening.DISK_FULL:
                if self.life is None:
                    return
                self._disk_back_at = now_s + event.size
                self._journal.disk_full(True)
            case Happening.DRAW:
                self.world.draw(event.size)
            case Happening.COMMAND:
                if self.life is None or now_s < self._broker_back_at:
                    return
                self.send(self._hand.any_command(self.clock()))
        counts = self.outcome.happenings
        counts[what.value] = counts.get(what.value, 0) + 1

    def _begin(self) -> None:
        """Start the bridge, with what the last one kept."""
        line_s = self.rig.line_s
        offset_s = self._chance.uniform(0.0, 1e5)
        self._restart_at = _NEVER_S
        self._journal.start(line_s + offset_s, self._wall_s)
        utc_s = self._journal.utc_s(line_s + offset_s, self._wall_s)
        # The bridge knows its ages by the stamps of its log; the judge knows how time really passed.
        self.checks.born(
            0.0 if self._kept is None else utc_s - self._kept_utc_s - (line_s - self._accounts_at)
        )
        self.life = Life(
            self.garden.plan,
            self.rig,
            offset_s,
            self._kept,
            utc_s,
            on_event=self._on_event,
            on_sent=self.checks.sent,
            on_heard=self.checks.heard,
            on_turn=self._on_turn,
        )
        self._look_closely(FINE_AFTER_S)
        if self._kept is None:
            station = self.life.station
            moment = saved.Moment(self.life.now, utc_s)
            accounts = saved.accounts(station.state, station.memory.inventory, moment)
            self._keep(saved.latched(station.state, moment), accounts, utc_s)

    def _press(self, life: Life, now_s: float) -> None:
        tripped, self._tripped = self._tripped, False
        if now_s >= self._broker_back_at and self._is_brutal(now_s):
            for command in self._hand.at_the_worst_moment(life.station, tripped, life.now):
                self.send(command)

    def inject(self, fault: Fault) -> None:
        """Let a fault begin now."""
        self.checks.detection.injected(fault, self._station)
        self.world.inject(fault)
        self._look_closely(FINE_AFTER_S)

    # --- what the bridge tells --------------------------------------------------------------------------

    def _on_turn(self, turn: Turn) -> None:
        """Keep what a restart needs, as the daemon does: what is latched at once, the rest now and then."""
        self._journal.turn(turn, self._wall_s)
        state, before = turn.state, turn.before
        kept = self._kept
        if kept is None:
            return
        latched = state.latches, state.alarms, state.hold
        changed = latched != (before.latches, before.alarms, before.hold)
        due = state.phase is not before.phase or self.rig.line_s - self._accounts_at >= _LAZY_S
        if changed or due:
            moment = saved.Moment(turn.now, self._journal.utc_s(turn.now, self._wall_s))
            self._keep(
                saved.latched(state, moment) if changed else kept.latched,
                saved.accounts(state, turn.memory.inventory, moment) if due else kept.accounts,
                moment.utc_s if due else None,
            )

    def _keep(self, latched: bytes, accounts: bytes, accounts_utc_s: float | None) -> None:
        self._kept = Saved(latched, accounts)
        if accounts_utc_s is not None:
            self._accounts_at = self.rig.line_s
            self._kept_utc_s = accounts_utc_s

    def _on_event(self, event: StationEvent) -> None:
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
        elif isinstance(happened, AlarmChanged) and happened.after == "unacknowledged":
            name = happened.alarm.value
            counts.alarms[name] = counts.alarms.get(name, 0) + 1
            if not self.task.faults:
                self.checks.raised(happened)


def simulate(task: Task) -> Outcome:
    """Run one task: the function that a worker process calls."""
    return Year(task).run()
