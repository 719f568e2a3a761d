"""The process: a task for each reservoir, for the broker and for the page, and the service manager's word.

Everything that matters for the valve happens inside a reservoir's own turn; nothing here can delay it.
"""

import asyncio
import gc
import logging
import math
import signal
import sys
from collections import deque
from collections.abc import Callable, Sequence
from functools import partial
from typing import TYPE_CHECKING

import structlog

from bridge.errors import HubError
from bridge.guard.commands import GuardCommand, ReservoirSample
from bridge.guard.state import GuardState
from bridge.guard.words import Advisory
from bridge.history.outbox import OutboxLevel
from bridge.history.trouble import LogTrouble
from bridge.hub.announcements import Announcements
from bridge.hub.client import HubClient
from bridge.hub.topics import Level as HubLevel
from bridge.hub.view import StationView
from bridge.logbook import Logbook
from bridge.plan import BridgePlan, HubPlan, PagePlan, StationPlan
from bridge.prospect.foresight import Foresight
from bridge.prospect.prospect import Prospect
from bridge.relay import carry
from bridge.service import ServiceManager
from bridge.station.inventory import Inventory
from bridge.station.linking import link_to
from bridge.station.station import Level, Station, StationEvent, Turn
from bridge.wire.codec import Damaged, Ignored
from bridge.wire.messages import FromController
from bridge.wire.port import LinkDown, LinkUp

if TYPE_CHECKING:
    from bridge.page.host import PageHost

_log = structlog.get_logger("clearwell")

FIRST_WAIT_S = 1.0
LONGEST_WAIT_S = 60.0
SAMPLES_EVERY_S = 60.0
SWITCH_S = 0.0005
FORESEE_AFTER_S = 0.05
SAMPLER = "a sample in the log"
"""Who is said to have sent it."""
STATE_LOST = (
    "What was latched before the restart is not known, because the log could not be read; filling is on "
    "hold. Look at the purifier and the reservoir, and lift the hold when all is well."
)

_STRUCTLOG_LEVEL = {Level.INFO: logging.INFO, Level.WARNING: logging.WARNING, Level.ERROR: logging.ERROR}
_HUB_LEVEL = {Level.INFO: HubLevel.INFO, Level.WARNING: HubLevel.WARN, Level.ERROR: HubLevel.ERROR}


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
            if not self._broken.done():
                self._broken.set_exception(error)
            return
        self._rearm(self.station.state.stepped_at)

    def _begin(self, state: GuardState | None, accounts: Inventory | None) -> Station:
        station = Station(
            self.plan,
            send=self._link.send,
            next_sequence=self._link.next_sequence,
            now=self._loop.time(),
            on_view=self._on_view,
            on_turn=self._on_turn,
            on_event=self._on_event,
            state=state,
            accounts=accounts,
        )
        if self._feed_us_cm is not None:
            station.feed_sampled(self._feed_us_cm)
        return station

    def _say(self, event: str, sentence: str) -> None:
        self._on_event(StationEvent(self.plan.identity.reservoir, event, Level.ERROR, sentence))

    def _on_turn(self, turn: Turn) -> None:
        if self._logbook is not None:
            self._logbook.turn(self.plan.identity.reservoir, turn)
        self._rearm(turn.now)
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
        self._on_event(StationEvent(reservoir, "modbus-note", Level.WARNING, sentence))

    def _on_stray(self, stray: Damaged | Ignored) -> None:
        if isinstance(stray, Damaged):
            self.station.damaged()


async def _fault_of(broken: "asyncio.Future[None]") -> None:
    await broken


