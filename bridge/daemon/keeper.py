"""Keeps one reservoir: its station, its link, and what follows from each turn.

What follows waits until the wire has been served: a close must reach the valve, and an alert the hub, before
anybody is woken who keeps the log or the forecast.
"""

import asyncio
import math
from collections import deque
from collections.abc import Callable

import structlog

from bridge.daemon.forecasts import Foresight
from bridge.daemon.logbook import Logbook
from bridge.forecast.learner import Prospect
from bridge.guard.commands import GuardCommand, ReservoirSample
from bridge.guard.state import AlarmChanged, GuardState
from bridge.protocol.codec import Damaged, Ignored
from bridge.protocol.messages import FromController
from bridge.station.inventory import Inventory
from bridge.station.plan import StationPlan
from bridge.station.station import Level, Station, StationEvent, Turn
from bridge.station.view import StationView
from bridge.transport.link import link_to
from bridge.transport.serial_link import LinkDown, LinkUp

_log = structlog.get_logger("clearwell")

FIRST_WAIT_S = 1.0
LONGEST_WAIT_S = 60.0
AFTERMATH_S = 0.001
"""What has just happened is written down and shown this long after it was decided. The system may hand a
frame on only when this process sleeps, and has the log's thread, the disk and the broker to wake besides. An
alert alone does not wait."""
FORESEE_AFTER_S = 0.05
SAMPLER = "a sample in the log"
"""Who is said to have sent it."""
STATE_LOST = (
    "What was latched before the restart is not known, because the log could not be read; filling is on "
    "hold. Look at the purifier and the reservoir, and lift the hold when all is well."
)


