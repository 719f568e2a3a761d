"""Keeps one reservoir: its station, and what follows from each turn. Core.

The order of a turn: its close or lease is on the wire before it comes here. Then its rows go to the log.
Then, when what latched is on disk, people learn of it (:mod:`bridge.daemon.gate`). Then the forecast takes
it. What happened and does not latch is written and shown a moment later, when the wire has been served. The
daemon runs a keeper under the clock of its event loop, a simulation under a virtual one.
"""

import math
from collections import deque
from collections.abc import Callable
from datetime import tzinfo
from typing import Protocol

from bridge.backoff import Backoff
from bridge.clock import Clock, Timer
from bridge.daemon.forecasts import StationForecast
from bridge.daemon.gate import Gate, Ticket
from bridge.daemon.log_policy import Restored
from bridge.forecast.learner import Learner
from bridge.guard.commands import GuardCommand, ReservoirSample
from bridge.guard.model import Advisory
from bridge.guard.state import GuardState, PhaseChanged
from bridge.protocol.messages import FromBridge
from bridge.protocol.session import LinkDown, Received
from bridge.station.inventory import Inventory
from bridge.station.plan import StationPlan
from bridge.station.station import Condition, FeedSampled, Level, Note, Station, StationEvent, Turn
from bridge.station.view import StationView

FIRST_WAIT_S = 1.0
LONGEST_WAIT_S = 60.0
AFTERMATH_S = 0.001
"""What happened and does not latch is written down and shown this long after it was decided. The system may
hand a frame on only when this process sleeps, and has the log's thread, the disk and the broker to wake
besides."""
FORECAST_AFTER_S = 0.05
SAMPLER = "a sample in the log"
"""The sender of a sample that was entered into the log."""
STATE_LOST = (
    "What was latched before the restart is not known, because the log could not be read; filling is on "
    "hold. Look at the purifier and the reservoir, and lift the hold when all is well."
)


class KeptLog(Protocol):
    """The log, as a keeper needs it."""

    def restored(self, plan: StationPlan) -> Restored:
        """What this station starts from."""

    def feed_sampled(self, reservoir: str) -> float | None:
        """The newest sample of this reservoir's feed, µS/cm at 25 °C."""

    def learner(self, plan: StationPlan, accounts: Inventory) -> Learner:
        """The forecast that this station starts from."""

    def turn(self, reservoir: str, turn: Turn, on_disk: Callable[[bool], None] | None = None) -> None:
        """Put one turn into the log.

        Args:
            reservoir: whose turn it was.
            turn: the turn.
            on_disk: called once: True when what must not be lost of it is on the disk, at once where there is
                no such thing; False when the disk refuses it.
        """

    def event(self, event: StationEvent) -> None:
        """Put an event outside a turn into the log."""

    def accounts(self, reservoir: str, state: GuardState, inventory: Inventory) -> None:
        """Keep what the reservoir holds and what the purifier took up."""

    def learned(self, learner: Learner) -> None:
        """Keep what a forecast has learned."""


class Wire(Protocol):
    """The way to the controller."""

    def next_sequence(self) -> int:
        """The number for the next message to send."""

    def send(self, message: FromBridge) -> bool:
        """Put a message on the wire at once; False when the line cannot take it."""


Answered = Callable[[str | None], None]
"""Takes what became of a command: None when it was carried out, else the sentence that refuses it."""


