"""One connection to a broker, on the event loop: opened once, closed once. Shell.

The MQTT library encodes, acknowledges and keeps the connection alive; this file puts its socket on the event
loop. A message goes to the operating system in the same call that publishes it, so that an alarm does not
wait for the next turn of the loop. Acknowledgements need neither a task nor a timer of their own.
"""

import asyncio
import logging
import socket
import ssl
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from types import TracebackType

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from bridge.errors import HubError
from bridge.mqtt.broker import BrokerSettings, BrokerTrouble, MqttVersion, tls_context
from bridge.mqtt.topics import COMMAND_QOS, Publication

WINDOW = 10
"""Unacknowledged messages at the same time: enough to hide the round trips, few enough for any broker."""
_packet_log = logging.getLogger(f"{__name__}.packets")
"""The library's lines about single packets, at level DEBUG; they never contain the password."""

OnMessage = Callable[[str, bytes, bool], None]
"""Called with topic, payload, and whether the broker had retained the message."""


@dataclass(frozen=True, slots=True)
class Delivery:
    """A message that waits for :meth:`Session.acknowledge`."""

    topic: str
    payload: bytes
    number: int
    """The message id."""
    properties: Mapping[str, str]
    """The user properties of MQTT 5."""


@dataclass(frozen=True, slots=True)
class Lasting:
    """A session that the broker keeps, with the messages of its subscriptions. MQTT 5 only.

    Args:
        expiry_s: how long the broker keeps it without a connection.
        window: the largest number of messages that the broker sends before an acknowledgement.
        on_delivery: called in the event loop with every message; it must not block. The broker sends the
            message again on the next connection unless it is acknowledged.
    """

    expiry_s: int
    window: int
    on_delivery: Callable[[Delivery], None]


