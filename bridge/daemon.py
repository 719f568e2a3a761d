"""The process: one task for each reservoir, one for the broker, and the word with the service manager.

Everything that matters for the valve happens inside a reservoir's own turn; nothing here can delay it.
"""

import asyncio
import logging
import signal
from collections.abc import Callable, Sequence

import structlog

from bridge.errors import HubError
from bridge.guard.commands import GuardCommand
from bridge.hub.announcements import Announcements
from bridge.hub.client import HubClient
from bridge.hub.topics import Level as HubLevel
from bridge.hub.view import StationView
from bridge.plan import BridgePlan, HubPlan, StationPlan
from bridge.service import ServiceManager
from bridge.station import Level, Station, StationEvent
from bridge.wire.codec import Damaged, Ignored
from bridge.wire.messages import FromController
from bridge.wire.port import LinkDown, LinkUp, SerialLink

_log = structlog.get_logger("clearwell")

FIRST_WAIT_S = 1.0
LONGEST_WAIT_S = 60.0

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
    ) -> None:
        self.plan = plan
        self._link = SerialLink(
            plan.port,
            on_message=self._on_message,
            on_link=self._on_link,
            on_stray=self._on_stray,
            baud=plan.baud,
            silence_s=plan.limits.stale_after_s,
        )
        self._on_view = on_view
        self._on_event = on_event
        self._loop = asyncio.get_running_loop()
        self._stopping = False
        self.station = self._begin()

    def close_now(self) -> None:
        """Send the close and let nothing open the valve again."""
        self._stopping = True
        self._link.finish()

    def command(self, command: GuardCommand) -> str | None:
        """Obey a person: None, or the sentence that refuses."""
        if self._stopping:
            return "the bridge is stopping."
        return self.station.command(command, self._loop.time())

    async def run(self) -> None:
        """Keep it until :meth:`close_now`."""
        wait_s = FIRST_WAIT_S
        while not self._stopping:
            began = self._loop.time()
            try:
                await self._session()
            except Exception as error:  # noqa: BLE001 - one reservoir's fault must not end the others
                self._on_event(
                    StationEvent(
                        self.plan.identity.reservoir,
                        "station-failed",
                        Level.ERROR,
                        f"This reservoir's session ended by a fault of the program ({error!r}); its valve "
                        f"was closed. It begins anew in {wait_s:.0f} s. Please report this with the log.",
                    )
                )
                _log.exception("station-failed", reservoir=self.plan.identity.reservoir)
                await asyncio.sleep(wait_s)
                wait_s = (
                    FIRST_WAIT_S
                    if self._loop.time() - began > LONGEST_WAIT_S
                    else min(2 * wait_s, LONGEST_WAIT_S)
                )
                # The guard's state goes on: a latched trip does not vanish because the program failed.
                self.station = self._begin(self.station)

    async def _session(self) -> None:
        async with asyncio.TaskGroup() as group:
            ticking = group.create_task(self._tick())
            await self._link.run()
            ticking.cancel()

    async def _tick(self) -> None:
        period_s = min(self.plan.limits.step_s, 0.5 * self.plan.limits.stale_after_s)
        while True:
            await asyncio.sleep(period_s)
            if not self._stopping:
                self.station.tick(self._loop.time())

    def _begin(self, before: Station | None = None) -> Station:
        return Station(
            self.plan,
            send=self._link.send,
            next_sequence=self._link.next_sequence,
            now=self._loop.time(),
            on_view=self._on_view,
            on_event=self._on_event,
            state=None if before is None else before.state,
            accounts=None if before is None else before.memory.inventory,
        )

    def _on_message(self, message: FromController) -> None:
        if not self._stopping:
            self.station.receive(message, self._loop.time())

    def _on_link(self, news: LinkUp | LinkDown) -> None:
        if isinstance(news, LinkUp):
            self.station.link(True)
        else:
            self.station.link(False, str(news.error))

    def _on_stray(self, stray: Damaged | Ignored) -> None:
        if isinstance(stray, Damaged):
            self.station.damaged()


class Daemon:
    """All reservoirs, the broker, and how it ends."""

    def __init__(self, plan: BridgePlan, watcher: Callable[[StationEvent], None] | None = None) -> None:
        self.plan = plan
        self._watcher = watcher
        self._hub: HubClient | None = None if plan.hub is None else self._client(plan.hub, plan.stations)
        self.keepers = {
            station.identity.reservoir: Keeper(station, self._on_view, self._on_event)
            for station in plan.stations
        }
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
            async with asyncio.TaskGroup() as group:
                for keeper in self.keepers.values():
                    group.create_task(keeper.run())
                if self._hub is not None:
                    group.create_task(self._hub.run())
                pulse = group.create_task(self._service.pulse())
                self._service.ready(f"keeping {len(self.keepers)} reservoir(s)")
                _log.info("started", reservoirs=list(self.keepers))
                await self._stop.wait()
                self._service.stopping()
                if self._hub is not None:
                    await self._hub.stop()
                pulse.cancel()
        finally:
            for number in (signal.SIGTERM, signal.SIGINT):
                loop.remove_signal_handler(number)
        _log.info("stopped")

    def _client(self, hub: HubPlan, stations: Sequence[StationPlan]) -> HubClient:
        return HubClient(
            hub.broker,
            hub.layout,
            [station.identity for station in stations],
            on_command=self._on_command,
            report=self._on_hub,
            announcements=Announcements(hub.announcements, hub.layout),
            heartbeat_s=hub.heartbeat_s,
            clock=asyncio.get_running_loop().time,
        )

    def _on_view(self, view: StationView) -> None:
        if self._hub is not None:
            self._hub.offer(view)

    def _on_event(self, event: StationEvent) -> None:
        _log.log(_STRUCTLOG_LEVEL[event.level], event.id, reservoir=event.reservoir, sentence=event.sentence)
        if self._hub is not None:
            self._hub.log(_HUB_LEVEL[event.level], f"{event.id}: {event.sentence}", event.reservoir)
        if self._watcher is not None:
            self._watcher(event)

    def _on_command(self, reservoir: str, command: GuardCommand) -> str | None:
        return self.keepers[reservoir].command(command)

    def _on_hub(self, trouble: HubError | None) -> None:
        if trouble is None:
            _log.info("hub-connected")
        else:
            _log.warning("hub-away", sentence=str(trouble))
