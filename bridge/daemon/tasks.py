"""The asyncio tasks around the daemon's policies: one reservoir's keeper on its link, and the relay. Shell.

The keeper's task restarts keeper and link after a fault. The relay's task runs it against a real log and a
real broker.
"""

import asyncio
from collections.abc import Callable
from typing import assert_never

import structlog

from bridge.clock import LoopClock
from bridge.daemon.keeper import Keeper, KeptLog
from bridge.daemon.logbook import Logbook
from bridge.daemon.relay import Fetch, Pause, Relay, Send
from bridge.errors import HubError
from bridge.mqtt.client import HubClient
from bridge.mqtt.topics import Layout, Publication
from bridge.station.plan import StationPlan
from bridge.station.station import StationEvent
from bridge.station.view import StationView
from bridge.transport.link import link_to


def records_topic(layout: Layout) -> str:
    """Return the topic of the records. It is one topic, so that the broker keeps their order."""
    return f"clearwell/{layout.bridge}/records"


async def carry(logbook: Logbook, hub: HubClient, layout: Layout) -> None:
    """Send the parcels of the outbox until cancelled, whenever the broker is connected."""
    loop = asyncio.get_running_loop()
    relay = Relay(loop.time())
    while True:
        match relay.next(loop.time(), hub.connected):
            case Pause(seconds, until_entry=True):
                await logbook.entry_written(seconds)
            case Pause(seconds):
                await asyncio.sleep(seconds)
            case Fetch(count):
                packs = await logbook.packs(count, layout.bridge)
                relay.fetched(packs, logbook.quiet_s)
            case Send(parcel, payload):
                records = Publication(records_topic(layout), payload, qos=1, retain=False)
                acknowledged = await _sent(hub, records)
                if acknowledged:
                    logbook.acknowledge(parcel)
                relay.sent(acknowledged, loop.time())
            case other:
                assert_never(other)


async def _sent(hub: HubClient, records: Publication) -> bool:
    try:
        await hub.send(records)
    except HubError:
        # The client reports the lost connection; the parcel stays in the outbox.
        return False
    return True


_log = structlog.get_logger("clearwell")


class KeeperTask:
    """One reservoir on its real line.

    A fault of the program closes the valve, is logged, and ends this reservoir's session. A new session
    starts after a wait. The other reservoirs are not affected.

    Args:
        plan: The plan of the reservoir.
        on_view: Shows a view to people.
        on_event: Shows an event to people.
        log: The log. None without one.
    """

    def __init__(
        self,
        plan: StationPlan,
        on_view: Callable[[StationView], None],
        on_event: Callable[[StationEvent], None],
        log: KeptLog | None = None,
    ) -> None:
        self._loop = asyncio.get_running_loop()
        self._broken: asyncio.Future[None] = self._loop.create_future()
        self._link = link_to(
            plan.port,
            plan.baud,
            plan.modbus,
            silence_s=plan.limits.stale_after_s,
            on_message=lambda message: self.keeper.received(message),
            on_link=lambda news: self.keeper.received(news),
            on_stray=lambda stray: self.keeper.received(stray),
            on_note=lambda sentence: self.keeper.noted("modbus-note", sentence),
        )
        self._stopping = asyncio.Event()
        self.keeper = Keeper(plan, LoopClock(self._loop), self._link, on_view, on_event, self._break, log)

    def close_now(self) -> None:
        """Close the valve for good, and make :meth:`run` return."""
        self.keeper.close_now()
        self._stopping.set()
        self._link.finish()

    async def run(self) -> None:
        """Keep the reservoir until :meth:`close_now`."""
        while not self._stopping.is_set():
            try:
                await self._session()
            except Exception as error:  # noqa: BLE001 - one reservoir's fault must not end the others
                _log.exception("station-failed", reservoir=self.keeper.plan.identity.reservoir)
                await asyncio.sleep(self.keeper.failed(error))
                self.keeper.begin_again()

    async def _session(self) -> None:
        broken = self._broken = self._loop.create_future()
        async with asyncio.TaskGroup() as group:
            watching = group.create_task(_fault_of(broken))
            await self._link.run()
            watching.cancel()

    def _break(self, error: Exception) -> None:
        if not self._broken.done():
            self._broken.set_exception(error)


async def _fault_of(broken: "asyncio.Future[None]") -> None:
    await broken
