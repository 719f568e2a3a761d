"""One reservoir's loop: a reading comes in, a decision goes out, in one turn and without waiting for anybody.

A :class:`Station` does no I/O of its own. It is handed messages, commands and the time, and puts messages on
the wire through ``send``, which must put them there at once. Each turn it hands to ``on_turn``, which must
not wait either. The daemon runs it on a serial line, and a simulation can run it in virtual time.
"""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from enum import Enum

from bridge.guard.commands import CartridgeChanged, GuardCommand, ReservoirSample, words_of
from bridge.guard.faults import FAULTS
from bridge.guard.model import Advisory, Assessment, Phase, Trip, amended
from bridge.guard.state import (
    AlarmChanged,
    Decision,
    GuardEvent,
    GuardState,
    Latched,
    PhaseChanged,
    begin,
)
from bridge.guard.step import step
from bridge.protocol.frame import Damaged, Ignored
from bridge.protocol.messages import (
    BootReason,
    FromBridge,
    FromController,
    Hello,
    Reading,
    Refusal,
)
from bridge.protocol.sequence import MODULUS
from bridge.protocol.session import LinkDown, LinkUp, Received
from bridge.station import assess, inventory
from bridge.station.assess import Memory, Picture
from bridge.station.inventory import Inventory
from bridge.station.plan import StationPlan
from bridge.station.valve import Driver
from bridge.station.view import NOTHING_KNOWN, Outlook, StationView, picture_of

MOST_MESSAGES_S = 100
"""Fifty readings a second at most, and as many answers."""
RESTART_SHOWN_S = 60.0
VIEW_EVERY_S = 0.2
"""People are shown what only moved this often at most, and at once what was decided or happened."""
DAMAGE_SHARE = 0.05
"""More than this share of damaged frames, over about a hundred, is worth an alarm."""
_NOTHING_SEEN = Assessment()


class Level(Enum):
    """How much an event matters to a person."""

    INFO = "info"
    WARNING = "warning"
    ERROR = "error"


@dataclass(frozen=True, slots=True)
class StationEvent:
    """Something that happened, for the log and for people."""

    reservoir: str
    id: str
    level: Level
    sentence: str
    guard: GuardEvent | None = None


@dataclass(frozen=True, slots=True)
class Condition:
    """A condition outside the station, such as a log that cannot be written, is there or is over."""

    advisory: Advisory
    present: bool


@dataclass(frozen=True, slots=True)
class FeedSampled:
    """A sample of the feed, taken by hand: it counts where no probe measures the feed."""

    conductivity_25_us_cm: float


Note = Condition | FeedSampled | Outlook
"""What is learned beside the wire, as an input of the next turn."""


@dataclass(frozen=True, slots=True)
class Turn:
    """One turn of a station, whole: what was known, what was decided, and what people are to learn of it."""

    now: float
    reading: bool
    """A new reading was taken; otherwise time passed, or somebody commanded something."""
    memory: Memory
    """What was known at this turn; a command that was obeyed may have changed it after."""
    picture: Picture | None
    before: GuardState
    state: GuardState
    decision: Decision
    command: GuardCommand | None
    events: tuple[StationEvent, ...] = ()
    """What happened, in its order, in words."""
    view: StationView | None = None
    """What the station shows, where it is time to show it."""