class Keeper:
    """Keeps one reservoir: its station, its serial link, and the ticks in between.

    A fault in here ends this reservoir's session with the valve closed, is logged, and the session begins
    anew after a wait; the other reservoirs never notice.
    """

    def __init__(
        self,
        plan: StationPlan,
        on_view: Callable[[StationView], None],
        on_event: Callable[[StationEvent], None],
        logbook: Logbook | None = None,
    ) -> None:
        self.plan = plan
        self._logbook = logbook
        self._link = link_to(
            plan,
            on_message=self._on_message,
            on_link=self._on_link,
            on_stray=self._on_stray,
            on_note=self._on_note,
        )
        self._on_view = on_view
        self._on_event = on_event
        self._aftermath: deque[Turn | StationEvent] = deque()
        """What has happened and is still to be written down, in order."""
        self._settling: asyncio.TimerHandle | None = None
        self._unseen: StationView | None = None
        """The last view, where it is still to be shown."""
        self._loop = asyncio.get_running_loop()
        self._tick_s = min(plan.limits.step_s, 0.5 * plan.limits.stale_after_s)
        self._tick_at = -math.inf
        self._ticking: asyncio.TimerHandle | None = None
        self._broken: asyncio.Future[None] = self._loop.create_future()
        self._stopping = False
        self._feed_us_cm = None if logbook is None else logbook.feed_sampled(plan.identity.reservoir)
        restored = None if logbook is None else logbook.restored(plan)
        if restored is None:
            self.station = self._begin(None, None)
        else:
            self.station = self._begin(restored.state, restored.accounts)
            if not restored.known:
                self._say("state-lost", STATE_LOST)
        load = self.station.memory.inventory.load
        self._foresight = Foresight(
            Prospect(plan, load=load)
            if logbook is None
            else logbook.prospect(plan, self.station.memory.inventory),
            logbook,
            self._say,
        )
        self._unforeseen: deque[Turn] = deque()
        """Turns that the forecast has still to take, in order."""
        self._foreseeing: asyncio.TimerHandle | None = None

    def close_now(self) -> None:
        """Send the close and let nothing open the valve again."""
        self._stopping = True
        self._link.finish()

    def command(self, command: GuardCommand) -> str | None:
        """Obey a person: None, or the sentence that refuses."""
        if self._stopping:
            return "the bridge is stopping."
        refusal = self.station.command(command, self._loop.time())
        self.settle()
        if refusal is None:
            self.save_accounts()
        return refusal

    def save_accounts(self) -> None:
        """Let the log keep what the reservoir holds and what the purifier took up."""
        if self._logbook is not None:
            accounts = self.station.memory.inventory
            self._logbook.accounts(self.plan.identity.reservoir, self.station.state, accounts)

    def feed_sampled(self, conductivity_25_us_cm: float) -> None:
        """Somebody sampled the feed by hand."""
        self._feed_us_cm = conductivity_25_us_cm
        self.station.feed_sampled(conductivity_25_us_cm)

    def reservoir_sampled(self, conductivity_25_us_cm: float) -> None:
        """Somebody sampled the reservoir by hand: a command like any other, and recorded like one."""
        ppm = self.plan.identity.factor * conductivity_25_us_cm
        self.command(ReservoirSample(self._loop.time(), SAMPLER, ppm))

    def save_forecast(self) -> None:
        """Let the log keep what the forecast has learned."""
        self._foresee()
        self._foresight.save()

    async def run(self) -> None:
        """Keep it until :meth:`close_now`."""
        wait_s = FIRST_WAIT_S
        while not self._stopping:
            began = self._loop.time()
            try:
                await self._session()
            except Exception as error:  # noqa: BLE001 - one reservoir's fault must not end the others
                self._say(
                    "station-failed",
                    f"This reservoir's session ended by a fault of the program ({error!r}); its valve "
                    f"was closed. It begins anew in {wait_s:.0f} s. Please report this with the log.",
                )
                _log.exception("station-failed", reservoir=self.plan.identity.reservoir)
                await asyncio.sleep(wait_s)
                wait_s = (
                    FIRST_WAIT_S
                    if self._loop.time() - began > LONGEST_WAIT_S
                    else min(2 * wait_s, LONGEST_WAIT_S)
                )
                # The guard's state goes on: a latched trip does not vanish because the program failed.
                self.station = self._begin(self.station.state, self.station.memory.inventory)

    async def _session(self) -> None:
        broken = self._broken = self._loop.create_future()
        self._rearm(self._loop.time())
        async with asyncio.TaskGroup() as group:
            watching = group.create_task(_fault_of(broken))
            await self._link.run()
            watching.cancel()

    def _rearm(self, now: float) -> None:
        """Put the next tick off, as a turn that a reading or a command brought is as good as one.

        A timer that is moved wakes nobody; moving it with each of fifty readings a second would cost more.
        """
        due = now + self._tick_s
        if due - self._tick_at > 0.5 * self._tick_s:
            if self._ticking is not None:
                self._ticking.cancel()
            self._tick_at = due
            self._ticking = self._loop.call_at(due, self._tick)

    def _tick(self) -> None:
        self._ticking, self._tick_at = None, -math.inf
        if self._stopping:
            return
        now = self._loop.time()
        try:
            if now - self.station.state.stepped_at >= self._tick_s:
                self.station.tick(now)
        except Exception as error:  # noqa: BLE001 - it ends the session, as one that a reading brought does
            self._break(error)
            return
        self._rearm(self.station.state.stepped_at)

    def _break(self, error: Exception) -> None:
        if not self._broken.done():
            self._broken.set_exception(error)

    def _begin(self, state: GuardState | None, accounts: Inventory | None) -> Station:
        station = Station(
            self.plan,
            send=self._link.send,
            next_sequence=self._link.next_sequence,
            now=self._loop.time(),
            on_view=self._show,
            on_turn=self._on_turn,
            on_event=self._later,
            state=state,
            accounts=accounts,
        )
        if self._feed_us_cm is not None:
            station.feed_sampled(self._feed_us_cm)
        return station

    def _say(self, event: str, sentence: str) -> None:
        self.settle()
        self._on_event(StationEvent(self.plan.identity.reservoir, event, Level.ERROR, sentence))

    def _show(self, view: StationView) -> None:
        decision = self.station.decision
        events = () if decision is None else decision.events
        if events and not any(isinstance(event, AlarmChanged) for event in events):
            self._unseen = view
        else:
            self._unseen = None
            self._on_view(view)

    def _on_turn(self, turn: Turn) -> None:
        self._rearm(turn.now)
        if turn.decision.events or self._aftermath:
            self._later(turn)
        else:
            self._write_down(turn)

    def _later(self, what: Turn | StationEvent) -> None:
        self._aftermath.append(what)
        if self._settling is None:
            self._settling = self._loop.call_later(AFTERMATH_S, self._settle)

    def _settle(self) -> None:
        try:
            self.settle()
        except Exception as error:  # noqa: BLE001 - it ends the session, as one within a turn does
            self._break(error)

    def settle(self) -> None:
        """Write down what has happened; to be called before anything that is to come after it."""
        if self._settling is not None:
            self._settling.cancel()
            self._settling = None
        while self._aftermath:
            what = self._aftermath.popleft()
            if isinstance(what, StationEvent):
                self._on_event(what)
            else:
                self._write_down(what)
        view, self._unseen = self._unseen, None
        if view is not None:
            self._on_view(view)

    def _write_down(self, turn: Turn) -> None:
        if self._logbook is not None:
            self._logbook.turn(self.plan.identity.reservoir, turn)
        self._unforeseen.append(turn)
        if self._foreseeing is None:
            if turn.decision.events:
                # A forecast may take milliseconds; what has just happened is told to people first.
                self._foreseeing = self._loop.call_later(FORESEE_AFTER_S, self._foresee)
            else:
                self._foresee()

    def _foresee(self) -> None:
        if self._foreseeing is not None:
            self._foreseeing.cancel()
            self._foreseeing = None
        while self._unforeseen:
            self._foresight.turn(self.station, self._unforeseen.popleft())

    def _on_message(self, message: FromController) -> None:
        if not self._stopping:
            self.station.receive(message, self._loop.time())

    def _on_link(self, news: LinkUp | LinkDown) -> None:
        if isinstance(news, LinkUp):
            self.station.link(True)
        else:
            self.station.link(False, str(news.error))

    def _on_note(self, sentence: str) -> None:
        reservoir = self.plan.identity.reservoir
        self._later(StationEvent(reservoir, "modbus-note", Level.WARNING, sentence))

    def _on_stray(self, stray: Damaged | Ignored) -> None:
        if isinstance(stray, Damaged):
            self.station.damaged()


async def _fault_of(broken: "asyncio.Future[None]") -> None:
    await broken
