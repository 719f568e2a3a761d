"""One reservoir for one year, or for any span, in virtual time: the bridge, the world, and what judges them.

Everything comes from the seed. A step is long while nothing moves and nothing has happened for a while, and a
second while water flows, while bytes are on their way, and for :data:`FINE_AFTER_S` after everything that
happens: every wait of the guard that is not counted in flowing water is shorter than that.
"""

import random
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

from bridge.guard.commands import CartridgeChanged, GuardCommand, Hold, ReservoirSample, Reset, Retest
from bridge.guard.state import AlarmChanged, Latched, Unlatched
from bridge.guard.words import Advisory, Phase, Trip
from bridge.rig.faults import Fault, FaultName
from bridge.rig.rig import Rig
from bridge.rig.world import World
from bridge.simulate.chance import Event, Happening, begun_at, events_of, is_brutal
from bridge.simulate.detection import Detection, Tally
from bridge.simulate.gardens import Garden, garden
from bridge.simulate.grower import Grower
from bridge.simulate.hazards import hazards
from bridge.simulate.hub_hand import HubHand
from bridge.simulate.journal import Journal, MemoryJournal
from bridge.simulate.judge import Judge
from bridge.simulate.lives import Life, Saved, save
from bridge.simulate.waters import Entered, Waters
from bridge.simulate.witness import Witness, same
from bridge.station import StationEvent
from bridge.wire.messages import Close, FromBridge, FromController, Lease, Path, Reading

FINE_AFTER_S = 66.0
_HEARS_AFTER_S = 5.0
_LINKS = frozenset({FaultName.LINK_NOISE, FaultName.LINK_CUT, FaultName.LINK_LAG})
_LAZY_S = 60.0
_LONGEST_LAG_S = 4.0
"""Two seconds at the highest severity that is drawn."""
_LINE_RECOVERS_S = 15.0
_MOST_VIOLATIONS = 5
_BREAKS_THROUGH = 0.9
"""From this share of its capacity on a bed may honestly let more through than is advised."""
_EPOCH_S = 1_760_000_000.0


@dataclass(frozen=True, slots=True)
class Task:
    """One span of one reservoir."""

    seed: str
    garden: str
    days: float
    faults: bool
    fine_s: float = 1.0
    """The step while water flows."""
    coarse_s: float = 240.0
    """The longest step while nothing moves."""


@dataclass(frozen=True, slots=True)
class Violation:
    """Something that must never happen, and where to find it again."""

    seed: str
    garden: str
    step: int
    time_s: float
    sentence: str


@dataclass(slots=True)
class Outcome:
    """What one span showed."""

    task: Task
    steps: int = 0
    violations: list[Violation] = field(default_factory=list)
    tallies: dict[str, Tally] = field(default_factory=dict)
    happenings: dict[str, int] = field(default_factory=dict)
    trips: dict[str, int] = field(default_factory=dict)
    alarms: dict[str, int] = field(default_factory=dict)
    entered: Entered = field(default_factory=Entered)
    fills: int = 0
    let_in_l: float = 0.0
    rows: int = 0
    shut_after_death_s: float = 0.0
    """Longest time for which the valve stayed open after the bridge had died."""
    most_ppm: float = 0.0
    """Highest true dissolved solids of the reservoir."""


