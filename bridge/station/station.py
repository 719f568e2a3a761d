"""One reservoir's loop: a reading comes in, a decision goes out, in one turn and without waiting for anybody.

A :class:`Station` does no I/O of its own. It is handed messages, commands and the time, and puts messages on
the wire through ``send``, which must put them there at once. What it shows and what happened it hands to
``on_view`` and ``on_event``, which must not wait either. The daemon runs it on a serial line, and a
simulation can run it in virtual time.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import Enum

from bridge.guard.commands import CartridgeChanged, GuardCommand, ReservoirSample
from bridge.guard.faults import FAULTS
from bridge.guard.model import FILL, Advisory, Assessment, Trip, amended
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
from bridge.protocol.messages import (
    BootReason,
    FromBridge,
    FromController,
    Hello,
    Reading,
    Refusal,
)
from bridge.protocol.sequence import MODULUS
from bridge.station import assess, inventory
from bridge.station.assess import Memory, Picture
from bridge.station.inventory import Inventory
from bridge.station.plan import StationPlan
from bridge.station.valve import Driver
from bridge.station.view import NOTHING_KNOWN, Ahead, StationView, picture_of

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
class Turn:
    """One turn of a station, whole, for whoever keeps the log."""

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


class Station:
    """One reservoir with its purifier: everything between the wire and the hub.

    Args:
        plan: what to do.
        send: puts a message on the wire at once; False when the line cannot take it.
        next_sequence: the number for the next message.
        now: monotonic seconds at the start.
        on_view: is handed what the station shows, after every turn that decided something, and at least
            every :data:`VIEW_EVERY_S` while turns come.
        on_turn: is handed every turn, after the wire and the view.
        on_event: is handed what happened, as it happens.
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
        on_view: Callable[[StationView], None] | None = None,
        on_turn: Callable[[Turn], None] | None = None,
        on_event: Callable[[StationEvent], None] | None = None,
        state: GuardState | None = None,
        accounts: Inventory | None = None,
    ) -> None:
        self.plan = plan
        self._driver = Driver(send, next_sequence, plan.limits.lease_s, now)
        self._on_view = on_view
        self._on_turn = on_turn
        self._on_event = on_event
        self.state = begin(now) if state is None else state
        self.memory: Memory = assess.begin(plan, accounts)
        self.picture: Picture | None = None
        self.decision: Decision | None = None
        self.ahead: Ahead = NOTHING_KNOWN
        """What was forecast last, for the view; whoever forecasts puts it here."""
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
        self._outside: frozenset[Advisory] = frozenset()

    # --- what comes in ------------------------------------------------------------------------

    def receive(self, message: FromController, now: float) -> None:
        """Take one good message from the controller; a reading is decided on before this returns."""
        self._frames_good += 1
        self._damage *= 0.99
        self._follow(message.sequence, now)
        match message:
            case Reading():
                filling = self.state.phase is FILL
                self.memory, self.picture = assess.assess(self.plan, self.memory, message, filling, now)
                self._turn(now, reading=True)
            case Hello():
                self._greet(message)
            case Refusal(why=why):
                self._driver.refused(now)
                if why != self._refused_why:
                    self._refused_why = why
                    self._tell("lease-refused", Level.WARNING, f"The controller refused a command: {why}.")

    def damaged(self) -> None:
        """One line arrived damaged and was dropped."""
        self._frames_damaged += 1
        self._damage = self._damage * 0.99 + 0.01

    def link(self, up: bool, sentence: str = "") -> None:
        """The line to the controller came up, or went down for a reason."""
        self._link_up = up
        self._driver.forget()
        if up:
            self._tell("link-up", Level.INFO, "The controller is heard.")
        else:
            self._tell("link-down", Level.WARNING, sentence)

    def note(self, advisory: Advisory, present: bool) -> None:
        """Take note of a condition outside the station, such as a log that cannot be written."""
        self._outside = self._outside | {advisory} if present else self._outside - {advisory}

    def feed_sampled(self, conductivity_25_us_cm: float) -> None:
        """Take the feed, which no probe measures here, to be what a sample by hand showed."""
        if self.plan.feed is None:
            ppm = self.plan.identity.factor * conductivity_25_us_cm
            self.memory = replace(self.memory, feed_ppm=ppm)

    def tick(self, now: float) -> None:
        """Let time pass: to be called at least every ``limits.step_s`` when no reading comes."""
        self._turn(now)

    def command(self, command: GuardCommand, now: float) -> str | None:
        """Obey a person; None when it was carried out, else the sentence that refuses it."""
        decision = self._turn(now, command=command)
        reply = decision.replies[0]
        name = type(command).__name__
        if reply.accepted:
            if isinstance(command, CartridgeChanged):
                self._set_accounts(inventory.renewed(self.memory.inventory))
            elif isinstance(command, ReservoirSample):
                self._set_accounts(inventory.sampled(self.memory.inventory, command.ppm))
                # What was measured counts now: a reservoir over its limit shuts the valve in this turn.
                self._turn(now)
            self._tell("command-obeyed", Level.INFO, f"{name} from {command.sender}: {reply.sentence}")
            return None
        self._tell("command-refused", Level.WARNING, f"{name} from {command.sender}: {reply.sentence}")
        return reply.sentence

    def shut(self) -> None:
        """Close the valve now, whatever the guard thinks; it may open again at the next turn."""
        self._driver.shut()

    # --- one turn ---------------------------------------------------------------------------------

    def _turn(self, now: float, *, reading: bool = False, command: GuardCommand | None = None) -> Decision:
        assessment, before = self._assessment(now), self.state
        commands = () if command is None else (command,)
        self.state, decision = step(self.plan.limits, before, assessment, commands, now)
        self._driver.drive(decision.flow, assessment.seen, assessment.frame_at, now)
        # From here on the wire has it, and nobody waits.
        self.decision = decision
        if self._on_view is not None and (
            decision.events
            or command is not None
            or decision.flow is not before.flow
            or now - self._viewed_at >= VIEW_EVERY_S
        ):
            self._viewed_at = now
            self._on_view(self.view())
        if decision.events:
            for event in decision.events:
                self._record(event)
        if self._on_turn is not None:
            self._on_turn(
                Turn(now, reading, self.memory, self.picture, before, self.state, decision, command)
            )
        return decision

    def _assessment(self, now: float) -> Assessment:
        """What is known, with what the station itself has found; the very same when that adds nothing."""
        seen = _NOTHING_SEEN if self.picture is None else self.picture.assessment
        found = self._outside
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
            ahead=self.ahead,
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

    def _record(self, event: GuardEvent) -> None:
        match event:
            case Latched(trip=trip, first_out=first):
                order = "First-out: " if first else ""
                self._tell(trip.value, Level.ERROR, f"{order}{FAULTS[trip].sentence}", event)
            case PhaseChanged(before=before, after=after):
                missing = self.decision.missing if self.decision is not None else ()
                why = f" Missing: {', '.join(one.value for one in missing)}." if missing else ""
                self._tell("phase", Level.INFO, f"From {before.value} to {after.value}.{why}", event)
            case AlarmChanged(alarm=alarm, before=before_, after=after_, shelved=shelved):
                shown = " and shelved" if shelved else ""
                sentence = f"The alarm {alarm.value} went from {before_} to {after_}{shown}."
                if not isinstance(alarm, Trip) and after_ == "unacknowledged":
                    sentence = f"{sentence} {FAULTS[alarm].sentence}"
                self._tell(alarm.value, Level.WARNING, sentence, event)
            case _:
                self._tell(event.trip.value, Level.INFO, f"The trip was reset by {event.by}.", event)

    def _tell(self, id_: str, level: Level, sentence: str, guard: GuardEvent | None = None) -> None:
        if self._on_event is not None:
            self._on_event(StationEvent(self.plan.identity.reservoir, id_, level, sentence, guard))