class Station:
    """One reservoir with its purifier: everything between the wire and the hub.

    Args:
        plan: what to do.
        send: puts a message on the wire at once; False when the line cannot take it.
        next_sequence: the number for the next message.
        now: monotonic seconds at the start.
        on_turn: is handed every turn, after the wire. A turn has a view when it decided something, and at
            least every :data:`VIEW_EVERY_S` while turns come.
        on_event: is handed what happens outside a turn.
        state: the guard's state from an earlier run, where there is one.
        accounts: the inventory from an earlier run, where there is one.
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
    ) -> None:
        self.plan = plan
        self._driver = Driver(send, next_sequence, plan.limits.lease_s, now)
        self._on_turn = on_turn
        self._on_event = on_event
        self.state = begin(now) if state is None else state
        self.memory: Memory = assess.begin(plan, accounts)
        self.picture: Picture | None = None
        self.decision: Decision | None = None
        self.outlook: Outlook = NOTHING_KNOWN
        """The last forecast, for the view."""
        self.controller = ""
        self._link_up = False
        self._viewed_at = -math.inf
        self._newest: tuple[int, float] | None = None
        """Number and time of the newest message."""
        self._restarted_at: float | None = None
        self._refused_why = ""
        self._damage = 0.0
        self._frames_good = 0
        self._frames_damaged = 0
        self._conditions: frozenset[Advisory] = frozenset()
        self._notes: list[Note] = []

    # --- what comes in ------------------------------------------------------------------------

    def receive(self, what: Received | LinkDown, now: float) -> None:
        """Take what comes from the wire; a reading is decided on before this returns."""
        match what:
            case Reading():
                self._good(what, now)
                self._take_notes()
                filling = self.state.phase is Phase.FILL
                self.memory, self.picture = assess.assess(self.plan, self.memory, what, filling, now)
                self._turn(now, reading=True)
            case Damaged():
                self._frames_damaged += 1
                self._damage = self._damage * 0.99 + 0.01
            case Ignored():
                pass
            case LinkUp():
                self._link_up = True
                self._driver.forget()
                self._tell("link-up", Level.INFO, "The controller is heard.")
            case LinkDown(error=error):
                self._link_up = False
                self._driver.forget()
                self._tell("link-down", Level.WARNING, str(error))
            case Hello():
                self._good(what, now)
                self._greet(what)
            case Refusal(why=why):
                self._good(what, now)
                self._driver.refused(now)
                if why != self._refused_why:
                    self._refused_why = why
                    self._tell("lease-refused", Level.WARNING, f"The controller refused a command: {why}.")
            case _:
                self._good(what, now)

    def inform(self, *notes: Note) -> None:
        """Hand in what was learned beside the wire: it counts from the next turn on."""
        self._notes += notes

    def tick(self, now: float) -> None:
        """Let time pass: to be called at least every ``limits.step_s`` when no reading comes."""
        self._take_notes()
        self._turn(now)

    def command(self, command: GuardCommand, now: float) -> str | None:
        """Obey a person; None when it was carried out, else the sentence that refuses it."""
        self._take_notes()
        reply = self._turn(now, command=command).replies[0]
        if not reply.accepted:
            return reply.sentence
        if isinstance(command, CartridgeChanged):
            self._set_accounts(inventory.renewed(self.memory.inventory))
        elif isinstance(command, ReservoirSample):
            self._set_accounts(inventory.sampled(self.memory.inventory, command.ppm))
            # What was measured counts now: a reservoir over its limit shuts the valve in this turn.
            self._turn(now)
        return None

    def _good(self, message: FromController, now: float) -> None:
        self._frames_good += 1
        self._damage *= 0.99
        self._follow(message.sequence, now)

    def _take_notes(self) -> None:
        if not self._notes:
            return
        for note in self._notes:
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
        self._notes.clear()

    # --- one turn ---------------------------------------------------------------------------------

    def _turn(self, now: float, *, reading: bool = False, command: GuardCommand | None = None) -> Decision:
        assessment, before = self._assessment(now), self.state
        commands = () if command is None else (command,)
        self.state, decision = step(self.plan.limits, before, assessment, commands, now)
        self._driver.drive(decision.flow, assessment.seen, assessment.frame_at, now)
        # The wire has it; what follows is off the critical path.
        self.decision = decision
        view: StationView | None = None
        events: tuple[StationEvent, ...] = ()
        if decision.events or command is not None:
            events = tuple(self._told(decision, command))
        if (
            decision.events
            or command is not None
            or decision.flow is not before.flow
            or now - self._viewed_at >= VIEW_EVERY_S
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
        """What is known, with what the station itself has found; the very same when that adds nothing."""
        seen = _NOTHING_SEEN if self.picture is None else self.picture.assessment
        found = self._conditions
        if self._restarted_at is not None and now - self._restarted_at < RESTART_SHOWN_S:
            found |= {Advisory.CONTROLLER_RESTARTED}
        if self._damage > DAMAGE_SHARE:
            found |= {Advisory.FRAMES_DAMAGED}
        disobeyed = self._driver.disobeyed(seen.seen, seen.frame_at)
        if disobeyed:
            found |= {Advisory.CONTROLLER_FAULT}
        return amended(seen, found, disobeyed) if found else seen

    # --- what goes out ------------------------------------------------------------------------------

    def view(self) -> StationView:
        """What the station shows now."""
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
        )

    def _set_accounts(self, accounts: Inventory) -> None:
        self.memory = replace(self.memory, inventory=accounts)
        self._viewed_at = -math.inf
        if self.picture is not None:
            seen = replace(self.picture.assessment, reservoir_ppm=inventory.holding(accounts))
            self.picture = replace(self.picture, assessment=seen)

    def _greet(self, hello: Hello) -> None:
        self._driver.greeted(hello.longest_lease_ms)
        self._refused_why = ""
        self.controller = f"{hello.identity} {hello.firmware}".strip()
        self._tell(
            "controller-hello",
            Level.INFO if hello.boot in (BootReason.POWER, BootReason.SOFTWARE) else Level.WARNING,
            f"The controller {self.controller} started because of {hello.boot.value}.",
        )

    def _follow(self, number: int, now: float) -> None:
        """See from the number of a message whether the controller has started again since the last one.

        It begins at 0. Where the hello with that number was lost, as while the line was down, the number
        lies behind the newest, or further ahead than there was time for.
        """
        if self._newest is not None:
            before, at = self._newest
            ahead = (number - before) % MODULUS
            if ahead > MOST_MESSAGES_S * (now - at + 1.0):
                self._restarted_at = now
                self._driver.forget()
        self._newest = number, now

    def _told(self, decision: Decision, command: GuardCommand | None) -> Iterator[StationEvent]:
        """What happened in a turn, in words."""
        for event in decision.events:
            yield self._guard_event(event, decision)
        if command is not None:
            reply = decision.replies[0]
            yield self._event(
                "command-obeyed" if reply.accepted else "command-refused",
                Level.INFO if reply.accepted else Level.WARNING,
                f'The command "{words_of(command)}" from {command.sender}: {reply.sentence}',
            )

    def _guard_event(self, event: GuardEvent, decision: Decision) -> StationEvent:
        match event:
            case Latched(trip=trip, first_out=first):
                order = "First-out: " if first else ""
                return self._event(trip.value, Level.ERROR, f"{order}{FAULTS[trip].sentence}", event)
            case PhaseChanged(before=before, after=after):
                missing = ", ".join(one.value for one in decision.missing)
                why = f" Missing: {missing}." if missing else ""
                return self._event("phase", Level.INFO, f"From {before.value} to {after.value}.{why}", event)
            case AlarmChanged(alarm=alarm, before=before_, after=after_, shelved=shelved):
                shown = " and shelved" if shelved else ""
                sentence = f"The alarm {alarm.value} went from {before_} to {after_}{shown}."
                if not isinstance(alarm, Trip) and after_ == "unacknowledged":
                    sentence = f"{sentence} {FAULTS[alarm].sentence}"
                return self._event(alarm.value, Level.WARNING, sentence, event)
            case _:
                return self._event(event.trip.value, Level.INFO, f"The trip was reset by {event.by}.", event)

    def _event(self, id_: str, level: Level, sentence: str, guard: GuardEvent | None = None) -> StationEvent:
        return StationEvent(self.plan.identity.reservoir, id_, level, sentence, guard)

    def _tell(self, id_: str, level: Level, sentence: str) -> None:
        if self._on_event is not None:
            self._on_event(self._event(id_, level, sentence))