class Year:
    """Runs one task; use :meth:`run` once."""

    def __init__(self, task: Task, journal: Journal | None = None, events: list[Event] | None = None) -> None:
        """Build the world and start the bridge; ``events`` instead of chance, for a scenario of one's own."""
        self.task = task
        self._garden: Garden = garden(task.garden)
        chance = random.Random(f"{task.seed}/start")
        scenario = replace(self._garden.scenario, start_day=chance.randrange(1, 366))
        self._garden = replace(self._garden, scenario=scenario)
        self.world = World(scenario, chance.randrange(1 << 30))
        self.controller = Witness(scenario.fittings.features)
        self.rig = Rig(self.world, self.controller)
        self.outcome = Outcome(task)
        self._journal: Journal = journal or MemoryJournal()
        self._judge = Judge(self._garden, 0.0)
        self._waters = Waters(self._garden, self.world)
        fit = scenario.fittings
        table = hazards(
            self._garden.plan.limits,
            self._garden.plan.product.watch,
            self._garden.plan.identity.has_volume,
            fit.flow_l_min / 60.0,
            0.5 * fit.leak_l_min / 60.0,
        )
        self._detection = Detection(table, self.world)
        self._grower = Grower(task.seed, self.rig, self._send, self._inject)
        self._hand = HubHand(task.seed)
        self._chance = random.Random(f"{task.seed}/lives")
        seconds = task.days * 86_400.0
        self._events = events if events is not None else events_of(task.seed, seconds, faults=task.faults)
        self._next_event = 0
        self._ends_s = seconds
        self._fine_until = FINE_AFTER_S
        self._wall_offset_s = _EPOCH_S
        self._broker_back_at = self._disk_back_at = 0.0
        self._died_at: float | None = None
        self._last_death_s = -1e9
        self._born_s = 0.0
        self._restart_at = float("inf")
        self._saved: Saved | None = None
        self._saved_at = 0.0
        self._tripped = self._new_fill = self._urgent_save = False
        self._disturbed_until = 0.0
        self._forbidden_since: float | None = None
        self._last_lease_s = -1e9
        self._commanding = False
        self._asked_for: list[Path] = []
        self.life: Life | None = None
        self._begin()

    # --- the run --------------------------------------------------------------------------------------

    def run(self) -> Outcome:
        """Simulate the span to its end, or to the fifth violation."""
        rig, outcome = self.rig, self.outcome
        while rig.line_s < self._ends_s and len(outcome.violations) < _MOST_VIOLATIONS:
            self.step()
        self._detection.finished()
        for sentence in self._journal.complaints():
            self._violated(sentence)
        outcome.tallies = self._detection.tallies
        outcome.entered = self._waters.entered
        outcome.let_in_l = self.world.reservoir.inflow.litres
        return outcome

    def step(self) -> None:
        """One step of the whole: time passes, the bridge has its turn, people act, everything is judged."""
        rig, outcome = self.rig, self.outcome
        driven = self.world.driven
        before_s = rig.line_s
        active = self.world.plan.active
        data = rig.advance(before_s + self._step_s())
        outcome.steps += 1
        now_s = rig.line_s
        if self.world.plan.active is not active:
            self._look_closely(FINE_AFTER_S)
        self._notice_line(active, now_s)
        self._judge.passed(driven, now_s - before_s, now_s)
        life = self.life
        if life is not None:
            life.turn(data)
            self._judge.silence(now_s)
            if self._urgent_save:
                self._save(now_s)
        self._happen(now_s)
        if life is not None and life is self.life:
            self._press(life, now_s)
            if now_s - self._saved_at >= _LAZY_S:
                self._save(now_s)
        if self._grower.next_s <= now_s:
            station = None if self.life is None else self.life.station
            self._grower.act(now_s, station, self._clock)
        self._check(driven, now_s - before_s, now_s)

    def _step_s(self) -> float:
        now_s = self.rig.line_s
        fine_s = self.task.fine_s
        due_s = min(
            self._ends_s,
            self._restart_at,
            self._grower.next_s,
            self._events[self._next_event].at_s if self._next_event < len(self._events) else self._ends_s,
        )
        step_s = fine_s
        if now_s >= self._fine_until and self._is_settled():
            latched = self.life is not None and self.life.station.state.phase is Phase.TRIPPED
            step_s = self.rig.longest_step_s(self.task.coarse_s, (30.0 if latched else 5.0) * fine_s)
        else:
            step_s = min(fine_s, self.rig.longest_step_s(fine_s, fine_s))
        return max(1e-3, min(step_s, due_s - now_s))

    def _is_settled(self) -> bool:
        life = self.life
        if life is None:
            return True
        phase = life.station.state.phase
        if phase is Phase.RINSE or phase is Phase.FILL:
            return False
        if FaultName.LINK_NOISE in self.world.plan.active:
            # Of many frames some arrive; of one at the end of a long step perhaps none.
            return False
        # Without frames the seconds count until the link is lost, and not after that.
        return life.heard_reading or any(latch.trip is Trip.LINK_LOST for latch in life.station.state.latches)

    # --- what happens ---------------------------------------------------------------------------------

    def _happen(self, now_s: float) -> None:
        if now_s >= self._restart_at:
            self._begin()
        if self._disk_back_at and now_s >= self._disk_back_at:
            self._disk_back_at = 0.0
            self._journal.disk_full(False)
        events = self._events
        while self._next_event < len(events) and events[self._next_event].at_s <= now_s:
            event = events[self._next_event]
            self._next_event += 1
            if event.fault is not None:
                if event.fault.name not in self.world.plan.active:
                    self._inject(begun_at(event, now_s))
            elif event.happening is not None:
                self._befall(event, event.happening, now_s)

    def _befall(self, event: Event, what: Happening, now_s: float) -> None:
        counts = self.outcome.happenings
        match what:
            case Happening.POWER_CUT | Happening.KILLED:
                if self.life is None:
                    return
                if what is Happening.KILLED:
                    self._save(now_s)
                self._journal.power_cut()
                self.life = None
                self._died_at = self._last_death_s = now_s
                self._restart_at = now_s + event.size
            case Happening.BROKER_GONE:
                self._broker_back_at = max(self._broker_back_at, now_s + event.size)
            case Happening.CLOCK_STEP:
                self._wall_offset_s = max(1e6 - now_s, self._wall_offset_s + event.size)
            case Happening.DISK_FULL:
                self._disk_back_at = now_s + event.size
                self._journal.disk_full(True)
            case Happening.DRAW:
                self.world.draw(event.size)
            case Happening.COMMAND:
                if self.life is None or now_s < self._broker_back_at:
                    return
                self._send(self._hand.any_command(self._clock()))
        counts[what.value] = counts.get(what.value, 0) + 1

    def _begin(self) -> None:
        now_s = self.rig.line_s
        self._restart_at = float("inf")
        self._journal.start()
        if self._died_at is not None:
            # The new life's clocks go on from what was saved, not from the death.
            self._judge.restarted(now_s, now_s - self._saved_at)
            self._died_at = None
        self.life = Life(
            self._garden.plan,
            self.rig,
            self._chance.uniform(0.0, 1e5),
            self._saved,
            on_event=self._on_event,
            on_sent=self._on_sent,
            on_heard=self._on_heard,
        )
        self._new_fill = True
        self._born_s = now_s
        self._forbidden_since = None
        self._look_closely(FINE_AFTER_S)
        self._save(now_s)

    def _save(self, now_s: float) -> None:
        if self.life is not None:
            self._saved = save(self.life.station, self.life.now)
            self._saved_at = now_s
            self._urgent_save = False

    def _press(self, life: Life, now_s: float) -> None:
        tripped, self._tripped = self._tripped, False
        if not self.task.faults or now_s < self._broker_back_at or not is_brutal(now_s):
            return
        for command in self._hand.at_the_worst_moment(life.station, tripped, life.now):
            self._send(command)

    def _inject(self, fault: Fault) -> None:
        self._detection.injected(fault, None if self.life is None else self.life.station)
        self.world.inject(fault)
        self._look_closely(FINE_AFTER_S)

    def _look_closely(self, seconds: float) -> None:
        """Take short steps for so long."""
        self._fine_until = max(self._fine_until, self.rig.line_s + seconds)

    def _clock(self) -> float:
        return 0.0 if self.life is None else self.life.now

    def _send(self, command: GuardCommand) -> str | None:
        """A person's command; what is accepted changes what the judge knows, too."""
        life, now_s = self.life, self.rig.line_s
        if life is None:
            return "the bridge is not running."
        self._commanding = True
        refusal = life.command(command)
        self._commanding = False
        self._save(now_s)
        if refusal is None:
            judge = self._judge
            match command:
                case Hold(on=on):
                    judge.hold = on
                case CartridgeChanged() | Retest():
                    judge.remedied()
                case ReservoirSample(ppm=ppm):
                    judge.ledger.sampled(ppm)
                case Reset(trip=trip):
                    self._new_fill = True
                    judge.ledger.unlatched()
                    wrong = judge.reset(trip, now_s)
                    if wrong is not None:
                        self._violated(wrong)
                case _:
                    pass
        for path in self._asked_for:
            self._check_lease(path)
        self._asked_for.clear()
        return refusal

    # --- what is heard --------------------------------------------------------------------------------

    def _on_event(self, event: StationEvent) -> None:
        now_s = self.rig.line_s
        happened = event.guard
        self._look_closely(1.0 if event.id.startswith("command-") else FINE_AFTER_S)
        urgent = isinstance(happened, Latched | AlarmChanged) or event.id.startswith("command-")
        self._journal.event(
            self._clock(), now_s + self._wall_offset_s, event.id, event.sentence, urgent=urgent
        )
        if isinstance(happened, Latched):
            self._tripped = self._new_fill = True
            trips = self.outcome.trips
            trips[happened.trip.value] = trips.get(happened.trip.value, 0) + 1
            self._grower.alarmed(now_s, brutal=is_brutal(now_s) and self.task.faults)
        elif isinstance(happened, Unlatched):
            self._judge.ledger.unlatched()
        if isinstance(happened, AlarmChanged) and happened.after == "unacknowledged":
            self._raised(happened)
        self._urgent_save = self._urgent_save or urgent

    def _raised(self, change: AlarmChanged) -> None:
        alarms = self.outcome.alarms
        alarms[change.alarm.value] = alarms.get(change.alarm.value, 0) + 1
        if not self.task.faults and not self._is_expected(change):
            self._violated(f"nothing is wrong, and the alarm {change.alarm.value} was raised")

    def _is_expected(self, change: AlarmChanged) -> bool:
        world = self.world
        match change.alarm:
            case Advisory.PRODUCT_OVER_ADVICE:
                return world.purifier.load_fraction > _BREAKS_THROUGH
            case Advisory.TEMPERATURE_OUT_OF_RANGE:
                return self._garden.hot
            case Trip.OVERFLOW:
                return self._garden.rained_into and world.overflow_up
            case _:
                return False

    def _on_heard(self, message: FromController) -> None:
        if not isinstance(message, Reading):
            return
        sent = self.controller.sent_as(message)
        now_s = self.rig.line_s
        # On a sound line what arrives is what was sent; a rest may hold a damaged frame for some seconds.
        if sent is None or (now_s < self._disturbed_until and not same(sent, message)):
            self._violated(f"a reading was taken that the controller never sent: {message}")
            return
        self._judge.arrived(sent, now_s)
        self._journal.reading(self._clock(), now_s + self._wall_offset_s, None, self._judge.ppm)

    def _on_sent(self, message: FromBridge) -> None:
        if isinstance(message, Close):
            # What opens again within the same second is another opening.
            self._judge.shut()
            self._waters.shut()
        elif isinstance(message, Lease):
            self._last_lease_s = self.rig.line_s
            if self._commanding:
                # Judged when it is known whether the command that brought it about was accepted.
                self._asked_for.append(message.path)
            else:
                self._check_lease(message.path)

    def _check_lease(self, path: Path) -> None:
        why = self._judge.forbids(path, self.rig.line_s)
        if why is not None:
            self._violated(f"a lease for {path.value} was sent although {why}")

    # --- what is checked ------------------------------------------------------------------------------

    def _notice_line(self, active: Mapping[FaultName, Fault], now_s: float) -> None:
        """Note whether the line was disturbed at the start or at the end of the step that ends now."""
        if not (_LINKS.isdisjoint(active) and _LINKS.isdisjoint(self.world.plan.active)):
            self._disturbed_until = now_s + _LINE_RECOVERS_S + 2.0 * _LONGEST_LAG_S

    def _line_delay_s(self, now_s: float) -> float:
        """What a disturbed line may add to every close: nothing when it is sound."""
        if now_s >= self._disturbed_until:
            return 0.0
        limits = self._garden.plan.limits
        return limits.stale_after_s + limits.lease_s + 2.0 * _LONGEST_LAG_S

    def _check(self, driven: Path, seconds: float, now_s: float) -> None:
        world, life = self.world, self.life
        delay_s = self._line_delay_s(now_s)
        self._check_valve(world.driven, delay_s, now_s)
        wrong = self._waters.passed(driven, delay_s)
        if wrong is not None:
            self._violated(wrong)
        if self._detection.watching:
            alive = life is not None and now_s >= self._born_s + _HEARS_AFTER_S
            sound = alive and now_s >= self._disturbed_until
            station = None if life is None else life.station
            new_fill, self._new_fill = self._new_fill, False
            wrong = self._detection.passed(
                seconds, driven, station, alive=alive, sound=sound, new_fill=new_fill
            )
            if wrong is not None:
                self._violated(wrong)
        if world.reservoir.ppm > self.outcome.most_ppm:
            self.outcome.most_ppm = world.reservoir.ppm

    def _check_valve(self, driven: Path, delay_s: float, now_s: float) -> None:
        if driven is Path.SHUT:
            self._forbidden_since = None
            return
        lease_s = self._garden.plan.limits.lease_s
        if self._last_lease_s <= self._last_death_s:
            # Neither the dead bridge nor the one that was started since has asked for this.
            open_s = now_s - self._last_death_s
            self.outcome.shut_after_death_s = max(self.outcome.shut_after_death_s, open_s)
            if open_s > lease_s + delay_s:
                self._violated(f"the bridge has been dead for {open_s:.1f} s and the valve is open")
            return
        if now_s - self._last_lease_s > lease_s + delay_s:
            self._violated(f"the valve is open {now_s - self._last_lease_s:.1f} s after the last lease")
        why = self._judge.forbids(driven, now_s)
        if why is None:
            self._forbidden_since = None
            return
        if self._forbidden_since is None:
            self._forbidden_since = now_s
        open_s = now_s - self._forbidden_since
        if open_s > delay_s or delay_s == 0.0:
            self._violated(f"the valve is driven to {driven.value} although {why}")

    def _violated(self, sentence: str) -> None:
        task = self.task
        if len(self.outcome.violations) < _MOST_VIOLATIONS:
            self.outcome.violations.append(
                Violation(task.seed, task.garden, self.outcome.steps, self.rig.line_s, sentence)
            )


def simulate(task: Task) -> Outcome:
    """Run one task: the function that a worker process calls."""
    return Year(task).run()


Simulate = Callable[[Task], Outcome]
