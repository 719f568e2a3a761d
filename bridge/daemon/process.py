"""The process: a task for each reservoir, for the broker and for the page, and systemd notifications. Shell.

Every decision on a valve is made in a turn of its reservoir. Nothing in this file can delay it. The task of a
reservoir restarts keeper and link after a fault. The task of the relay runs it against a real log and a real
broker.
"""

import asyncio
import contextlib
import gc
import logging
import re
import signal
import sys
from collections.abc import Callable, Sequence
from contextlib import ExitStack, closing
from functools import partial
from typing import TYPE_CHECKING, assert_never

import structlog

from bridge.clock import LoopClock
from bridge.config.plan import BridgePlan, HubPlan, PagePlan
from bridge.daemon.garden import GardenKeeper
from bridge.daemon.gate import Gate
from bridge.daemon.keeper import Answered, Keeper
from bridge.daemon.local_socket import LocalSocket, claim_client
from bridge.daemon.log_policy import KeptLog
from bridge.daemon.logbook import Logbook
from bridge.daemon.relay import Fetch, Pause, Relay, Send
from bridge.daemon.service import ServiceManager
from bridge.errors import HubError, InputError
from bridge.guard.commands import GuardCommand
from bridge.guard.faults import latched_sentences
from bridge.guard.model import Advisory
from bridge.guard.state import Reply
from bridge.history.log_file import holder
from bridge.history.opening import LogTrouble
from bridge.history.outbox import OutboxLevel
from bridge.mqtt.announcements import Announcements
from bridge.mqtt.client import HubClient
from bridge.mqtt.topics import Layout, Publication
from bridge.mqtt.topics import Level as HubLevel
from bridge.station.events import Level, StationEvent
from bridge.station.plan import StationPlan
from bridge.station.view import StationView
from bridge.transport.link import link_to

_log = structlog.get_logger("clearwell")

SAMPLES_EVERY_S = 60.0
SWITCH_S = 0.0005

_STRUCTLOG_LEVEL = {Level.INFO: logging.INFO, Level.WARNING: logging.WARNING, Level.ERROR: logging.ERROR}
_HUB_LEVEL = {Level.INFO: HubLevel.INFO, Level.WARNING: HubLevel.WARN, Level.ERROR: HubLevel.ERROR}


def records_topic(layout: Layout) -> str:
    """Return the topic of the records. It is one topic, so that the broker keeps their order."""
    return f"clearwell/{layout.bridge}/records"


def again_topic(layout: Layout) -> str:
    """Return the topic on which a collector sends the last id that it has, to get what follows."""
    return f"{records_topic(layout)}/again"


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
                # By these a collector sees whether a parcel before this one is missing.
                position = (("after", str(parcel.after)), ("last", str(parcel.id)))
                records = Publication(records_topic(layout), payload, 1, False, position)
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


if TYPE_CHECKING:
    from bridge.daemon.page_host import PageHost