class Session:
    """A connection. Use it as a context: ``async with Session(...) as session``.

    Unless it is a lasting one, each connection starts a clean session: a command that was sent while the
    bridge was away is lost, and not delivered late.

    Args:
        settings: the broker.
        answer_s: how long the broker may take for any answer before the connection counts as broken.
        will: what the broker publishes when the connection ends without a DISCONNECT.
        on_message: called in the event loop with every message; it must not block.
        on_room: called in the event loop when acknowledgements were received.
        lasting: for a session that the broker keeps. Its messages go to ``on_delivery``.
    """

    def __init__(
        self,
        settings: BrokerSettings,
        *,
        answer_s: float,
        will: Publication | None = None,
        on_message: OnMessage = lambda topic, payload, retained: None,
        on_room: Callable[[], None] = lambda: None,
        lasting: Lasting | None = None,
    ) -> None:
        self._loop = asyncio.get_running_loop()
        self._settings = settings
        self._answer_s = answer_s
        self._on_message = on_message
        self._on_room = on_room
        self._lasting = lasting
        self._v5 = settings.version is MqttVersion.V5
        self.ended: asyncio.Future[None] = self._loop.create_future()
        """Done when the connection has ended: without an error after `close`, else with the error."""
        self._accepted: asyncio.Future[None] = self._loop.create_future()
        self._unacknowledged: dict[int, float] = {}
        """The time at which each unacknowledged message was sent, by message id, oldest first."""
        self._acknowledged: asyncio.Future[None] | None = None
        self._granting: dict[int, asyncio.Future[list[ReasonCode]]] = {}
        self._acknowledgements_came = False
        self._fd = -1
        self._handed_over = False
        """Whether the thread that connects no longer uses the socket."""
        self._writes = False
        self._beating: asyncio.TimerHandle | None = None
        # A broker waits 1.5 times the keepalive, so there is time for a PING after a late beat.
        self._beat_s = min(settings.keepalive_s / 6.0, answer_s)
        self._mqtt = self._client(will)

    async def __aenter__(self) -> "Session":
        """Connect.

        Raises:
            BrokerTrouble: the broker refuses.
            OSError: the broker cannot be reached, or does not answer in time.
            HubError: a TLS file cannot be used.
        """
        settings = self._settings
        if settings.tls is not None:
            # Reading certificates blocks on the disk.
            self._mqtt.tls_set_context(await asyncio.to_thread(tls_context, settings.tls))
        connecting = self._loop.run_in_executor(None, self._connect)
        try:
            async with asyncio.timeout(self._answer_s + 1.0):
                await asyncio.shield(connecting)
            line = self._mqtt.socket()
            if line is None:
                raise BrokerTrouble("it closed the connection at once")
            self._handed_over, self._fd = True, line.fileno()
            self._loop.add_reader(self._fd, self._readable)
            async with asyncio.timeout(self._answer_s):
                await self._accepted
        except BaseException:
            # The thread may still be connecting; the socket that it opens must not stay open.
            connecting.add_done_callback(self._abandon)
            raise
        self._beating = self._loop.call_later(self._beat_s, self._beat)
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close the connection."""
        self.close()

    @property
    def room(self) -> int:
        """How many more messages may be published before an acknowledgement is needed."""
        return WINDOW - len(self._unacknowledged)

    def publish(self, message: Publication) -> int:
        """Publish a message now.

        Returns:
            The message id, by which its acknowledgement is known.

        Raises:
            BrokerTrouble: the connection has ended.
        """
        more: Properties | None = None
        if message.properties and self._v5:
            more = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            more.UserProperty = list(message.properties)
        info = self._mqtt.publish(message.topic, message.payload, message.qos, message.retain, more)
        if info.rc is not MQTTErrorCode.MQTT_ERR_SUCCESS:
            raise BrokerTrouble("the connection was lost")
        if message.qos:
            self._unacknowledged[info.mid] = self._loop.time()
        if self._mqtt.want_write():
            self._write_on()
        return info.mid

    async def deliver(self, messages: Sequence[Publication]) -> None:
        """Publish messages in order, and wait until all are acknowledged. Several are under way at once.

        Raises:
            BrokerTrouble: the connection ended before.
            OSError: the connection broke before.
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

    def acknowledge(self, delivery: Delivery) -> None:
        """Acknowledge a message of a lasting session. Acknowledge in the order of arrival."""
        if self.ended.done():
            return
        self._mqtt.ack(delivery.number, 1)
        if self._mqtt.want_write():
            self._write_on()

    async def subscribe(
        self, topics: Sequence[str], *, qos: int = COMMAND_QOS, as_published: bool = False
    ) -> None:
        """Subscribe to topics.

        Args:
            topics: the topic filters.
            qos: the highest quality of service at which messages come.
            as_published: on MQTT 5, leave the retain flag as the sender set it, so that a retained command
                can be refused even if it was sent just now.

        Raises:
            HubError: the broker does not let this user subscribe.
            BrokerTrouble: the connection ended.
            OSError: the connection broke, or the broker did not answer in time.
        """
        if not topics:
            return
        if self._v5:
            options = SubscribeOptions(qos=qos, retainAsPublished=as_published)
            code, number = self._mqtt.subscribe([(topic, options) for topic in topics])
        else:
            code, number = self._mqtt.subscribe([(topic, qos) for topic in topics])
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
                raise HubError(f"it does not let this user subscribe to {topic}; check its access rules")

    def close(self) -> None:
        """Send DISCONNECT if the connection is up, and end it. May be called twice."""
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
            manual_ack=self._lasting is not None,
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
        client.on_message = self._received
        client.on_socket_open = _without_delay
        client.on_socket_close = self._closing
        return client

    def _connect(self) -> None:
        """Connect, in a thread: name lookup, connection and handshake may each block."""
        settings = self._settings
        clean: mqtt.CleanStartOption = True if self._v5 else mqtt.MQTT_CLEAN_START_FIRST_ONLY
        more: Properties | None = None
        if self._lasting is not None:
            clean, more = False, Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            more.SessionExpiryInterval = self._lasting.expiry_s
            more.ReceiveMaximum = self._lasting.window
        self._mqtt.connect(
            settings.host, settings.port, settings.keepalive_s, clean_start=clean, properties=more
        )

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
        # Several tasks may wait for the same future, and one of them may be cancelled.
        await asyncio.shield(self._acknowledged)

    def _readable(self) -> None:
        try:
            while True:
                self._mqtt.loop_read()
                line = self._mqtt.socket()
                # Data that TLS has already decrypted does not make the socket readable again.
                if not isinstance(line, ssl.SSLSocket) or not line.pending():
                    break
            if self._mqtt.want_write():
                # A callback may have published messages that the library has only queued.
                self._writable()
        except Exception as error:  # noqa: BLE001 - whoever awaits the connection gets it
            self._end(error)
        if self._acknowledgements_came:
            self._acknowledgements_came = False
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
            # Retrieved here, because asyncio logs an exception that was never retrieved.
            self.ended.exception()
        reason = error or BrokerTrouble("the connection is closed")
        for waiting in (self._accepted, self._acknowledged, *self._granting.values()):
            if waiting is not None and not waiting.done():
                waiting.set_exception(reason)
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

    # Callbacks of the library

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
        # Before that, the thread that connects gets the error itself.
        if not self._handed_over:
            return
        if flags.is_disconnect_packet_from_server:
            self._end(BrokerTrouble(f"the broker ended it: {code}", code, was_up=self._was_accepted))
        elif code.is_failure:
            self._end(BrokerTrouble("the connection was lost", was_up=self._was_accepted))
        else:
            self._end(None)

    @property
    def _was_accepted(self) -> bool:
        accepted = self._accepted
        return accepted.done() and not accepted.cancelled() and accepted.exception() is None

    def _published(
        self, client: mqtt.Client, data: object, number: int, code: ReasonCode, more: Properties | None
    ) -> None:
        if self._unacknowledged.pop(number, None) is not None:
            self._acknowledgements_came = True

    def _subscribed(
        self, client: mqtt.Client, data: object, number: int, codes: list[ReasonCode], more: Properties | None
    ) -> None:
        waiting = self._granting.get(number)
        if waiting is not None and not waiting.done():
            waiting.set_result(codes)

    def _received(self, client: mqtt.Client, data: object, message: mqtt.MQTTMessage) -> None:
        if self._lasting is None:
            self._on_message(message.topic, bytes(message.payload), message.retain)
        else:
            more = dict(getattr(message.properties, "UserProperty", ()))
            self._lasting.on_delivery(Delivery(message.topic, bytes(message.payload), message.mid, more))

    def _closing(self, client: mqtt.Client, data: object, line: object) -> None:
        self._forget()


def _without_delay(client: mqtt.Client, data: object, line: object) -> None:
    """Switch Nagle's algorithm off, by which a message can wait up to 40 ms for a TCP acknowledgement."""
    if isinstance(line, socket.socket):
        line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
