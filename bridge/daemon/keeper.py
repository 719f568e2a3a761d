"""Keeps one reservoir: passes each scan of its station to the log, to people and to the forecast. Core.

The order of a scan: its close or lease is on the wire before the scan gets here. Then its rows go to the log,
within :data:`WRITE_EVERY_S` if nothing happened. When the latched rows are on the disk, people are shown the
scan (:mod:`bridge.daemon.gate`). Then the forecast takes it. Events that do not latch are written and shown a
moment later, after the wire. The daemon runs a keeper under the clock of its event loop, a simulation under a
virtual clock.
"""

import math
from collections import deque
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, tzinfo
from functools import partial
from typing import Protocol

from bridge.clock import Backoff, Clock, Timer
from bridge.daemon.gate import Gate, Ticket
from bridge.daemon.log_policy import KeptLog
from bridge.daemon.rows import SAMPLER, accuracy_of
from bridge.daemon.station_forecast import StationForecast
from bridge.forecast.learner import Learner
from bridge.guard.commands import GuardCommand, ReservoirSample
from bridge.guard.model import Advisory
from bridge.guard.state import GuardState, PhaseChanged, Reply
from bridge.history.records import SampleRow
from bridge.protocol.messages import FromBridge
from bridge.protocol.session import LinkDown, Received
from bridge.station.events import Level, StationEvent
from bridge.station.inventory import Inventory
from bridge.station.plan import StationPlan
from bridge.station.station import VIEW_EVERY_S, Condition, FeedSampled, Note, Station, Turn
from bridge.station.view import StationView

FIRST_WAIT_S = 1.0
LONGEST_WAIT_S = 60.0
AFTERMATH_S = 0.001
"""Events that do not latch are written and shown this long after the decision.

The system may send a frame only when this process sleeps, and by then it would also have to wake the log's
thread, the disk and the broker."""
WRITE_EVERY_S = 0.1
"""Scans without anything for people wait this long for their rows, so that several are written together.

Of a controller that sends fifty readings a second, each writing alone would find the processor's caches cold.
"""
FORECAST_AFTER_S = 0.05
STATE_LOST = (
    "The trips and alarms from before the restart are not known, because the log could not be read. Filling "
    "is on hold. Look at the purifier and the reservoir, and release the hold when all is well."
)


class Wire(Protocol):
    """The link to the controller."""

    def next_sequence(self) -> int:
        """Return the number for the next message to send."""

    def send(self, message: FromBridge) -> bool:
        """Put a message on the wire at once. Returns False if the line cannot take it."""


Answered = Callable[[str | None], None]
"""Receives the result of a command: None, or the sentence that refuses it."""