class Daemon:
    """Runs all reservoirs, the log, the broker and the page, until it is stopped."""

    def __init__(self, plan: BridgePlan, watcher: Callable[[StationEvent], None] | None = None) -> None:
        self.plan = plan
        self._watcher = watcher
        self._hub: HubClient | None = None if plan.hub is None else self._client(plan.hub, plan.stations)
        self._logbook: Logbook | None = None
        self._refusals: Gate | None = None
        if plan.log is not None:
            self._refusals = Gate(LoopClock(asyncio.get_running_loop()), self._on_view, self._show_event)
            self._logbook = Logbook(plan.log, plan.stations, self._on_log, self._on_outbox)
        self.page: PageHost | None = None if plan.page is None else self._page(plan.page)
        self.keepers: dict[str, Keeper] = {}
        self._keeper_tasks: list[KeeperTask] = []
        self.ready = asyncio.Event()
        """Set when every reservoir runs."""
        self._stop = asyncio.Event()
        self._service = ServiceManager.from_environment()
        self._local: LocalSocket | None = None
        self._entered = asyncio.Event()
        """Set when a person has entered something into the log."""

    @property
    def hub_connected(self) -> bool:
        """True while connected to the broker, with every topic published."""
        return self._hub is not None and self._hub.connected

    def stop(self) -> None:
        """Close every valve, then stop the other tasks."""
        for running in self._keeper_tasks:
            running.close_now()
        self._stop.set()

    async def run(self) -> None:
        """Run until :meth:`stop`, SIGTERM or SIGINT.

        Raises:
            InputError: Another daemon has the log, the socket or the client id.
        """
        with ExitStack() as claims:
            self._claim(claims)
            await self._run()

    def _claim(self, claims: ExitStack) -> None:
        """Claim what only one daemon may have, so that two of them do not disturb each other."""
        plan = self.plan
        if plan.log is not None and (other := holder(plan.log.path)) is not None:
            raise InputError(
                f"another daemon writes the log {plan.log.path}: {other}. Stop one of them, or give each its "
                "own configuration and log"
            )
        if plan.hub is not None:
            broker = plan.hub.broker
            claims.enter_context(closing(claim_client(broker.address, broker.client_id)))
        if plan.socket is not None:
            try:
                self._local = LocalSocket(
                    plan.socket,
                    [station.identity for station in plan.stations],
                    on_command=lambda reservoir, command, replied: self.keepers[reservoir].execute(
                        command, replied
                    ),
                    on_refused=self._on_refused,
                    on_entries=self._entered.set,
                )
                claims.callback(self._local.close)
            except OSError as error:
                _log.warning(
                    "socket-unusable",
                    sentence=f"The socket {plan.socket} cannot be made ({error.strerror}), so the command "
                    "line cannot command this bridge. Filling continues without it.",
                )

    async def _run(self) -> None:
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
                    keeper.end()
                await self._logbook.close()
                for keeper in self.keepers.values():
                    keeper.flush()
                if self._refusals is not None:
                    self._refusals.flush()
            for number in (signal.SIGTERM, signal.SIGINT):
                loop.remove_signal_handler(number)
        _log.info("stopped", sentence="Every valve is shut, and the bridge has stopped.")

    async def _keep(self) -> None:
        if self._stop.is_set():
            return
        for one in self.plan.stations:
            running = KeeperTask(one, self._on_view, self._show_event, self._logbook)
            self._keeper_tasks.append(running)
            self.keepers[one.identity.reservoir] = running.keeper
            name, state = one.identity.reservoir, running.keeper.station.state
            for what, remedy in latched_sentences(name, state.latches, hold=state.hold):
                _log.warning("latched", reservoir=name, sentence=f"{what} {remedy}")
        async with asyncio.TaskGroup() as group:
            for running in self._keeper_tasks:
                group.create_task(running.run())
            aside = [group.create_task(self._service.pulse())]
            if self._hub is not None:
                group.create_task(self._hub.run())
                if self._logbook is not None and self.plan.hub is not None:
                    aside.append(group.create_task(carry(self._logbook, self._hub, self.plan.hub.layout)))
            if self.page is not None:
                aside.append(group.create_task(self.page.run()))
            if self._logbook is not None:
                aside.append(group.create_task(self._take_entries(self._logbook)))
            if self._local is not None:
                aside.append(group.create_task(self._local.run()))
            # The objects that exist now live as long as the process. A garbage collection over them would
            # delay a turn by up to 0.1 s.
            gc.freeze()
            # By default the log's thread can hold the interpreter for 5 ms, which would delay the close after
            # a trip.
            sys.setswitchinterval(SWITCH_S)
            self.ready.set()
            self._service.ready(f"keeping {len(self.keepers)} reservoir(s)")
            _log.info("started", sentence=f"The bridge keeps {' and '.join(self.keepers)} filled.")
            await self._stop.wait()
            self._service.stopping()
            if self._hub is not None:
                await self._hub.stop()
            for task in aside:
                task.cancel()

    async def _take_entries(self, logbook: Logbook) -> None:
        """Pass what is in the log to the reservoirs: samples, and what the garden needs today."""
        log = self.plan.log
        assert log is not None
        garden = GardenKeeper(self.plan, log.path, self.keepers, self._on_event)
        entered = False
        while True:
            for reservoir, sample in logbook.reservoirs_sampled().items():
                if reservoir in self.keepers:
                    self.keepers[reservoir].reservoir_sampled(sample)
            await garden.look(entered)
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(SAMPLES_EVERY_S):
                    await self._entered.wait()
            entered = self._entered.is_set()
            self._entered.clear()
            found = await logbook.read_history()
            for reservoir, us_cm in found.feed_us_cm.items():
                if reservoir in self.keepers:
                    self.keepers[reservoir].feed_sampled(us_cm)

    def _client(self, hub: HubPlan, stations: Sequence[StationPlan]) -> HubClient:
        return HubClient(
            hub.broker,
            hub.layout,
            [station.identity for station in stations],
            on_command=self._on_hub_command,
            report=self._on_hub,
            on_refused=self._on_refused,
            requests={again_topic(hub.layout): self._on_again},
            announcements=Announcements(hub.announcements, hub.layout),
            heartbeat_s=hub.heartbeat_s,
            clock=asyncio.get_running_loop().time,
        )

    def _page(self, page: PagePlan) -> "PageHost":
        from bridge.daemon.page_host import PageHost, fittings_of
        from bridge.daemon.page_lines import packed

        return PageHost(
            page,
            self.plan.log,
            self.plan.display,
            [station.identity for station in self.plan.stations],
            [fittings_of(station) for station in self.plan.stations],
            broker=None if self.plan.hub is None else self.plan.hub.broker,
            garden=packed(self.plan),
            on_command=self._on_command,
            on_refused=partial(self._on_refused, sender="page"),
            report=self._on_event,
        )

    def _on_view(self, view: StationView) -> None:
        if self._hub is not None:
            self._hub.offer(view)
        if self.page is not None:
            self.page.offer(view)

    def _on_event(self, event: StationEvent) -> None:
        """Write and show an event of no reservoir. A keeper writes the events of its reservoir itself."""
        if self._logbook is not None:
            self._logbook.event(event)
        self._show_event(event)

    def _show_event(self, event: StationEvent) -> None:
        _log.log(_STRUCTLOG_LEVEL[event.level], event.id, reservoir=event.reservoir, sentence=event.sentence)
        if self._hub is not None:
            self._hub.log(_HUB_LEVEL[event.level], f"{event.id}: {event.sentence}", event.reservoir or None)
        if self._watcher is not None:
            self._watcher(event)

    def _on_command(self, reservoir: str, command: GuardCommand, answered: Answered) -> None:
        self.keepers[reservoir].command(command, answered)

    def _on_again(self, payload: str) -> None:
        """Send the records after a position again, which a collector lacks."""
        if self._logbook is not None and re.fullmatch(r"[0-9]{1,18}", payload):
            self._logbook.send_again(int(payload))
        else:
            _log.warning("records-again", sentence=f"{payload[:40]!r} is not a position in the log.")

    def _on_hub_command(self, reservoir: str, command: GuardCommand, answered: Answered) -> None:
        def replied(reply: Reply) -> None:
            if reply.accepted:
                answered(None)
            elif self._stop.is_set():
                answered(reply.sentence)
            # Otherwise the event of the scan has already published the refusal.

        self.keepers[reservoir].execute(command, replied)

    def _on_hub(self, trouble: HubError | None) -> None:
        if trouble is None:
            _log.info("hub-connected", sentence="The broker accepts what the bridge publishes.")
        else:
            _log.warning("hub-away", sentence=str(trouble))

    def _on_refused(
        self, reservoir: str, sentence: str, answer: Callable[[], None], sender: str = "hub"
    ) -> None:
        """Log a command that was refused before it reached a station, then answer it."""
        gate = self._refusals
        if self._logbook is None or gate is None:
            answer()
            return
        ticket = gate.ticket()
        self._logbook.refused(
            reservoir,
            sentence,
            sender,
            lambda written: gate.logged(ticket) if written else gate.give_up(ticket),
        )
        gate.answer(answer, ticket)

    def _on_log(self, trouble: LogTrouble | None) -> None:
        for keeper in self.keepers.values():
            keeper.condition(Advisory.LOG_TROUBLE, trouble is not None)
        if trouble is None:
            _log.info("log-works", sentence="The log is written again.")
        else:
            _log.error(trouble.fault.value, sentence=str(trouble))

    def _on_outbox(self, level: OutboxLevel) -> None:
        for keeper in self.keepers.values():
            keeper.condition(Advisory.OUTBOX_FILLING, level.alert)
        _log.warning(
            "outbox", waiting=level.waiting_readings, dropped=level.dropped_readings, alert=level.alert
        )