class Keeper:
    """Keeps one reservoir under a clock; mutable.

    Whoever runs it calls :meth:`received` with what comes from the wire. What a call raises ends the session:
    the valve is closed, :meth:`failed` says how long to wait, and :meth:`begin_again` starts a new one.

    Args:
        plan: the reservoir's.
        clock: the time, and the timers.
        wire: the way to the controller.
        on_view: shows a view to people.
        on_event: shows an event to people.
        on_fault: takes what a timer of the keeper raised; it ends the session, as above.
        log: where everything is kept; None for nowhere.
        zone: the time zone in which people live; None for that of the machine.
        forecasts: whether to forecast.
    """

    def __init__(
        self,
        plan: StationPlan,
        clock: Clock,
        wire: Wire,
        on_view: Callable[[StationView], None],
        on_event: Callable[[StationEvent], None],
        on_fault: Callable[[Exception], None],
        log: KeptLog | None = None,
        *,
        zone: tzinfo | None = None,
        forecasts: bool = True,
    ) -> None:
        self.plan = plan
        self._name = plan.identity.reservoir
        self._clock = clock
        self._wire = wire
        self._on_fault = on_fault
        self._log = log
        self._gate = Gate(clock, on_view, on_event)
        self._aftermath: deque[Turn | StationEvent] = deque()
        """What has happened and is still to be written down, in order."""
        self._settling: Timer | None = None
        self._tick_s = min(plan.limits.step_s, 0.5 * plan.limits.stale_after_s)
        self._tick_at = -math.inf
        self._ticking: Timer | None = None
        self._waits = Backoff(FIRST_WAIT_S, LONGEST_WAIT_S)
        self._began_at = clock.monotonic()
        self._stopping = False
        self._feed_us_cm = None if log is None else log.feed_sampled(self._name)
        restored = None if log is None else log.restored(plan)
        if restored is None:
            self.station = self._begin(None, None)
        else:
            self.station = self._begin(restored.state, restored.accounts)
            if not restored.known:
                self._say("state-lost", STATE_LOST)
        self._forecast: StationForecast | None = None
        if forecasts:
            accounts = self.station.memory.inventory
            learner = Learner(plan, load=accounts.load) if log is None else log.learner(plan, accounts)
            keep = None if log is None else log.learned
            self._forecast = StationForecast(learner, clock, self.inform, self._say, keep, zone)
        self._forecast_queue: deque[Turn] = deque()
        """Turns that the forecast has still to take, in order."""
        self._forecast_timer: Timer | None = None
        self._rearm(clock.monotonic())

    # --- what comes in ----------------------------------------------------------------------------

    def received(self, what: Received | LinkDown) -> None:
        """Take what comes from the wire; a reading is decided on before this returns."""
        if not self._stopping:
            self.station.receive(what, self._clock.monotonic())

    def noted(self, event: str, sentence: str) -> None:
        """Take a sentence about the line that is worth a person's attention."""
        self._later(StationEvent(self._name, event, Level.WARNING, sentence))

    def inform(self, *notes: Note) -> None:
        """Take what was learned beside the wire: it counts from the next turn on."""
        self.station.inform(*notes)

    def condition(self, advisory: Advisory, present: bool) -> None:
        """A condition outside the reservoir is there, or is over."""
        self.inform(Condition(advisory, present))
        if advisory is Advisory.LOG_TROUBLE and not present:
            self._gate.caught_up()

    def feed_sampled(self, conductivity_25_us_cm: float) -> None:
        """Somebody sampled the feed by hand."""
        self._feed_us_cm = conductivity_25_us_cm
        self.inform(FeedSampled(conductivity_25_us_cm))

    def reservoir_sampled(self, conductivity_25_us_cm: float) -> None:
        """Somebody sampled the reservoir by hand: a command like any other, and recorded like one."""
        ppm = self.plan.identity.factor * conductivity_25_us_cm
        self.command(ReservoirSample(self._clock.monotonic(), SAMPLER, ppm))

    def command(self, command: GuardCommand, answered: Answered | None = None) -> str | None:
        """Obey a person.

        Args:
            command: what to do.
            answered: called with the answer for the person, when the command is in the log.

        Returns:
            None when it was carried out, else the sentence that refuses it; not for people yet.
        """
        if self._stopping:
            refusal: str | None = "the bridge is stopping."
        else:
            refusal = self.station.command(command, self._clock.monotonic())
            if refusal is None:
                self.save_accounts()
        if answered is not None:
            self._gate.answer(lambda: answered(refusal))
        return refusal

    # --- its beginning and its end ----------------------------------------------------------------

    def close_now(self) -> None:
        """Let nothing open the valve again; the close is on the wire when the link is finished."""
        self._stopping = True

    def end(self) -> None:
        """Let the log keep everything, and leave no timer behind."""
        self._stopping = True
        self.settle()
        self.save_accounts()
        if self._forecast is not None:
            self._run_forecast()
            self._forecast.save()
        if self._ticking is not None:
            self._ticking.cancel()

    def flush(self) -> None:
        """Show everything that is still held back, as the log is closed."""
        self._gate.flush()

    def failed(self, error: Exception) -> float:
        """The session ended by a fault of the program: how long to wait before the next one begins."""
        self._waits.lasted(self._clock.monotonic() - self._began_at)
        wait_s = self._waits.wait_s()
        self._say(
            "station-failed",
            f"This reservoir's session ended by a fault of the program ({error!r}); its valve "
            f"was closed. It begins anew in {wait_s:.0f} s. Please report this with the log.",
        )
        return wait_s

    def begin_again(self) -> None:
        """Begin a new session; the guard's state goes on, as a latched trip must not vanish with a fault."""
        self.station = self._begin(self.station.state, self.station.memory.inventory)
        self._began_at = self._clock.monotonic()
        self._rearm(self._began_at)

    def save_accounts(self) -> None:
        """Let the log keep what the reservoir holds and what the purifier took up."""
        if self._log is not None:
            self._log.accounts(self._name, self.station.state, self.station.memory.inventory)

    def _begin(self, state: GuardState | None, accounts: Inventory | None) -> Station:
        station = Station(
            self.plan,
            send=self._wire.send,
            next_sequence=self._wire.next_sequence,
            now=self._clock.monotonic(),
            on_turn=self._on_turn,
            on_event=self._later,
            state=state,
            accounts=accounts,
        )
        if self._feed_us_cm is not None:
            station.inform(FeedSampled(self._feed_us_cm))
        return station

    # --- ticks ------------------------------------------------------------------------------------

    def _rearm(self, now: float) -> None:
        """Put the next tick off, as a turn that a reading or a command brought is as good as one.

        A timer that is moved wakes nobody; moving it with each of fifty readings a second would cost more.
        """
        due = now + self._tick_s
        if due - self._tick_at > 0.5 * self._tick_s:
            if self._ticking is not None:
                self._ticking.cancel()
            self._tick_at = due
            self._ticking = self._clock.call_at(due, self._tick)

    def _tick(self) -> None:
        self._ticking, self._tick_at = None, -math.inf
        if self._stopping:
            return
        now = self._clock.monotonic()
        try:
            # The very sum for which the timer was set: a difference could round to less, for ever.
            if now >= self.station.state.stepped_at + self._tick_s:
                self.station.tick(now)
        except Exception as error:  # noqa: BLE001 - it ends the session, as one that a reading brought does
            self._on_fault(error)
            return
        self._rearm(self.station.state.stepped_at)

    # --- what follows from a turn -----------------------------------------------------------------

    def _on_turn(self, turn: Turn) -> None:
        self._rearm(turn.now)
        if _latches(turn):
            self.settle()
            self._write_down(turn)
        elif turn.events or self._aftermath:
            self._later(turn)
        else:
            self._write_down(turn)

    def _later(self, what: Turn | StationEvent) -> None:
        self._aftermath.append(what)
        if self._settling is None:
            self._settling = self._clock.call_later(AFTERMATH_S, self._settle)

    def _settle(self) -> None:
        try:
            self.settle()
        except Exception as error:  # noqa: BLE001 - it ends the session, as one within a turn does
            self._on_fault(error)

    def settle(self) -> None:
        """Write down what has happened; to be called before anything that is to come after it."""
        if self._settling is not None:
            self._settling.cancel()
            self._settling = None
        while self._aftermath:
            what = self._aftermath.popleft()
            if isinstance(what, StationEvent):
                self._tell(what)
            else:
                self._write_down(what)

    def _write_down(self, turn: Turn) -> None:
        ticket: Ticket | None = None
        if self._log is not None:
            if _latches(turn):
                waits = ticket = self._gate.ticket(turn)
                self._log.turn(self._name, turn, lambda written: self._logged(waits, written))
            else:
                self._log.turn(self._name, turn)
        if turn.view is not None:
            self._gate.view(turn.view, ticket)
        for event in turn.events:
            self._gate.event(event, ticket)
        if self._forecast is not None:
            self._forecast_queue.append(turn)
            if self._forecast_timer is None:
                if turn.events:
                    # A forecast may take milliseconds; people learn first of what has just happened.
                    self._forecast_timer = self._clock.call_later(FORECAST_AFTER_S, self._run_forecast)
                else:
                    self._run_forecast()

    def _logged(self, ticket: Ticket, written: bool) -> None:
        try:
            if written:
                self._gate.logged(ticket)
            else:
                self._gate.give_up(ticket)
        except Exception as error:  # noqa: BLE001 - it ends the session, as one within a turn does
            self._on_fault(error)

    def _say(self, event: str, sentence: str) -> None:
        self.settle()
        self._tell(StationEvent(self._name, event, Level.ERROR, sentence))

    def _tell(self, event: StationEvent) -> None:
        if self._log is not None:
            self._log.event(event)
        self._gate.event(event)

    def _run_forecast(self) -> None:
        if self._forecast_timer is not None:
            self._forecast_timer.cancel()
            self._forecast_timer = None
        while self._forecast_queue and self._forecast is not None:
            self._forecast.turn(self._forecast_queue.popleft())


def _latches(turn: Turn) -> bool:
    """Whether something of this turn outlives a restart: a trip, an alarm, a hold, or a command's outcome."""
    return (
        turn.command is not None
        or turn.state.hold is not turn.before.hold
        or any(not isinstance(event, PhaseChanged) for event in turn.decision.events)
    )