class Keeper:
    """Keeps one reservoir under a clock; mutable.

    The caller passes each event of the wire to :meth:`received`. An exception of a call ends the session: the
    caller closes the valve, waits as long as :meth:`failed` returns, and calls :meth:`begin_again`.

    Args:
        plan: The plan of the reservoir.
        clock: The time and the timers.
        wire: The link to the controller.
        on_view: Shows a view to people.
        on_event: Shows an event to people.
        on_fault: Receives an exception of one of the keeper's timers. It ends the session, as above.
        log: The log. None without one.
        zone: The time zone of the people. None for that of the machine.
        forecasts: True to make forecasts.
        view_every_s: The longest time without a view while nothing happens.
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
        view_every_s: float = VIEW_EVERY_S,
    ) -> None:
        self.plan = plan
        self._name = plan.identity.reservoir
        self._clock = clock
        self._wire = wire
        self._on_fault = on_fault
        self._log = log
        self._view_every_s = view_every_s
        self._gate = Gate(clock, on_view, on_event)
        self._aftermath: deque[Turn | StationEvent] = deque()
        """The scans and events that are not written yet, in order."""
        self._settling: Timer | None = None
        self._written_at = -math.inf
        """The time of the last scan that was written without delay."""
        self._tick_s = min(plan.limits.step_s, 0.5 * plan.limits.stale_after_s)
        self._tick_at = -math.inf
        self._ticking: Timer | None = None
        self._waits = Backoff(FIRST_WAIT_S, LONGEST_WAIT_S)
        self._began_at = clock.monotonic()
        self._last_reading = (-math.inf, "")
        """Monotonic time of the reading before the link was lost, and its date."""
        self._last_sample = (-math.inf, "")
        """The same of the last sample of the reservoir."""
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
        """The scans that the forecast has not taken yet, in order."""
        self._forecast_timer: Timer | None = None
        self._rearm(clock.monotonic())

    # --- inputs ----------------------------------------------------------------------------

    def received(self, what: Received | LinkDown) -> None:
        """Take an event of the wire. The decision on a reading is sent before this returns."""
        if not self._stopping:
            self.station.receive(what, self._clock.monotonic())

    def noted(self, event: str, sentence: str) -> None:
        """Take a sentence about the line that a person should read."""
        self._later(StationEvent(self._name, event, Level.WARNING, sentence))

    def inform(self, *notes: Note) -> None:
        """Take inputs that do not come from the wire. They count from the next scan on."""
        self.station.inform(*notes)

    def condition(self, advisory: Advisory, present: bool) -> None:
        """Take a condition outside the reservoir that has appeared or ended."""
        self.inform(Condition(advisory, present))
        if advisory is Advisory.LOG_TROUBLE and not present:
            self._gate.caught_up()

    def feed_sampled(self, conductivity_25_us_cm: float) -> None:
        """Take a hand sample of the feed."""
        self._feed_us_cm = conductivity_25_us_cm
        self.inform(FeedSampled(conductivity_25_us_cm))

    def reservoir_sampled(self, sample: SampleRow) -> None:
        """Take a hand sample of the reservoir out of the log, as a command."""
        ppm = self.plan.identity.factor * sample.conductivity_25_us_cm
        accuracy = accuracy_of(sample, self.plan.identity.factor)
        self.command(ReservoirSample(self._clock.monotonic(), SAMPLER, ppm, accuracy))

    def command(self, command: GuardCommand, answered: Answered | None = None) -> str | None:
        """Execute a command.

        Args:
            command: The command.
            answered: Called with the result when the command is in the log.

        Returns:
            None, or the sentence that refuses the command. People see it only through ``answered``.
        """
        passed_on = None if answered is None else lambda reply: answered(_refusal_in(reply))
        return _refusal_in(self.execute(command, passed_on))

    def execute(self, command: GuardCommand, replied: Callable[[Reply], None] | None = None) -> Reply:
        """Execute a command, and return the reply of the guard whole.

        Args:
            command: The command.
            replied: Called with the reply when the command is in the log.
        """
        if self._stopping:
            reply = Reply(0, False, "the bridge is stopping.")
        else:
            reply = self.station.execute(command, self._clock.monotonic())
            if reply.accepted:
                self.save_accounts()
        if replied is not None:
            self._gate.answer(partial(replied, reply))
        return reply

    # --- start and end ----------------------------------------------------------------

    def close_now(self) -> None:
        """Keep the valve shut from now on. The link sends the close when it is finished."""
        self._stopping = True

    def end(self) -> None:
        """Write everything to the log, and cancel the timers."""
        self._stopping = True
        self.settle()
        self.save_accounts()
        if self._forecast is not None:
            self._run_forecast()
            self._forecast.save()
        if self._ticking is not None:
            self._ticking.cancel()

    def flush(self) -> None:
        """Show everything that is still held back, because the log is closed."""
        self._gate.flush()

    def failed(self, error: Exception) -> float:
        """Report a fault of the program. Returns the wait before the next session."""
        self._waits.lasted(self._clock.monotonic() - self._began_at)
        wait_s = self._waits.wait_s()
        while self._aftermath:
            try:
                self.settle()
            except Exception:  # noqa: BLE001 - the fault may be in writing, and is reported below
                # The scan that failed is no longer waiting, so this ends.
                continue
        self._say(
            "station-failed",
            f"This reservoir's session ended by a fault of the program ({error!r}); its valve "
            f"was closed. The next session starts in {wait_s:.0f} s. Please report this with the log.",
        )
        return wait_s

    def begin_again(self) -> None:
        """Start a new session with the same state of the guard, so that latched trips are kept."""
        memory, state = self.station.memory, self.station.state
        # The new session counts its throughput from 0, and the flow pulses from the last count.
        state = replace(state, throughput_l=None, catching_up=memory.pulses is not None)
        accounts = replace(memory.inventory, pulses=memory.pulses, controller=memory.controller)
        self.station = self._begin(state, accounts)
        self._began_at = self._clock.monotonic()
        self._rearm(self._began_at)

    def save_accounts(self) -> None:
        """Save the contents of the reservoir and the load of the purifier."""
        if self._log is not None:
            self.settle()
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
            view_every_s=self._view_every_s,
        )
        if self._feed_us_cm is not None:
            station.inform(FeedSampled(self._feed_us_cm))
        return station

    # --- ticks ------------------------------------------------------------------------------------

    def _rearm(self, now: float) -> None:
        """Postpone the next tick, because a reading or a command made a scan.

        The timer is moved only after half a period. Moving it for each of fifty readings a second costs more
        than it saves.
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
            # The same sum as the time of the timer: a difference could round to less each time.
            if now >= self.station.state.stepped_at + self._tick_s:
                self.station.tick(now)
        except Exception as error:  # noqa: BLE001 - it ends the session, as one that a reading brought does
            self._on_fault(error)
            return
        self._rearm(self.station.state.stepped_at)

    # --- after a scan -----------------------------------------------------------------

    def _on_turn(self, turn: Turn) -> None:
        self._rearm(turn.now)
        if _latches(turn):
            self.settle()
            self._write_down(turn)
        elif turn.events or self._settling is not None:
            self._later(turn)
        elif turn.view is None and turn.now - self._written_at < WRITE_EVERY_S:
            self._aftermath.append(turn)
        else:
            self._written_at = turn.now
            self.settle()
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
        """Write the waiting scans and events now, before whatever must follow them."""
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
                ticket = self._gate.ticket(turn)
                self._log.turn(self._name, turn, partial(self._logged, ticket))
            else:
                self._log.turn(self._name, turn)
        if turn.view is not None:
            self._gate.view(self._dated(turn.view, turn), ticket)
        for event in turn.events:
            self._gate.event(event, ticket)
        if self._forecast is not None:
            self._forecast_queue.append(turn)
            if self._forecast_timer is None:
                if turn.events:
                    # A forecast may take milliseconds; the event is shown first.
                    self._forecast_timer = self._clock.call_later(FORECAST_AFTER_S, self._run_forecast)
                else:
                    self._run_forecast()

    def _dated(self, view: StationView, turn: Turn) -> StationView:
        """Return the view with the time of the last sample, and of the last reading if the link is down."""
        read_at = None if turn.picture is None else turn.picture.assessment.frame_at
        sampled_at = turn.memory.inventory.water.sampled_s
        if sampled_at is not None:
            if self._last_sample[0] != sampled_at:
                self._last_sample = sampled_at, self._date(sampled_at)
            view = replace(view, reservoir_sampled=self._last_sample[1])
        if view.link_up or read_at is None:
            return view
        if self._last_reading[0] != read_at:
            self._last_reading = read_at, self._date(read_at)
        return replace(view, last_reading=self._last_reading[1])

    def _date(self, monotonic_s: float) -> str:
        """Return a time as RFC 3339. Call it once for each, so that a step of the clock does not move it."""
        at_s = self._clock.wall() - (self._clock.monotonic() - monotonic_s)
        return datetime.fromtimestamp(at_s, UTC).isoformat(timespec="seconds").replace("+00:00", "Z")

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


def _refusal_in(reply: Reply) -> str | None:
    return None if reply.accepted else reply.sentence


def _latches(turn: Turn) -> bool:
    """Return whether a scan has something that survives a restart: a trip, an alarm, a hold or a command."""
    return (
        turn.command is not None
        or turn.state.hold is not turn.before.hold
        or any(not isinstance(event, PhaseChanged) for event in turn.decision.events)
    )
