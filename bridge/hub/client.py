"""The client: carries messages to the broker and commands from it, and outlives every outage.

The station's loop only ever calls :meth:`HubClient.offer`, which stores one reference and returns. Everything
slow happens in :meth:`HubClient.run`. What waits is bounded: the latest view of each reservoir and the last
lines for ``$log``. After a reconnect the broker is told everything anew, as it may have lost what it kept.
"""

import asyncio
import contextlib
import logging
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import aiomqtt

from bridge import __version__
from bridge.errors import HubError
from bridge.guard.commands import GuardCommand
from bridge.hub.announcements import Announcements
from bridge.hub.broker import BrokerSettings
from bridge.hub.commands import Incoming, Refused, parse
from bridge.hub.connection import WINDOW, prepare, publish, subscribe
from bridge.hub.description import describe_bridge
from bridge.hub.faults import explain
from bridge.hub.homie import Device
from bridge.hub.stall import PULSE_S, Pulse
from bridge.hub.thing import Access, publication
from bridge.hub.topics import Layout, Level, Lifecycle, Publication
from bridge.hub.view import StationIdentity, StationView

LINES = 100
"""Lines for ``$log`` that wait at most; older ones go first."""

_log = logging.getLogger(__name__)
_wire_log = logging.getLogger(f"{__name__}.mqtt")
"""What the library says of single packets; it never holds the password."""


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
        utc_s = time.time()
        self._settings = settings
        self._layout = layout
        self._on_command = on_command
        self._report = report
        self._on_refused = on_refused
        self._announcements = announcements or Announcements((), layout)
        self._patience = patience or Patience()
        self._clock = clock
        self._devices = {one.reservoir: Device.of(layout, one, heartbeat_s, utc_s) for one in reservoirs}
        self._root = describe_bridge(layout, self._devices, utc_s)
        self._latest: dict[str, StationView] = {}
        self._fresh: set[str] = set()
        self._lines: deque[Publication] = deque(maxlen=LINES)
        self._echoes: deque[Publication] = deque(maxlen=LINES)
        self._wake = asyncio.Event()
        self._stopping = asyncio.Event()
        self._ended = asyncio.Event()
        self._ended.set()
        self._client: aiomqtt.Client | None = None
        self._pulse = Pulse(_awake())
        self._told: str | None = None
        self._stood = False

    @property
    def connected(self) -> bool:
        """Whether the broker has been told everything and the connection stands, as far as is known."""
        return self._client is not None

    def offer(self, view: StationView) -> None:
        """Hand over the state of a reservoir; the latest one counts. Never blocks, never grows.

        :raises HubError: a reservoir that the client was not made for.
        """
        reservoir = view.identity.reservoir
        if reservoir not in self._devices:
            raise HubError(f"The reservoir {reservoir!r} is not one that the hub was told of at the start.")
        self._latest[reservoir] = view
        self._fresh.add(reservoir)
        self._wake.set()

    def log(self, level: Level, sentence: str, reservoir: str | None = None) -> None:
        """Put one line on ``$log`` of a reservoir, or of the bridge. Never blocks, never grows."""
        device = self._layout.bridge if reservoir is None else self._layout.device(reservoir)
        self._lines.append(self._layout.log(device, level, sentence))
        self._wake.set()

    async def send(self, publication: Publication) -> None:
        """Publish one message of another stream and wait until the broker has acknowledged it (QoS 1 or 2).

        :raises HubError: no connection, or it broke before the acknowledgement: then send it again later.
        """
        client = self._client
        if client is None:
            raise HubError(f"The broker at {self._settings.address} is away; the message was not sent.")
        try:
            await publish(client, (publication,))
        except aiomqtt.MqttError as error:
            raise explain(error, self._settings) from error

    async def run(self) -> None:
        """Stay connected until :meth:`stop`; try again for ever, however long the broker is away."""
        self._ended.clear()
        pulse = asyncio.create_task(self._beat())
        wait_s = self._patience.first_s
        try:
            while not self._stopping.is_set():
                try:
                    await self._connection()
                except (aiomqtt.MqttError, OSError, ValueError, HubError) as error:
                    self._tell(explain(error, self._settings))
                if self._stood:
                    wait_s, self._stood = self._patience.first_s, False
                with contextlib.suppress(TimeoutError):
                    await asyncio.wait_for(self._stopping.wait(), wait_s)
                wait_s = min(2.0 * wait_s, self._patience.longest_s)
        finally:
            pulse.cancel()
            self._ended.set()

    async def stop(self) -> None:
        """Say goodbye (``$state`` disconnected), close the connection and end :meth:`run`."""
        self._stopping.set()
        self._wake.set()
        await self._ended.wait()

    async def _connection(self) -> None:
        """One connection, from its start to its end."""
        client = await prepare(self._settings, self._layout.will, _wire_log, self._patience.answer_s)
        async with client:
            reading = asyncio.create_task(self._read(client))
            writing = asyncio.create_task(self._write(client))
            try:
                await asyncio.wait((reading, writing), return_when=asyncio.FIRST_COMPLETED)
            except asyncio.CancelledError:
                # Closing may end in an error that takes the cancellation's place; run() must not go on then.
                self._stopping.set()
                raise
            finally:
                self._client = None
                lost = reading.done() and reading.exception() is not None
                reading.cancel()
                writing.cancel()
                await asyncio.wait((reading, writing))
                if not lost:
                    await self._farewell(client)
            for task in (reading, writing):
                if not task.cancelled():
                    task.result()

    async def _write(self, client: aiomqtt.Client) -> None:
        """Tell everything, then every change, until the client is to stop."""
        self._echoes.clear()
        await self._open(client)
        self._client, self._stood = client, True
        self._tell(None)
        await publish(client, [self._thing(device.map.identity) for device in self._devices.values()])
        while not self._stopping.is_set():
            await self._wake.wait()
            self._wake.clear()
            # Views first, again and again: an alarm does not queue behind lines for $log.
            while self._fresh or self._echoes or self._lines:
                if self._fresh:
                    await self._show(client, self._fresh.pop())
                    continue
                queue = self._echoes or self._lines
                await publish(client, [queue.popleft() for _ in range(min(WINDOW, len(queue)))])

    async def _open(self, client: aiomqtt.Client) -> None:
        """Children before their parent, as the convention recommends; ready once commands are listened to."""
        layout = self._layout
        await publish(client, (layout.state(layout.bridge, Lifecycle.INIT),))
        for reservoir, device in self._devices.items():
            self._devices[reservoir], messages = device.opened()
            await publish(client, messages)
        topics = [f"{layout.base(device.map.device)}/+/+/set" for device in self._devices.values()]
        await subscribe(client, self._settings.version, topics)
        # A copy: another reservoir may be offered for the first time while these are published.
        for reservoir in tuple(self._latest):
            self._fresh.discard(reservoir)
            await self._show(client, reservoir)
        identities = tuple(device.map.identity for device in self._devices.values())
        await publish(
            client,
            (
                self._root.publication(layout),
                layout.state(layout.bridge, Lifecycle.READY),
                *self._announcements.standing(identities),
            ),
        )

    async def _show(self, client: aiomqtt.Client, reservoir: str) -> None:
        before = self._devices[reservoir]
        device, messages = before.shows(self._latest[reservoir], self._clock(), time.time())
        self._devices[reservoir] = device
        if device.map is not before.map:
            messages = (*messages, self._thing(device.map.identity))
        if messages:
            await publish(client, messages)
            await publish(client, self._announcements.following(device.map.identity, messages))

    def _thing(self, identity: StationIdentity) -> Publication:
        return publication(identity, self._layout, Access.of(self._settings), __version__)

    async def _read(self, client: aiomqtt.Client) -> None:
        identities = {device.map.device: reservoir for reservoir, device in self._devices.items()}
        async for message in client.messages:
            known = {name: self._devices[reservoir].map.identity for name, reservoir in identities.items()}
            waited_s = self._pulse.waited_s(_awake())
            topic, payload, kept = message.topic.value, message.payload, bool(message.retain)
            incoming = Incoming(topic, payload, kept, self._clock(), waited_s)
            answer = parse(self._layout, known, incoming)
            if isinstance(answer, Refused):
                self._refuse(answer.device, answer.sentence)
                self._on_refused(identities.get(answer.device, ""), answer.sentence)
                continue
            refusal = self._on_command(answer.reservoir, answer.command)
            if refusal is not None:
                self._refuse(self._layout.device(answer.reservoir), refusal)
            elif answer.echo is not None:
                self._echoes.append(answer.echo)
                self._wake.set()

    def _refuse(self, device: str, sentence: str) -> None:
        _log.warning("%s", sentence)
        self._lines.append(self._layout.log(device, Level.WARN, sentence))
        self._wake.set()

    async def _farewell(self, client: aiomqtt.Client) -> None:
        """The last state of every device, within a moment: nobody may wait for a broker at the end."""
        layout = self._layout
        devices = [device.map.device for device in self._devices.values()]
        messages = [layout.state(device, Lifecycle.DISCONNECTED) for device in (*devices, layout.bridge)]
        try:
            await asyncio.wait_for(publish(client, messages), 2.0)
        except (TimeoutError, aiomqtt.MqttError) as error:
            _log.info("The broker did not take the farewell: %s", explain(error, self._settings))

    def _tell(self, trouble: HubError | None) -> None:
        sentence = None if trouble is None else str(trouble)
        if trouble is None or sentence != self._told:
            self._report(trouble)
        self._told = sentence

    async def _beat(self) -> None:
        while True:
            await asyncio.sleep(PULSE_S)
            self._pulse = self._pulse.beat(_awake())


def _awake() -> float:
    """Seconds that go on while the computer sleeps, where the system has such a clock."""
    clock = getattr(time, "CLOCK_BOOTTIME", None)
    return time.monotonic() if clock is None else time.clock_gettime(clock)
