"""The client: sends messages to the broker, receives commands from it, and reconnects after every outage.

The station's loop only calls `HubClient.offer`, which stores one reference; only a changed alarm is published
in the same call. Everything slow happens in `HubClient.run`. What waits is bounded: the latest view of each
reservoir and the last lines for ``$log``. After a reconnect everything is published again, because the broker
may have lost its retained messages.

A clean session keeps the broker from delivering old commands. But a computer that was suspended finds
messages in its own socket that arrived before. `Heartbeat` shows how long the process did not run, so that
the age of such a command is known.
"""

import asyncio
import contextlib
import logging
import math
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

from bridge import __version__
from bridge.clock import Backoff
from bridge.errors import HubError
from bridge.guard.commands import GuardCommand
from bridge.mqtt.announcements import Announcements
from bridge.mqtt.broker import BrokerSettings, BrokerTrouble, explain
from bridge.mqtt.commands import Incoming, Refused, parse
from bridge.mqtt.outgoing import Outgoing
from bridge.mqtt.session import Session
from bridge.mqtt.thing import Access, publication
from bridge.mqtt.topics import Layout, Level, Publication
from bridge.station.plan import StationIdentity
from bridge.station.view import StationView

BEAT_S = 1.0
LATE_S = 2.0
"""A beat this late means that the process did not run, not that it was busy."""


@dataclass(frozen=True, slots=True)
class Heartbeat:
    """When the process last ran, on a clock that also counts while the computer is suspended.

    Attributes:
        at: the time of the last beat.
        standstill_s: length of the last standstill.
        resumed_at: when that standstill ended.
    """

    at: float
    standstill_s: float = 0.0
    resumed_at: float = 0.0

    def beat(self, now: float) -> "Heartbeat":
        """Record that the process runs; call it about every `BEAT_S` or more often."""
        gap = now - self.at
        if gap < BEAT_S + LATE_S:
            return replace(self, at=now)
        return Heartbeat(now, standstill_s=gap, resumed_at=now)

    def waited_s(self, now: float) -> float:
        """Return how long a message that is read now may have waited, because the process did not run."""
        gap = now - self.at
        if gap >= BEAT_S + LATE_S:
            return gap
        return self.standstill_s if now - self.resumed_at < BEAT_S else 0.0


PAUSE_AFTER_ALERT_S = 0.002
"""Subscribers get the alert before the system has a dozen more values to deliver."""

JITTER = 0.3
"""Shortens each wait by up to this share, so that bridges do not all reconnect at the same moment."""
_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Timeouts:
    """How long to wait for the broker.

    Attributes:
        answer_s: for the acknowledgement of one message, before the connection counts as broken.
        first_s: before the second attempt to connect; doubled with each further attempt.
        longest_s: the longest wait between two attempts.
    """

    answer_s: float = 5.0
    first_s: float = 1.0
    longest_s: float = 60.0


def _publish_at_once(reservoir: str, sentence: str, publish: Callable[[], None]) -> None:
    """Publish a refusal at once, where there is no log."""
    publish()


