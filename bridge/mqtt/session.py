"""One connection to a broker, on the event loop: opened once, closed once. Shell.

The library underneath frames, acknowledges and keeps alive; here its socket is put on the loop. A message is
handed to the system within the very call that publishes it, so that an alarm does not wait for a turn of the
loop, and acknowledgements are read as they come, without a task or a timer for each.

The files of an encrypted connection. Shell: it reads the disk.
"""

import asyncio
import logging
import socket
import ssl
from collections.abc import Callable, Sequence
from types import TracebackType

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from bridge.errors import HubError
from bridge.mqtt.broker import BrokerSettings, BrokerTrouble, MqttVersion, TlsSettings
from bridge.mqtt.topics import COMMAND_QOS, Publication


def tls_context(tls: TlsSettings) -> ssl.SSLContext:
    """Read the files; with no authority given, those of the operating system are trusted.

    :raises HubError: a file is missing, is no certificate or key, or the two do not belong together.
    """
    try:
        context = ssl.create_default_context(cafile=None if tls.ca_file is None else str(tls.ca_file))
        if tls.cert_file is not None and tls.key_file is not None:
            # Without this, OpenSSL would ask for the passphrase of a locked key on the terminal, and wait.
            context.load_cert_chain(tls.cert_file, tls.key_file, password=lambda: "")
    except (OSError, ValueError) as error:
        files = ", ".join(
            str(file) for file in (tls.ca_file, tls.cert_file, tls.key_file) if file is not None
        )
        raise HubError(f"the TLS files ({files}) cannot be used: {error}") from error
    return context


WINDOW = 10
"""Messages under way at once: enough to hide the round trips, few enough for any broker's own limit."""
_packet_log = logging.getLogger(f"{__name__}.packets")
"""What the library says of single packets, for those who ask for it; it never holds the password."""

OnMessage = Callable[[str, bytes, bool], None]
"""Topic, payload, and whether the broker had kept the message."""


