"""One connection to the broker: how it is made, and how messages go through it in order."""

import asyncio
import logging
import socket
import ssl
from collections.abc import Iterable, Sequence

import aiomqtt
from paho.mqtt.client import MQTT_CLEAN_START_FIRST_ONLY
from paho.mqtt.subscribeoptions import SubscribeOptions

from bridge.errors import HubError
from bridge.hub.broker import BrokerSettings, MqttVersion, TlsSettings
from bridge.hub.topics import STATE_QOS, Publication

WINDOW = 10
"""Messages under way at once: enough to hide the round trips, few enough for any broker's own limit."""
INCOMING = 100
"""Messages that wait to be read at most; a flood of commands loses the rest."""


async def prepare(
    settings: BrokerSettings, will: Publication, logger: logging.Logger, answer_s: float
) -> aiomqtt.Client:
    """A client that is not connected yet.

    :param answer_s: how long the broker may take over one message before the connection counts as broken.

    The session is clean on every connection: a command that was sent while the bridge was away is lost,
    and not delivered late.

    :raises HubError: a TLS file cannot be used.
    """
    # Reading certificates takes the disk's time, which the event loop does not have.
    tls = None if settings.tls is None else await asyncio.to_thread(tls_context, settings.tls)
    v5 = settings.version is MqttVersion.V5
    client = aiomqtt.Client(
        settings.host,
        settings.port,
        username=settings.username,
        password=None if settings.password is None else settings.password.reveal(),
        logger=logger,
        identifier=settings.client_id,
        protocol=aiomqtt.ProtocolVersion.V5 if v5 else aiomqtt.ProtocolVersion.V311,
        will=aiomqtt.Will(will.topic, will.payload, will.qos, will.retain),
        clean_session=None if v5 else True,
        clean_start=True if v5 else MQTT_CLEAN_START_FIRST_ONLY,
        timeout=answer_s,
        keepalive=settings.keepalive_s,
        max_queued_incoming_messages=INCOMING,
        tls_context=tls,
        # Else a message waits up to 40 ms for the broker's TCP to confirm one before it that needs no answer.
        socket_options=[(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)],
    )
    client.pending_calls_threshold = 4 * WINDOW
    return client


async def subscribe(client: aiomqtt.Client, version: MqttVersion, topics: Sequence[str]) -> None:
    """Listen to command topics.

    On MQTT 5 the retain flag stays on a message as it was published, so that a command that was
    meant to be kept is refused even when it is passed on at once.

    :raises HubError: the broker does not let this user listen.
    :raises aiomqtt.MqttError: the connection broke.
    """
    if not topics:
        return
    if version is MqttVersion.V5:
        options = SubscribeOptions(qos=STATE_QOS, retainAsPublished=True)
        granted = await client.subscribe([(topic, options) for topic in topics])
    else:
        granted = await client.subscribe([(topic, STATE_QOS) for topic in topics])
    codes = [grant if isinstance(grant, int) else grant.value for grant in granted]
    for topic, code in zip(topics, codes, strict=True):
        if code >= 0x80:
            raise HubError(f"it does not let this user listen to {topic}; check its access rules")


async def publish(client: aiomqtt.Client, messages: Iterable[Publication]) -> None:
    """Publish in order, several under way at once, and wait for every acknowledgement.

    :raises aiomqtt.MqttError: the connection broke.
    """
    waiting = list(messages)
    for start in range(0, len(waiting), WINDOW):
        window = waiting[start : start + WINDOW]
        calls = (client.publish(m.topic, m.payload, m.qos, m.retain) for m in window)
        for result in await asyncio.gather(*calls, return_exceptions=True):
            if isinstance(result, BaseException):
                raise result


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
