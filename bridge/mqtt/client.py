"""The client: carries messages to the broker and commands from it, and outlives every outage.

The station's loop only ever calls :meth:`HubClient.offer`, which stores one reference, unless an alarm has
changed: that goes out in the same call. Everything slow happens in :meth:`HubClient.run`. What waits is
bounded: the latest view of each reservoir and the last lines for ``$log``. After a reconnect the broker is
told everything anew, as it may have lost what it kept.

How long a message may have lain unread because the whole process stood still.

A clean session keeps the broker from delivering old commands, but a computer that was suspended finds in its
own socket what arrived before. A pulse that comes about every second shows afterwards how long nothing ran.
"""

import asyncio
import contextlib
import logging
import math
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from bridge import __version__
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

PULSE_S = 1.0
LATE_S = 2.0
"""A pulse this late is a standstill, and not just a busy moment."""


@dataclass(frozen=True, slots=True)
class Pulse:
    """When the process last ran, on a clock that also counts while the computer sleeps.

    :param stood_s: length of the last standstill.
    :param resumed_at: when it ended.
    """

    at: float
    stood_s: float = 0.0
    resumed_at: float = 0.0

    def beat(self, now: float) -> "Pulse":
        """One beat; to be called about every :data:`PULSE_S`, more often does no harm."""
        gap = now - self.at
        if gap < PULSE_S + LATE_S:
            return replace(self, at=now)
        return Pulse(now, stood_s=gap, resumed_at=now)

    def waited_s(self, now: float) -> float:
        """How long a message that is read now may have waited: the standstill, if one has just ended."""
        gap = now - self.at
        if gap >= PULSE_S + LATE_S:
            return gap
        return self.stood_s if self.stood_s and now - self.resumed_at < PULSE_S else 0.0


REST_AFTER_S = 0.002
"""After an alert: its subscribers hear it before the system has a dozen values more to carry."""

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Patience:
    """How long to wait for the broker.

    :param answer_s: for the answer to one message, before the connection counts as broken.
    :param first_s: before the next attempt; doubled each time...
    :param longest_s: ...up to this.
    """

    answer_s: float = 5.0
    first_s: float = 1.0
    longest_s: float = 60.0