class Session:
    """A connection. Use it as a context: ``async with Session(...) as session``.

    :param will: what the broker publishes when the connection ends without a farewell.
    :param on_message: called in the event loop with every message; it must not block.
    :param on_room: called in the event loop when acknowledgements have come.
    :param answer_s: how long the broker may take over anything before the connection counts as broken.

    The session is clean on every connection: a command that was sent while nobody was there is lost, and not
    delivered late.
    """

    def __init__(
        self,
        settings: BrokerSettings,
        *,
        answer_s: float,
        will: Publication | None = None,
        on_message: OnMessage = lambda topic, payload, kept: None,
        on_room: Callable[[], None] = lambda: None,
    ) -> None:
        self._loop = asyncio.get_running_loop()
        self._settings = settings
        self._answer_s = answer_s
        self._on_message = on_message
        self._on_room = on_room
        self._v5 = settings.version is MqttVersion.V5
        self.ended: asyncio.Future[None] = self._loop.create_future()
        """Done when the connection is over: with nothing after :meth:`close`, else with what broke it."""
        self._accepted: asyncio.Future[None] = self._loop.create_future()
        self._unacknowledged: dict[int, float] = {}
        """Message id and when it was sent, oldest first."""
        self._acknowledged: asyncio.Future[None] | None = None
        self._granting: dict[int, asyncio.Future[list[ReasonCode]]] = {}
        self._news = False
        self._fd = -1
        self._handed_over = False
        """The thread that connected is done with the socket."""
        self._writes = False
        self._beating: asyncio.TimerHandle | None = None
        # A broker waits half as long again as the keepalive, and a late answer is no matter of seconds.
        self._beat_s = min(settings.keepalive_s / 6.0, answer_s)
        self._mqtt = self._client(will)

    async def __aenter__(self) -> "Session":
        """Connect.

        :raises BrokerTrouble: the broker refuses.
        :raises OSError: it cannot be reached, or does not answer in time.
        :raises HubError: a TLS file cannot be used.
        """
        settings = self._settings
        if settings.tls is not None:
            # Reading certificates takes the disk's time, which the event loop does not have.
            self._mqtt.tls_set_context(await asyncio.to_thread(tls_context, settings.tls))
        connecting = self._loop.run_in_executor(None, self._connect)
        try:
            async with asyncio.timeout(self._answer_s + 1.0):
                await asyncio.shield(connecting)
            line = self._mqtt.socket()
            if line is None:
                raise BrokerTrouble("it hung up at once")
            self._handed_over, self._fd = True, line.fileno()
            self._loop.add_reader(self._fd, self._readable)
            async with asyncio.timeout(self._answer_s):
                await self._accepted
        except BaseException:
            # The thread may still be at it; what it opens must not stay open.
            connecting.add_done_callback(self._abandon)
            raise
        self._beating = self._loop.call_later(self._beat_s, self._beat)
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @property
    def room(self) -> int:
        """How many messages may be published before an acknowledgement must come."""
        return WINDOW - len(self._unacknowledged)

    def publish(self, message: Publication) -> int:
        """Publish a message now; the number by which its acknowledgement is known.

        :raises BrokerTrouble: the connection is over.
        """
        info = self._mqtt.publish(message.topic, message.payload, message.qos, message.retain)
        if info.rc is not MQTTErrorCode.MQTT_ERR_SUCCESS:
            raise BrokerTrouble("the connection was lost")
        if message.qos:
            self._unacknowledged[info.mid] = self._loop.time()
        if self._mqtt.want_write():
            self._write_on()
        return info.mid

    async def deliver(self, messages: Sequence[Publication]) -> None:
        """Publish in order, several under way at once, and wait for every acknowledgement.

        :raises BrokerTrouble, OSError: the connection broke before.
        """
        under_way: set[int] = set()
        for message in messages:
            while message.qos and self.room <= 0:
                await self._next_acknowledgement()
            number = self.publish(message)
            if message.qos:
                under_way.add(number)
        while not under_way.isdisjoint(self._unacknowledged):
            await self._next_acknowledgement()

    async def subscribe(self, topics: Sequence[str], *, as_published: bool = False) -> None:
        """Listen to topics.

        :param as_published: on MQTT 5, let the retain flag stay on a message as it was published, so that a
            command that was meant to be kept can be refused even when it is passed on at once.

        :raises HubError: the broker does not let this user listen.
        :raises BrokerTrouble, OSError: the connection broke, or the broker did not answer.
        """
        if not topics:
            return
        if self._v5:
            options = SubscribeOptions(qos=COMMAND_QOS, retainAsPublished=as_published)
            code, number = self._mqtt.subscribe([(topic, options) for topic in topics])
        else:
            code, number = self._mqtt.subscribe([(topic, COMMAND_QOS) for topic in topics])
        if code is not MQTTErrorCode.MQTT_ERR_SUCCESS or number is None:
            raise BrokerTrouble("the connection was lost")
        granted = self._granting[number] = self._loop.create_future()
        try:
            async with asyncio.timeout(self._answer_s):
                codes = await granted
        finally:
            del self._granting[number]
        for topic, answer in zip(topics, codes, strict=True):
            if answer.is_failure:
                raise HubError(f"it does not let this user listen to {topic}; check its access rules")

    def close(self) -> None:
        """Say goodbye to the broker as far as it listens, and end the connection. May be called twice."""
        if self._mqtt.is_connected() and not self.ended.done():
            self._mqtt.disconnect()
        self._end(None)

    def _client(self, will: Publication | None) -> mqtt.Client:
        settings = self._settings
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=settings.client_id,
            protocol=mqtt.MQTTv5 if self._v5 else mqtt.MQTTv311,
            clean_session=None if self._v5 else True,
            reconnect_on_failure=False,
        )
        client.connect_timeout = self._answer_s
        if _packet_log.isEnabledFor(logging.DEBUG):
            client.enable_logger(_packet_log)
        if settings.username is not None:
            password = None if settings.password is None else settings.password.reveal()
            client.username_pw_set(settings.username, password)
        if will is not None:
            client.will_set(will.topic, will.payload, will.qos, will.retain)
        client.on_connect = self._connected
        client.on_disconnect = self._disconnected
        client.on_publish = self._published
        client.on_subscribe = self._subscribed
        client.on_message = self._heard
        client.on_socket_open = _without_delay
        client.on_socket_close = self._closing
        return client

    def _connect(self) -> None:
        """In a thread: name, connection and handshake may each take their time."""
        settings = self._settings
        clean: mqtt.CleanStartOption = True if self._v5 else mqtt.MQTT_CLEAN_START_FIRST_ONLY
        self._mqtt.connect(settings.host, settings.port, settings.keepalive_s, clean_start=clean)

    def _abandon(self, connecting: "asyncio.Future[None]") -> None:
        if not connecting.cancelled():
            connecting.exception()
        self._end(None)

    async def _next_acknowledgement(self) -> None:
        if self.ended.done():
            self.ended.result()
            raise BrokerTrouble("the connection is closed")
        if self._acknowledged is None:
            self._acknowledged = self._loop.create_future()
        # Several may wait for the same one, and one of them may be cancelled.
        await asyncio.shield(self._acknowledged)

    def _readable(self) -> None:
        try:
            while True:
                self._mqtt.loop_read()
                line = self._mqtt.socket()
                # What TLS has decrypted already does not make the socket readable again.
                if not isinstance(line, ssl.SSLSocket) or not line.pending():
                    break
            if self._mqtt.want_write():
                # What was published while a callback ran is still here.
                self._writable()
        except Exception as error:  # noqa: BLE001 - it belongs to whoever awaits the connection
            self._end(error)
        if self._news:
            self._news = False
            waiting, self._acknowledged = self._acknowledged, None
            if waiting is not None:
                waiting.set_result(None)
            self._on_room()

    def _writable(self) -> None:
        try:
            self._mqtt.loop_write()
        except Exception as error:  # noqa: BLE001 - as above
            self._end(error)
        if self._mqtt.want_write():
            self._write_on()
        elif self._writes:
            self._writes = False
            self._loop.remove_writer(self._fd)

    def _write_on(self) -> None:
        if not self._writes and self._fd >= 0:
            self._writes = True
            self._loop.add_writer(self._fd, self._writable)

    def _beat(self) -> None:
        self._beating = self._loop.call_later(self._beat_s, self._beat)
        oldest = next(iter(self._unacknowledged.values()), None)
        if oldest is not None and self._loop.time() - oldest > self._answer_s:
            self._end(TimeoutError())
            return
        try:
            self._mqtt.loop_misc()
        except Exception as error:  # noqa: BLE001 - as above
            self._end(error)

    def _end(self, error: BaseException | None) -> None:
        if self.ended.done():
            return
        if self._beating is not None:
            self._beating.cancel()
        if error is None:
            self.ended.set_result(None)
        else:
            self.ended.set_exception(error)
            # It may be that nobody asks; then it is no news to anybody.
            self.ended.exception()
        told = error or BrokerTrouble("the connection is closed")
        for waiting in (self._accepted, self._acknowledged, *self._granting.values()):
            if waiting is not None and not waiting.done():
                waiting.set_exception(told)
                waiting.exception()
        line = self._mqtt.socket()
        if line is not None:
            self._forget()
            line.close()

    def _forget(self) -> None:
        if self._fd >= 0:
            self._loop.remove_reader(self._fd)
            self._loop.remove_writer(self._fd)
            self._fd = -1

    # What the library tells

    def _connected(
        self, client: mqtt.Client, data: object, flags: object, code: ReasonCode, more: Properties | None
    ) -> None:
        if self._accepted.done():
            return
        if code.is_failure:
            self._accepted.set_exception(BrokerTrouble(str(code), code))
        else:
            self._accepted.set_result(None)

    def _disconnected(
        self,
        client: mqtt.Client,
        data: object,
        flags: mqtt.DisconnectFlags,
        code: ReasonCode,
        more: Properties | None,
    ) -> None:
        # Before, this comes from the thread itself, which raises as well.
        if not self._handed_over:
            return
        if flags.is_disconnect_packet_from_server:
            self._end(BrokerTrouble(f"the broker ended it: {code}"))
        else:
            self._end(BrokerTrouble("the connection was lost") if code.is_failure else None)

    def _published(
        self, client: mqtt.Client, data: object, number: int, code: ReasonCode, more: Properties | None
    ) -> None:
        if self._unacknowledged.pop(number, None) is not None:
            self._news = True

    def _subscribed(
        self, client: mqtt.Client, data: object, number: int, codes: list[ReasonCode], more: Properties | None
    ) -> None:
        waiting = self._granting.get(number)
        if waiting is not None and not waiting.done():
            waiting.set_result(codes)

    def _heard(self, client: mqtt.Client, data: object, message: mqtt.MQTTMessage) -> None:
        self._on_message(message.topic, bytes(message.payload), message.retain)

    def _closing(self, client: mqtt.Client, data: object, line: object) -> None:
        self._forget()


def _without_delay(client: mqtt.Client, data: object, line: object) -> None:
    """Else a message waits up to 40 ms for the broker's TCP to confirm one before it that needs no answer."""
    if isinstance(line, socket.socket):
        line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
