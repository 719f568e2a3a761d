"""The scan of one reservoir: takes a reading, sends the decision, and never waits. Core.

A :class:`Station` does no I/O. It receives messages, commands and the time, and sends messages through
``send``, which must put them on the wire at once. It passes each scan to ``on_turn``, which must not block
either. The daemon runs it on a serial line, a simulation in virtual time.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from bridge.estimate.watch import CellWatch, Doubt, doubts
from bridge.guard.commands import CartridgeChanged, GuardCommand, ReservoirSample, Retest
from bridge.guard.model import Advisory, Assessment, Phase, Trip, amended
from bridge.guard.state import Decision, GuardState, Latched, Reply, Unlatched, begin
from bridge.guard.step import step
from bridge.protocol.frame import Damaged, Ignored
from bridge.protocol.messages import (
    BootReason,
    FromBridge,
    FromController,
    Hello,
    Identify,
    Reading,
    Refusal,
)
from bridge.protocol.session import LinkDown, LinkUp, Received
from bridge.station import assess, cell_watch, inventory
from bridge.station.assess import Memory, Picture
from bridge.station.board import Board
from bridge.station.events import Level, StationEvent, events_of
from bridge.station.inventory import Inventory
from bridge.station.openings import Openings
from bridge.station.plan import StationPlan
from bridge.station.valve import Driver
from bridge.station.view import NOTHING_KNOWN, Outlook, StationView, picture_of
from bridge.trays.ahead import RoundDue

VIEW_EVERY_S = 0.5
"""The shortest time between two views that only differ in values. A decision or an event is shown at once."""
DAMAGE_SHARE = 0.05
"""More than this share of damaged frames, over about a hundred, is worth an alarm."""
_RENEW_S = 3600.0
_NOTHING_SEEN = Assessment()
_IN_DOUBT = (
    "The numbers of the readings jump without a restart, and the controller does not identify itself. "
    "Something may repeat old readings. The valve stays shut until the controller answers."
)


@dataclass(frozen=True, slots=True)
class Condition:
    """A condition outside the station, such as a log that cannot be written."""

    advisory: Advisory
    present: bool


@dataclass(frozen=True, slots=True)
class FeedSampled:
    """A hand sample of the feed. It counts if no probe measures the feed."""

    conductivity_25_us_cm: float


@dataclass(frozen=True, slots=True)
class Away:
    """An absence of the people has begun, or is about to, or has ended.

    While it is present, a fill begins and ends at the higher marks of the plan. The guard stays as it is.
    """

    present: bool


Note = Condition | FeedSampled | Outlook | RoundDue | Away
"""An input of the next scan that does not come from the wire."""


@dataclass(frozen=True, slots=True)
class Turn:
    """One scan of a station: the inputs, the decision, and the events and view for people."""

    now: float
    reading: bool
    """True for a new reading; False for a tick or a command."""
    memory: Memory
    """The memory at this scan. A command may have changed it afterwards."""
    picture: Picture | None
    before: GuardState
    state: GuardState
    decision: Decision
    command: GuardCommand | None
    events: tuple[StationEvent, ...] = ()
    """The events in order, in words."""
    view: StationView | None = None
    """The view, if one is due."""


class Station:
    """One reservoir with its purifier: everything between the wire and the hub.

    Args:
        plan: The plan of the reservoir.
        send: Puts a message on the wire at once. Returns False if the line cannot take it.
        next_sequence: Returns the number for the next message.
        now: Monotonic seconds at the start.
        on_turn: Receives each scan after its messages are on the wire. A scan has a view if it decided
            something, and at least every ``view_every_s``.
        on_event: Receives each event outside a scan.
        state: The guard's state from an earlier run.
        accounts: The inventory from an earlier run.
        view_every_s: The longest time without a view while nothing happens. Infinity: views of events only.
    """

    def __init__(
        self,
        plan: StationPlan,
        *,
        send: Callable[[FromBridge], bool],
        next_sequence: Callable[[], int],
        now: float,
        on_turn: Callable[[Turn], None] | None = None,
        on_event: Callable[[StationEvent], None] | None = None,
        state: GuardState | None = None,
        accounts: Inventory | None = None,
        view_every_s: float = VIEW_EVERY_S,
    ) -> None:
        self.plan = plan
        self._send = send
        self._next_sequence = next_sequence
        self._driver = Driver(send, next_sequence, plan.limits.lease_s, now)
        self._openings = Openings()
        self._board = Board(plan.controller_id, None if accounts is None else accounts.controller)
        self._doubt_reported = False
        self._on_turn = on_turn
        self._on_event = on_event
        self._view_every_s = view_every_s
        self.state = begin(now) if state is None else state
        self.memory: Memory = assess.begin(plan, accounts)
        self._began_at = now
        self._plan_in_use = plan
        self._watched: CellWatch | None = None
        self._doubts: tuple[Doubt, ...] = ()
        self._renew_at = -math.inf
        self._of_age: frozenset[Advisory] = frozenset()
        self.picture: Picture | None = None
        self.decision: Decision | None = None
        self.outlook: Outlook = NOTHING_KNOWN
        """The last forecast, for the view."""
        self.due: RoundDue | None = None
        """The watering round, for the view."""
        self.away = False
        """Whether the marks of an absence count."""
        self.controller = ""
        self._link_up = False
        self._viewed_at = -math.inf
        self._refused_why = ""
        self._damage = 0.0
        self._frames_good = 0
        self._frames_damaged = 0
        self._conditions: frozenset[Advisory] = frozenset()
        self._notes: list[Note] = []

    # --- inputs ------------------------------------------------------------------------

    def receive(self, what: Received | LinkDown, now: float) -> None:
        """Take an event of the wire. The decision on a reading is sent before this returns."""
        match what:
            case Reading():
                self._good(what, now)
                self._take_notes()
                filling = self.state.phase is Phase.FILL
                self._look_at_cell(now)
                plan = self._plan_in_use
                self.memory, self.picture = assess.assess(plan, self.memory, what, filling, now)
                self._turn(now, reading=True)
            case Damaged():
                self._frames_damaged += 1
                self._damage = self._damage * 0.99 + 0.01
            case Ignored():
                pass
            case LinkUp():
                self._link_up = True
                self._driver.forget()
                self._report("link-up", Level.INFO, "Messages arrive from the controller.")
            case LinkDown(error=error):
                self._link_up = False
                self._driver.forget()
                self._board.lost()
                self._report("link-down", Level.WARNING, str(error))
            case Hello():
                self._good(what, now)
                if what.sequence == 0:
                    self.memory = assess.restarted(self.memory)
                self._greet(what, now)
            case Refusal(why=why):
                self._good(what, now)
                self._driver.refused(now)
                if why != self._refused_why:
                    self._refused_why = why
                    self._report("lease-refused", Level.WARNING, f"The controller refused a command: {why}.")
            case _:
                self._good(what, now)

    def inform(self, *notes: Note) -> None:
        """Take inputs that do not come from the wire. They count from the next scan on."""
        self._notes += notes

    def tick(self, now: float) -> None:
        """Make a scan without a reading. Call it at least every ``limits.step_s`` if no reading arrives."""
        self._take_notes()
        self._turn(now)

    def command(self, command: GuardCommand, now: float) -> str | None:
        """Execute a command. Returns None, or the sentence that refuses it."""
        reply = self.execute(command, now)
        return None if reply.accepted else reply.sentence

    def execute(self, command: GuardCommand, now: float) -> Reply:
        """Execute a command. Returns the guard's reply."""
        self._take_notes()
        # The guard refuses an impossible number by itself.
        if isinstance(command, Retest) and command.accuracy is None and 0.0 <= command.ppm < math.inf:
            accuracy = inventory.accuracy_of(self.plan, command.ppm, self._product_c)
            command = replace(command, accuracy=accuracy)
        decision = self._turn(now, command=command)
        if any(isinstance(one, Unlatched) and one.trip is Trip.CELLS_DISAGREE for one in decision.events):
            self.memory = assess.cells_reset(self.memory)
        reply = decision.replies[0]
        if not reply.accepted:
            return reply
        if isinstance(command, CartridgeChanged):
            self._set_accounts(inventory.renewed(self.memory.inventory))
        elif isinstance(command, Retest):
            self.memory = assess.retested(self.memory)
        elif isinstance(command, ReservoirSample):
            sample = inventory.sample_of(self.plan, command.ppm, command.accuracy, self._product_c)
            limit_ppm = self.plan.limits.reservoir_limit_ppm
            self._set_accounts(inventory.sampled(self.memory.inventory, sample, limit_ppm, now))
            self._look_at_cell(now)
            # The sample counts at once: a reservoir over its limit shuts the valve in this scan.
            self._turn(now)
        return reply

    @property
    def _product_c(self) -> float | None:
        return None if self.picture is None else self.picture.assessment.temperature_c

    def _good(self, message: FromController, now: float) -> None:
        self._frames_good += 1
        self._damage *= 0.99
        if self._board.take(message, now):
            self._driver.forget()
            self._openings.restarted(now)

    def _take_notes(self) -> None:
        notes, self._notes = self._notes, []
        for note in notes:
            match note:
                case Condition(advisory, present):
                    found = self._conditions
                    self._conditions = found | {advisory} if present else found - {advisory}
                case FeedSampled(us_cm):
                    if self.plan.feed is None:
                        feed_ppm = self.plan.identity.factor * us_cm
                        self.memory = replace(self.memory, feed_ppm=feed_ppm)
                case Outlook():
                    self.outlook = note
                case RoundDue():
                    self.due = note
                case Away(present):
                    self.away = present
                    self._renew_at = -math.inf

    # --- one scan ---------------------------------------------------------------------------------

    def _turn(self, now: float, *, reading: bool = False, command: GuardCommand | None = None) -> Decision:
        assessment, before = self._assessment(now), self.state
        commands = () if command is None else (command,)
        self.state, decision = step(self.plan.limits, before, assessment, commands, now)
        self._driver.drive(decision.flow, assessment.seen, assessment.frame_at, now)
        self._openings.look(decision.flow, assessment.seen, assessment.frame_at, now)
        if self._board.in_doubt:
            self._ask(now)
        # The message is sent; the rest is off the critical path.
        self.decision = decision
        if assessment.restarts_at_opening and decision.events and self._latched_now(decision):
            # The trip has latched, so the next row of openings begins after its reset.
            self._openings.forgive()
        view: StationView | None = None
        events: tuple[StationEvent, ...] = ()
        if decision.events or command is not None:
            events = tuple(events_of(self.plan.identity.reservoir, decision, command, self._doubts))
        if (
            decision.events
            or command is not None
            or decision.flow is not before.flow
            or now - self._viewed_at >= self._view_every_s
        ):
            self._viewed_at = now
            view = self.view()
        if self._on_turn is not None:
            self._on_turn(
                Turn(
                    now,
                    reading,
                    self.memory,
                    self.picture,
                    before,
                    self.state,
                    decision,
                    command,
                    events,
                    view,
                )
            )
        return decision

    def _assessment(self, now: float) -> Assessment:
        """Return the assessment with the station's own findings."""
        seen = _NOTHING_SEEN if self.picture is None else self.picture.assessment
        found = self._conditions | self._of_age
        board, openings = self._board, self._openings
        if board.restarted_lately(now):
            found |= {Advisory.CONTROLLER_RESTARTED}
        if board.exchanged(now):
            found |= {Advisory.CONTROLLER_EXCHANGED}
        if self._damage > DAMAGE_SHARE:
            found |= {Advisory.FRAMES_DAMAGED}
        disobeyed = self._driver.disobeyed(seen.seen, seen.frame_at)
        if disobeyed or openings.failed or board.unanswered(now):
            found |= {Advisory.CONTROLLER_FAULT}
        fault = disobeyed or openings.held(now) or board.in_doubt or board.wrong
        if not found and not fault:
            return seen
        return amended(seen, found, fault, openings.restarts_each_time)

    # --- outputs ------------------------------------------------------------------------------

    @property
    def plan_in_use(self) -> StationPlan:
        """The plan with the present uncertainties of the cells."""
        return self._plan_in_use

    def view(self) -> StationView:
        """Return the present view."""
        return picture_of(
            self.plan,
            self.memory.inventory,
            self.picture,
            self.state,
            self.decision,
            link_up=self._link_up,
            controller=self.controller,
            frames=(self._frames_good, self._frames_damaged),
            outlook=self.outlook,
            doubts=self._doubts,
            due=self.due,
        )

    def _set_accounts(self, accounts: Inventory) -> None:
        self.memory = replace(self.memory, inventory=accounts)
        self._viewed_at = -math.inf
        if self.picture is not None:
            seen = replace(self.picture.assessment, reservoir_ppm=inventory.holding_at_worst(accounts))
            self.picture = replace(self.picture, assessment=seen)

    def _look_at_cell(self, now: float) -> None:
        """Renew what depends on age, every hour, and on the watch over the cell, when it has changed."""
        seen = self.memory.inventory.watch
        if seen is self._watched and now < self._renew_at:
            return
        was_doubtful, self._doubts = bool(self._doubts), doubts(seen)
        self._watched = seen
        if now < self._renew_at and was_doubtful is bool(self._doubts):
            return
        self._renew_at = now + _RENEW_S
        running_s = now - self._began_at
        self._plan_in_use = cell_watch.in_use(self.plan, seen, running_s)
        if self.away and self.plan.level_while_away is not None:
            self._plan_in_use = replace(self._plan_in_use, level=self.plan.level_while_away)
        self._of_age = frozenset()
        if self._doubts:
            self._of_age = frozenset({Advisory.CELL_DOUBTFUL})
            if not was_doubtful:
                self._set_accounts(inventory.watched(self.memory.inventory, seen))
        elif cell_watch.calibration_due(self._plan_in_use, running_s):
            self._of_age = frozenset({Advisory.CALIBRATION_DUE})
        if inventory.proof_test_due(self.plan, self.memory.inventory, now):
            self._of_age |= {Advisory.PROOF_TEST_DUE}

    @staticmethod
    def _latched_now(decision: Decision) -> bool:
        return any(
            isinstance(event, Latched) and event.trip is Trip.CONTROLLER_RESTARTS for event in decision.events
        )

    def _ask(self, now: float) -> None:
        """Ask the board for its identity, as long as it is in doubt."""
        if self._board.must_be_asked(now):
            self._send(Identify(self._next_sequence()))
        if self._board.unanswered(now) and not self._doubt_reported:
            self._doubt_reported = True
            self._report("controller-in-doubt", Level.WARNING, _IN_DOUBT)

    def _greet(self, hello: Hello, now: float) -> None:
        self._doubt_reported = False
        warning = self._board.greeted(hello.identity, now)
        if warning is not None:
            self._report("controller-exchanged", Level.WARNING, warning)
        self._driver.greeted(hello.longest_lease_ms)
        self.memory = assess.greeted(self.memory, hello)
        self._refused_why = ""
        self.controller = f"{hello.identity} {hello.firmware}".strip()
        self._report(
            "controller-hello",
            Level.INFO if hello.boot in (BootReason.POWER, BootReason.SOFTWARE) else Level.WARNING,
            f"The controller {self.controller} started because of {hello.boot.value}.",
        )

    def _report(self, id_: str, level: Level, sentence: str) -> None:
        if self._on_event is not None:
            self._on_event(StationEvent(self.plan.identity.reservoir, id_, level, sentence))