class HubClient:
    """The bridge's one connection to the broker.

    :param reservoirs: every reservoir that will ever be offered.
    :param on_command: called in the event loop with the reservoir's id and a whole command; it must not
        block. It returns None if it took the command, or the sentence that refuses it.
    :param on_refused: called with the reservoir's id (or an empty text) and the sentence, for what came as a
        command and is none.
    :param report: called with each new trouble, and with None when the connection stands. The sentence holds
        no secret.
    :param announcements: what the user wants said besides.
    :param heartbeat_s: every value is published at least this often.
    :param clock: monotonic seconds; the same clock that judges the age of a command.
    """

    def __init__(
        self,
        settings: BrokerSettings,
        layout: Layout,
        reservoirs: Sequence[StationIdentity],
        *,
        on_command: Callable[[str, GuardCommand], str | None],
        report: Callable[[HubError | None], None],
        on_refused: Callable[[str, str], None] = lambda reservoir, sentence: None,
        announcements: Announcements | None = None,
        heartbeat_s: float = 300.0,
        patience: Patience | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._settings = settings
        self._layout = layout
        self._on_command = on_command
        self._report = report
        self._on_refused = on_refused
        self._patience = patience or Patience()
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
        self._stirred = False
        self._stopping = asyncio.Event()
        self._ended = asyncio.Event()
        self._ended.set()
        self._loop = asyncio.get_running_loop()
        self._session: Session | None = None
        self._pulse = Pulse(_awake())
        self._beat_at = -math.inf
        self._beating: asyncio.TimerHandle | None = None
        self._told: str | None = None
        self._stood = False

    @property
    def connected(self) -> bool:
        """Whether the broker has been told everything and the connection stands, as far as is known."""
        return self._session is not None

    def offer(self, view: StationView) -> None:
        """Hand over the state of a reservoir; the latest one counts. Never waits, never grows.

        :raises HubError: a reservoir that the client was not made for.
        """
        if self._beating is not None and self._loop.time() - self._beat_at >= 0.8 * PULSE_S:
            self._beat()
        if self._outgoing.offer(view) and self._session is not None:
            # It is worth the moment that this takes the other reservoirs.
            self._outgoing.alert(view.identity.reservoir)
            self._drain(self._session)
            self._stir(REST_AFTER_S)
        else:
            self._stir()

    def log(self, level: Level, sentence: str, reservoir: str | None = None) -> None:
        """Put one line on ``$log`` of a reservoir, or of the bridge. Never blocks, never grows."""
        device = self._layout.bridge if reservoir is None else self._layout.device(reservoir)
        self._outgoing.say(self._layout.log(device, level, sentence))
        self._stir()

    async def send(self, publication: Publication) -> None:
        """Publish one message of another stream and wait until the broker has acknowledged it (QoS 1 or 2).

        :raises HubError: no connection, or it broke before the acknowledgement: then send it again later.
        """
        session = self._session
        if session is None:
            raise HubError(f"The broker at {self._settings.address} is away; the message was not sent.")
        try:
            await session.deliver((publication,))
        except (BrokerTrouble, OSError) as error:
            raise explain(error, self._settings) from error

    async def run(self) -> None:
        """Stay connected until :meth:`stop`; try again for ever, however long the broker is away."""
        self._ended.clear()
        self._beat()
        wait_s = self._patience.first_s
        try:
            while not self._stopping.is_set():
                try:
                    await self._connection()
                except (BrokerTrouble, OSError, ValueError, HubError) as error:
                    self._tell(explain(error, self._settings))
                if self._stood:
                    wait_s, self._stood = self._patience.first_s, False
                with contextlib.suppress(TimeoutError):
                    await asyncio.wait_for(self._stopping.wait(), wait_s)
                wait_s = min(2.0 * wait_s, self._patience.longest_s)
        finally:
            if self._beating is not None:
                self._beating.cancel()
            self._ended.set()

    async def stop(self) -> None:
        """Say goodbye (``$state`` disconnected), close the connection and end :meth:`run`."""
        self._stopping.set()
        await self._ended.wait()

    async def _connection(self) -> None:
        """One connection, from its start to its end."""
        session = Session(
            self._settings,
            answer_s=self._patience.answer_s,
            will=self._layout.will,
            on_message=self._hear,
            on_room=self._flow,
        )
        async with session:
            living = asyncio.create_task(self._live(session))
            stopping = asyncio.create_task(self._stopping.wait())
            try:
                await asyncio.wait((living, stopping), return_when=asyncio.FIRST_COMPLETED)
            except asyncio.CancelledError:
                # Closing may end in an error that takes the cancellation's place; run() must not go on then.
                self._stopping.set()
                raise
            finally:
                self._session = None
                living.cancel()
                stopping.cancel()
                await asyncio.wait((living, stopping))
                if not session.ended.done():
                    await self._farewell(session)
            if not living.cancelled():
                living.result()

    async def _live(self, session: Session) -> None:
        """Tell everything, then every change, until the connection breaks."""
        outgoing = self._outgoing
        await session.deliver((outgoing.begin(),))
        for messages in outgoing.opened():
            await session.deliver(messages)
        commands = [f"{self._layout.base(name)}/+/+/set" for name in self._reservoirs]
        await session.subscribe(commands, as_published=True)
        for messages in outgoing.shown(self._clock, time.time):
            await session.deliver(messages)
        await session.deliver(outgoing.ready())
        self._session, self._stood = session, True
        self._tell(None)
        outgoing.waiting.extend(outgoing.things())
        self._flow()
        # Whoever is cancelled here must not cancel the connection with it.
        await asyncio.shield(session.ended)

    def _stir(self, after_s: float = 0.0) -> None:
        """Let what waits go out when this turn of the loop is over: several changes go together."""
        if not self._stirred and self._session is not None:
            self._stirred = True
            if after_s:
                self._loop.call_later(after_s, self._flow)
            else:
                self._loop.call_soon(self._flow)

    def _flow(self) -> None:
        """Publish what waits, as far as there is room; a little at a time, as others want the loop too."""
        self._stirred = False
        session = self._session
        if session is None:
            return
        self._outgoing.refill(self._clock(), time.time())
        self._drain(session)
        if self._outgoing.more and not self._outgoing.waiting:
            self._stir()

    def _drain(self, session: Session) -> None:
        waiting = self._outgoing.waiting
        # Whoever waits for the end of the connection hears of it.
        with contextlib.suppress(BrokerTrouble):
            while waiting and session.room > 0 and not session.ended.done():
                session.publish(waiting.popleft())

    def _hear(self, topic: str, payload: bytes, kept: bool) -> None:
        waited_s, known = self._pulse.waited_s(_awake()), self._outgoing.identities
        answer = parse(self._layout, known, Incoming(topic, payload, kept, self._clock(), waited_s))
        if isinstance(answer, Refused):
            self._refuse(answer.device, answer.sentence)
            self._on_refused(self._reservoirs.get(answer.device, ""), answer.sentence)
            return
        refusal = self._on_command(answer.reservoir, answer.command)
        if refusal is not None:
            self._refuse(self._layout.device(answer.reservoir), refusal)
        elif answer.echo is not None:
            self._outgoing.echo(answer.echo)
            self._stir()

    def _refuse(self, device: str, sentence: str) -> None:
        _log.warning("%s", sentence)
        self._outgoing.say(self._layout.log(device, Level.WARN, sentence))
        self._stir()

    async def _farewell(self, session: Session) -> None:
        """The last state of every device, within a moment: nobody may wait for a broker at the end."""
        try:
            await asyncio.wait_for(session.deliver(self._outgoing.farewell()), 2.0)
        except (BrokerTrouble, OSError) as error:
            _log.info("The broker did not take the farewell: %s", explain(error, self._settings))

    def _tell(self, trouble: HubError | None) -> None:
        sentence = None if trouble is None else str(trouble)
        if trouble is None or sentence != self._told:
            self._report(trouble)
        self._told = sentence

    def _beat(self) -> None:
        """Note that the process runs: now and then with a view, else by a timer of its own."""
        self._pulse, self._beat_at = self._pulse.beat(_awake()), self._loop.time()
        if self._beating is not None:
            self._beating.cancel()
        self._beating = self._loop.call_later(1.5 * PULSE_S, self._beat)


def _awake() -> float:
    """Seconds that go on while the computer sleeps, where the system has such a clock."""
    clock = getattr(time, "CLOCK_BOOTTIME", None)
    return time.monotonic() if clock is None else time.clock_gettime(clock)