class HubClient:
    """The bridge's one connection to the broker.

    Args:
        settings: the broker.
        layout: the names that topics start with.
        reservoirs: every reservoir that will ever be offered.
        on_command: called in the event loop with the reservoir's id, a valid command, and a callback for
            the result: None if the command was carried out, else the sentence that refuses it. It must
            not block.
        report: called with each new fault, and with None when the connection is up. The sentence contains no
            secret.
        on_refused: called for each malformed command with the reservoir's id (or an empty text), the sentence
            that refuses it, and a callback that publishes the refusal; call that when the refusal is logged.
        requests: for each further topic to subscribe to, what is called with the payload of a message on it.
            It must not block.
        announcements: the user's own messages.
        heartbeat_s: every value is published at least this often.
        timeouts: how long to wait for the broker.
        clock: monotonic seconds; the same clock gives the age of a command.
    """

    def __init__(
        self,
        settings: BrokerSettings,
        layout: Layout,
        reservoirs: Sequence[StationIdentity],
        *,
        on_command: Callable[[str, GuardCommand, Callable[[str | None], None]], None],
        report: Callable[[HubError | None], None],
        on_refused: Callable[[str, str, Callable[[], None]], None] = _publish_at_once,
        requests: Mapping[str, Callable[[str], None]] | None = None,
        announcements: Announcements | None = None,
        heartbeat_s: float = 300.0,
        timeouts: Timeouts | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._settings = settings
        self._layout = layout
        self._on_command = on_command
        self._report = report
        self._on_refused = on_refused
        self._requests = requests or {}
        self._timeouts = timeouts or Timeouts()
        self._clock = clock
        self._outgoing = Outgoing(
            layout,
            reservoirs,
            announcements or Announcements((), layout),
            lambda identity: publication(identity, layout, Access.of(settings), __version__),
            heartbeat_s,
            time.time(),
        )
        self._reservoirs = {layout.device(one.reservoir): one.reservoir for one in reservoirs}
        self._scheduled = False
        self._stopping = asyncio.Event()
        self._ended = asyncio.Event()
        self._ended.set()
        self._loop = asyncio.get_running_loop()
        self._session: Session | None = None
        self._heartbeat = Heartbeat(_boottime_s())
        self._beat_at = -math.inf
        self._beating: asyncio.TimerHandle | None = None
        self._reported: str | None = None
        self._backoff = Backoff(self._timeouts.first_s, self._timeouts.longest_s, JITTER)

    @property
    def connected(self) -> bool:
        """Whether the connection is up, as far as is known, and every retained value was published on it."""
        return self._session is not None

    def offer(self, view: StationView) -> None:
        """Take the state of a reservoir, to be published. Never blocks; only the latest one is kept.

        Raises:
            HubError: the reservoir is not one of those that the client was made for.
        """
        if self._beating is not None and self._loop.time() - self._beat_at >= 0.8 * BEAT_S:
            self._beat()
        if self._outgoing.offer(view) and self._session is not None:
            # An alarm is published at once, although the other reservoirs wait for that moment.
            self._outgoing.queue_alerts(view.identity.reservoir)
            self._drain(self._session)
            self._schedule(PAUSE_AFTER_ALERT_S)
        else:
            self._schedule()

    def log(self, level: Level, sentence: str, reservoir: str | None = None) -> None:
        """Publish one line on ``$log`` of a reservoir or of the bridge. Never blocks; old lines are dropped.

        Args:
            level: the level of ``$log``.
            sentence: the line.
            reservoir: the reservoir's id; None for the bridge.
        """
        device = self._layout.bridge if reservoir is None else self._layout.device(reservoir)
        self._outgoing.queue_line(self._layout.log(device, level, sentence))
        self._schedule()

    async def send(self, publication: Publication) -> None:
        """Publish one message beside the views, and wait for its acknowledgement (QoS 1 or 2).

        Raises:
            HubError: there is no connection, or it broke before the acknowledgement; send the message again
                later.
        """
        session = self._session
        if session is None:
            raise HubError(
                f"The broker at {self._settings.address} is not connected; the message was not sent."
            )
        try:
            await session.deliver((publication,))
        except (BrokerTrouble, OSError) as error:
            raise explain(error, self._settings) from error

    async def run(self) -> None:
        """Stay connected until `stop`. Reconnects for ever, however long the broker is away."""
        self._ended.clear()
        self._beat()
        try:
            while not self._stopping.is_set():
                try:
                    await self._connection()
                except (BrokerTrouble, OSError, ValueError, HubError) as error:
                    self._report_change(explain(error, self._settings))
                with contextlib.suppress(TimeoutError):
                    await asyncio.wait_for(self._stopping.wait(), self._backoff.wait_s())
        finally:
            if self._beating is not None:
                self._beating.cancel()
            self._ended.set()

    async def stop(self) -> None:
        """Publish ``$state`` disconnected, close the connection and end `run`."""
        self._stopping.set()
        await self._ended.wait()

    async def _connection(self) -> None:
        """Open one connection, and return or raise when it has ended."""
        session = Session(
            self._settings,
            answer_s=self._timeouts.answer_s,
            will=self._layout.will,
            on_message=self._receive,
            on_room=self._publish_waiting,
        )
        async with session:
            serving = asyncio.create_task(self._serve(session))
            stopping = asyncio.create_task(self._stopping.wait())
            try:
                await asyncio.wait((serving, stopping), return_when=asyncio.FIRST_COMPLETED)
            except asyncio.CancelledError:
                # An error while closing may replace the cancellation; run() must end all the same.
                self._stopping.set()
                raise
            finally:
                self._session = None
                serving.cancel()
                stopping.cancel()
                await asyncio.wait((serving, stopping))
                if not session.ended.done():
                    await self._publish_last_states(session)
            if not serving.cancelled():
                serving.result()

    async def _serve(self, session: Session) -> None:
        """Publish everything, then every change, until the connection breaks."""
        outgoing = self._outgoing
        await session.deliver((outgoing.reset(),))
        for messages in outgoing.descriptions():
            await session.deliver(messages)
        commands = [f"{self._layout.base(name)}/+/+/set" for name in self._reservoirs]
        await session.subscribe(commands, as_published=True)
        for topic in self._requests:
            try:
                await session.subscribe([topic], qos=1, as_published=True)
            except HubError as error:
                # Access rules from before there were such requests must not keep the bridge from its broker.
                _log.warning("The broker at %s: %s.", self._settings.address, error)
        for messages in outgoing.values(self._clock, time.time):
            await session.deliver(messages)
        await session.deliver(outgoing.ready())
        self._session = session
        self._backoff.reset()
        self._report_change(None)
        outgoing.waiting.extend(outgoing.things())
        self._publish_waiting()
        # A cancellation of this task must not cancel the connection.
        await asyncio.shield(session.ended)

    def _schedule(self, after_s: float = 0.0) -> None:
        """Publish the queue in the next turn of the event loop, so that several changes go together."""
        if not self._scheduled and self._session is not None:
            self._scheduled = True
            if after_s:
                self._loop.call_later(after_s, self._publish_waiting)
            else:
                self._loop.call_soon(self._publish_waiting)

    def _publish_waiting(self) -> None:
        """Publish the queue, up to the window; one view at a time, so that the loop stays responsive."""
        self._scheduled = False
        session = self._session
        if session is None:
            return
        self._outgoing.refill(self._clock(), time.time())
        self._drain(session)
        if self._outgoing.more and not self._outgoing.waiting:
            self._schedule()

    def _drain(self, session: Session) -> None:
        waiting = self._outgoing.waiting
        # `_serve` waits for the end of the connection and raises its error.
        with contextlib.suppress(BrokerTrouble):
            while waiting and session.room > 0 and not session.ended.done():
                session.publish(waiting.popleft())

    def _receive(self, topic: str, payload: bytes, retained: bool) -> None:
        if topic in self._requests:
            # A retained one is from an earlier time.
            if not retained:
                self._requests[topic](payload.decode("utf-8", "replace"))
            return
        waited_s, known = self._heartbeat.waited_s(_boottime_s()), self._outgoing.identities
        parsed = parse(self._layout, known, Incoming(topic, payload, retained, self._clock(), waited_s))
        if isinstance(parsed, Refused):
            refused = parsed
            self._on_refused(
                self._reservoirs.get(refused.device, ""),
                refused.sentence,
                lambda: self._log_refusal(refused.device, refused.sentence),
            )
            return
        device, echo = self._layout.device(parsed.reservoir), parsed.echo

        def report_result(refusal: str | None) -> None:
            if refusal is not None:
                self._log_refusal(device, refusal)
            elif echo is not None:
                self._outgoing.queue_echo(echo)
                self._schedule()

        self._on_command(parsed.reservoir, parsed.command, report_result)

    def _log_refusal(self, device: str, sentence: str) -> None:
        _log.warning("%s", sentence)
        self._outgoing.queue_line(self._layout.log(device, Level.WARN, sentence))
        self._schedule()

    async def _publish_last_states(self, session: Session) -> None:
        """Publish the last state of every device; a broker that hangs delays the end by 2 s at most."""
        try:
            await asyncio.wait_for(session.deliver(self._outgoing.last_states()), 2.0)
        except (BrokerTrouble, OSError) as error:
            _log.info("The broker did not acknowledge the last states: %s", explain(error, self._settings))

    def _report_change(self, error: HubError | None) -> None:
        sentence = None if error is None else str(error)
        if error is None or sentence != self._reported:
            self._report(error)
        self._reported = sentence

    def _beat(self) -> None:
        """Record that the process runs. A view calls this; without views a timer does."""
        self._heartbeat, self._beat_at = self._heartbeat.beat(_boottime_s()), self._loop.time()
        if self._beating is not None:
            self._beating.cancel()
        self._beating = self._loop.call_later(1.5 * BEAT_S, self._beat)


def _boottime_s() -> float:
    """Return seconds that also count while the computer is suspended, if the system has such a clock."""
    clock = getattr(time, "CLOCK_BOOTTIME", None)
    return time.monotonic() if clock is None else time.clock_gettime(clock)