class Daemon:
    """All reservoirs, the log, the broker, and how it ends."""

    def __init__(self, plan: BridgePlan, watcher: Callable[[StationEvent], None] | None = None) -> None:
        self.plan = plan
        self._watcher = watcher
        self._hub: HubClient | None = None if plan.hub is None else self._client(plan.hub, plan.stations)
        self._logbook: Logbook | None = None
        if plan.log is not None:
            self._logbook = Logbook(plan.log, plan.stations, self._on_log, self._on_outbox)
        self.page: PageHost | None = None if plan.page is None else self._page(plan.page)
        self.keepers: dict[str, Keeper] = {}
        self.ready = asyncio.Event()
        """Set when every reservoir is kept."""
        self._stop = asyncio.Event()
        self._service = ServiceManager.from_environment()

    @property
    def hub_connected(self) -> bool:
        """The broker was told everything, and the connection stands."""
        return self._hub is not None and self._hub.connected

    def stop(self) -> None:
        """Close every valve, then let everything else end."""
        for keeper in self.keepers.values():
            keeper.close_now()
        self._stop.set()

    async def run(self) -> None:
        """Run until :meth:`stop`, SIGTERM or SIGINT."""
        loop = asyncio.get_running_loop()
        for number in (signal.SIGTERM, signal.SIGINT):
            loop.add_signal_handler(number, self.stop)
        try:
            if self._logbook is not None:
                await self._logbook.open()
            await self._keep()
        finally:
            if self._logbook is not None:
                for keeper in self.keepers.values():
                    keeper.save_accounts()
                    keeper.save_forecast()
                await self._logbook.close()
            for number in (signal.SIGTERM, signal.SIGINT):
                loop.remove_signal_handler(number)
        _log.info("stopped")

    async def _keep(self) -> None:
        if self._stop.is_set():
            return
        for one in self.plan.stations:
            keeper = Keeper(one, self._on_view, self._on_event, self._logbook)
            self.keepers[one.identity.reservoir] = keeper
        async with asyncio.TaskGroup() as group:
            for keeper in self.keepers.values():
                group.create_task(keeper.run())
            aside = [group.create_task(self._service.pulse())]
            if self._hub is not None:
                group.create_task(self._hub.run())
                if self._logbook is not None and self.plan.hub is not None:
                    aside.append(group.create_task(carry(self._logbook, self._hub, self.plan.hub.layout)))
            if self.page is not None:
                aside.append(group.create_task(self.page.run()))
            if self._logbook is not None:
                aside.append(group.create_task(self._take_samples(self._logbook)))
            # What stands by now stays: to look through it for garbage would hold up a turn for up to 0.1 s.
            gc.freeze()
            # The usual 5 ms for which the log's thread may keep the interpreter are too long beside a trip.
            sys.setswitchinterval(SWITCH_S)
            self.ready.set()
            self._service.ready(f"keeping {len(self.keepers)} reservoir(s)")
            _log.info("started", reservoirs=list(self.keepers))
            await self._stop.wait()
            self._service.stopping()
            if self._hub is not None:
                await self._hub.stop()
            for task in aside:
                task.cancel()

    async def _take_samples(self, logbook: Logbook) -> None:
        """Samples of feed and reservoir that a person put into the log, before the start or since."""
        while True:
            for reservoir, us_cm in logbook.reservoirs_sampled().items():
                if reservoir in self.keepers:
                    self.keepers[reservoir].reservoir_sampled(us_cm)
            await asyncio.sleep(SAMPLES_EVERY_S)
            book = await logbook.read_book()
            for reservoir, us_cm in book.feed_us_cm.items():
                if reservoir in self.keepers:
                    self.keepers[reservoir].feed_sampled(us_cm)

    def _client(self, hub: HubPlan, stations: Sequence[StationPlan]) -> HubClient:
        return HubClient(
            hub.broker,
            hub.layout,
            [station.identity for station in stations],
            on_command=self._on_command,
            report=self._on_hub,
            on_refused=self._on_refused,
            announcements=Announcements(hub.announcements, hub.layout),
            heartbeat_s=hub.heartbeat_s,
            clock=asyncio.get_running_loop().time,
        )

    def _page(self, page: PagePlan) -> "PageHost":
        from bridge.page.host import PageHost

        return PageHost(
            page,
            self.plan.log,
            self.plan.display,
            [station.identity for station in self.plan.stations],
            broker=None if self.plan.hub is None else self.plan.hub.broker,
            on_command=self._on_command,
            on_refused=partial(self._on_refused, sender="page"),
            tell=self._on_event,
        )

    def _on_view(self, view: StationView) -> None:
        if self._hub is not None:
            self._hub.offer(view)
        if self.page is not None:
            self.page.offer(view)

    def _on_event(self, event: StationEvent) -> None:
        _log.log(_STRUCTLOG_LEVEL[event.level], event.id, reservoir=event.reservoir, sentence=event.sentence)
        if self._hub is not None:
            self._hub.log(_HUB_LEVEL[event.level], f"{event.id}: {event.sentence}", event.reservoir or None)
        if self._logbook is not None:
            self._logbook.event(event)
        if self._watcher is not None:
            self._watcher(event)

    def _on_command(self, reservoir: str, command: GuardCommand) -> str | None:
        return self.keepers[reservoir].command(command)

    def _on_hub(self, trouble: HubError | None) -> None:
        if trouble is None:
            _log.info("hub-connected")
        else:
            _log.warning("hub-away", sentence=str(trouble))

    def _on_refused(self, reservoir: str, sentence: str, sender: str = "hub") -> None:
        if self._logbook is not None:
            self._logbook.refused(reservoir, sentence, sender)

    def _on_log(self, trouble: LogTrouble | None) -> None:
        for keeper in self.keepers.values():
            keeper.station.note(Advisory.LOG_TROUBLE, trouble is not None)
        if trouble is None:
            _log.info("log-works")
        else:
            _log.error(trouble.fault.value, sentence=str(trouble))

    def _on_outbox(self, level: OutboxLevel) -> None:
        for keeper in self.keepers.values():
            keeper.station.note(Advisory.OUTBOX_FILLING, level.alert)
        _log.warning(
            "outbox", waiting=level.waiting_readings, dropped=level.dropped_readings, alert=level.alert
        )
